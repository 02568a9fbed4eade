//! What happened as a sequence was measured that its figures don't tell.

use settled_protocol::reading::Flag;

use crate::review::plan::{Sequence, Set};
use crate::review::record::Record;

/// The corrections that light went through, by their ids; nothing of a record that is older than that this is told.
pub(super) fn corrections(record: &Record) -> Option<Vec<String>> {
    record.header.attached.as_ref()?;
    let found = record.corrections(None);
    Some(found.into_iter().map(|id| id.unwrap_or("none").to_owned()).collect())
}

/// Every flag on what counts of a record, once: those that say that nothing of this was seen on a display first.
pub(super) fn flags(record: &Record) -> Vec<Flag> {
    let sequences =
        record.header.plan.sets.iter().flat_map(|set| set.sequences.iter().map(move |of| (set, &of.name)));
    let flags = sequences.flat_map(|(set, name)| {
        let patches = record.patches(set, name).into_iter().map(|patch| &patch.flags);
        patches.chain(record.courses(set, name).into_iter().map(|course| &course.flags)).flatten()
    });
    let mut found: Vec<Flag> = Vec::new();
    for flag in flags {
        if !found.contains(flag) {
            found.push(*flag);
        }
    }
    found.sort_by_key(|flag| !matches!(flag, Flag::Simulated | Flag::Replayed));
    found
}

/// A caution each.
pub(super) fn cautions(record: &Record, set: &Set, sequence: &Sequence) -> Vec<String> {
    begun_anew(record, set, sequence).into_iter().chain(corrected(record, set, sequence)).collect()
}

/// What a hold that was cut off leaves behind is in the light of the next.
fn begun_anew(record: &Record, set: &Set, sequence: &Sequence) -> Option<String> {
    let times = if sequence.is_procedure() { record.begun(&set.name, &sequence.name) } else { 0 };
    (times > 1).then(|| {
        format!("begun {times} times, as something came over it: the display had been driven by it before")
    })
}

/// Light on two scales doesn't compare: of a sequence, or of it and the white and black that it is held against.
fn corrected(record: &Record, set: &Set, sequence: &Sequence) -> Option<String> {
    let of = |name: &str| record.corrections(Some((&set.name, name)));
    let whole = set.sequences.iter().filter(|other| other.name == sequence.name || is_reference(other));
    let mut found: Vec<Option<&str>> = Vec::new();
    for correction in whole.flat_map(|sequence| of(&sequence.name)) {
        if !found.contains(&correction) {
            found.push(correction);
        }
    }
    let names: Vec<&str> = found.iter().map(|correction| correction.unwrap_or("none")).collect();
    (names.len() > 1 && !of(&sequence.name).is_empty()).then(|| {
        format!(
            "its light, with that of the white and black that it is held against, went through more than one correction of the meter's \
             ({}): what one changes looks like the display's own",
            names.join(", ")
        )
    })
}

fn is_reference(sequence: &Sequence) -> bool {
    use crate::review::plan::What;
    sequence.what == What::WhiteBlack
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::review::evaluation::Evaluation;
    use crate::review::evaluation::tests::{patch, record};
    use crate::review::record::Entry;

    fn told(record: &Record, sequence: &str) -> String {
        let evaluation = Evaluation::of(record);
        let found = evaluation.sets[0].sequences.iter().find(|it| it.name == sequence).unwrap();
        found.cautions.join("; ")
    }

    #[test]
    fn light_that_went_through_two_corrections_says_so_where_it_is_held_against_each_other() {
        let mut record = record();
        assert_eq!(told(&record, "primaries"), "");
        for entry in &mut record.entries {
            if let Entry::Patch(patch) = entry {
                patch.correction = Some("c1".to_owned());
            }
        }
        assert_eq!(told(&record, "primaries"), "");
        patch(&mut record, "primaries", "red").correction = None;
        assert!(told(&record, "primaries").contains("(c1, none)"), "{}", told(&record, "primaries"));
        assert_eq!(told(&record, "grey"), "", "they and their white went through one");
    }

    #[test]
    fn what_was_begun_more_than_once_says_so() {
        let mut record = record();
        record.header.plan = crate::review::ready::Ready::named("retention").unwrap().plan().unwrap();
        let begun = || Entry::Begun {
            at: record.header.began,
            set: "SDR".to_owned(),
            sequence: "retention".to_owned(),
        };
        let (one, other) = (begun(), begun());
        record.entries = vec![one];
        assert_eq!(told(&record, "retention"), "");
        record.entries.push(other);
        assert!(told(&record, "retention").contains("begun 2 times"), "{}", told(&record, "retention"));
    }
}
