//! How a review was measured, what to mind, and where it comes from, as far as the record knows. What isn't known isn't told.

use settled_protocol::reading::Flag;

use super::instrument;
use crate::evaluate::figure::COVERED;
use crate::report::Fact;
use crate::review::evaluation::{Evaluation, Unsettled};
use crate::review::figures::part::Part;
use crate::review::plan::{Set, What};
use crate::review::record::{Entry, Measurement, Record};
use crate::show;

/// How it was measured.
pub(super) fn conditions(record: &Record, evaluation: &Evaluation) -> Vec<Fact> {
    let header = &record.header;
    let mut facts = vec![Fact::new("Display", header.display.clone())];
    facts.extend(instrument::facts(header));
    facts.extend(
        record.header.plan.sets.iter().map(|set| Fact::new(&format!("Mode {}", set.name), mode(set))),
    );
    facts.push(Fact::new("Intervals", format!("{COVERED}: {}", evaluation.calibration.words())));
    let several = evaluation.shown.len() > 1;
    facts.extend(evaluation.shown.iter().map(|shown| {
        let since = if several { format!(", from {}", show::moment(shown.at)) } else { String::new() };
        Fact::new(&format!("Stimuli{since}"), shown.means.words())
    }));
    facts.push(Fact::new("Waited for", waited(record)));
    facts.extend(ambient(evaluation).map(|light| Fact::new("Light of the room", light)));
    facts.push(Fact::new("Flags on readings", flags(evaluation)));
    let noted = evaluation
        .notes
        .iter()
        .map(|noted| Fact::new(&format!("Noted, {}", show::moment(noted.at)), noted.words.clone()));
    facts.extend(noted);
    facts
}

fn mode(set: &Set) -> String {
    let range = match set.coding.range {
        settled_protocol::stage::Range::Full => "full",
        settled_protocol::stage::Range::Narrow => "narrow",
    };
    format!("held against {}; {}-bit code values, {range} range", set.aim.words(), set.coding.bits)
}

/// How many stimuli settled, of those that count.
fn waited(record: &Record) -> String {
    let sequences =
        record.header.plan.sets.iter().flat_map(|set| set.sequences.iter().map(move |of| (set, &of.name)));
    let patches: Vec<&Measurement> = sequences.flat_map(|(set, name)| record.patches(set, name)).collect();
    let settled = patches.iter().filter(|patch| Unsettled::of(patch).is_none()).count();
    let longest = patches.iter().map(|patch| patch.waited_s).fold(0.0, f64::max);
    let named = if settled < patches.len() {
        "; the first of those that did not are named in their section"
    } else {
        ""
    };
    format!(
        "each stimulus until its light had settled: {settled} of {} did, the longest took {}{named}",
        patches.len(),
        show::span(longest)
    )
}

/// The room's light, where it was measured.
fn ambient(evaluation: &Evaluation) -> impl Iterator<Item = String> {
    let parts = evaluation.sets.iter().flat_map(|set| &set.sequences).flat_map(|sequence| &sequence.figures);
    let lights = parts.filter_map(|part| match part {
        Part::Ambient(ambient) => Some(ambient),
        _ => None,
    });
    lights.map(|ambient| {
        let less = if ambient.off_below_range { "below the meter's range, at most " } else { "" };
        format!("{less}{} cd/m² on the screen, switched off", ambient.off.words())
    })
}

fn flags(evaluation: &Evaluation) -> String {
    let told: Vec<Flag> = evaluation.flags.iter().copied().filter(|flag| *flag != Flag::Shared).collect();
    if told.is_empty() { "none".to_owned() } else { show::flags(&evaluation.meter, &told) }
}

/// What to mind.
pub(super) fn cautions(record: &Record, evaluation: &Evaluation) -> Vec<String> {
    let mut cautions = Vec::new();
    if !super::marks(evaluation).is_empty() {
        cautions.push(
            "Some of this or all of it was not seen on a display: it was simulated or replayed.".to_owned(),
        );
    }
    if evaluation.findings.iter().any(|placed| placed.repeatability_alone) {
        cautions.push(
            "Verdicts by repeatability alone take the meter for exact: nobody stated how exact it is."
                .to_owned(),
        );
    }
    for caution in evaluation.shown.iter().flat_map(|shown| &shown.means.cautions) {
        if !cautions.contains(caution) {
            cautions.push(caution.clone());
        }
    }
    cautions.extend([
        "A window's luminance depends on what else is on the screen: figures compare with those of the same plan.".to_owned(),
        "A filter colorimeter that was not corrected for this display's spectra is off by several per cent, and no interval knows unless its calibration is stated.".to_owned(),
        "On a self-emitting panel white itself moves by some per cent within a review; no interval holds that.".to_owned(),
    ]);
    if record
        .header
        .plan
        .sets
        .iter()
        .flat_map(|set| &set.sequences)
        .any(|sequence| matches!(sequence.what, What::PeakHold { .. } | What::Retention { .. }))
    {
        cautions.push(
            "Bright patches that stand for long leave marks on self-emitting panels, some for good."
                .to_owned(),
        );
    }
    cautions.push("Measured again, the screen changes between dark and bright, which can trigger seizures in photosensitive viewers.".to_owned());
    cautions.push("Verdicts are about what was measured where the meter looked, that day. The makers' instructions, local codes and licensed practice come first.".to_owned());
    cautions
}

/// Where it comes from.
pub(super) fn provenance(record: &Record, evaluation: &Evaluation) -> Vec<Fact> {
    let header = &record.header;
    let ended = evaluation.ended.map_or_else(String::new, |ended| format!(" to {}", show::moment(ended)));
    let mut facts = vec![Fact::new("Measured", format!("{}{ended} (UTC)", show::moment(header.began)))];
    facts.extend(instrument::measured_by(header).map(|words| Fact::new("Measured by", words)));
    facts.extend([
        Fact::new("Plan", format!("{}: {}", header.plan.title, planned(evaluation))),
        Fact::new(
            "Record",
            format!("form {} of JSON lines, {} entries", header.review, record.entries.len()),
        ),
        Fact::new(
            "Evaluated by",
            format!("settle {}, evaluation {}", env!("CARGO_PKG_VERSION"), evaluation.evaluation),
        ),
    ]);
    if let Some(log) = &header.log {
        facts.push(Fact::new("Log of the readings", logged(record, log)));
    }
    facts.push(Fact::new(
        "Figures",
        "each with its interval, by propagation of distributions (JCGM 101:2008)",
    ));
    facts
}

fn planned(evaluation: &Evaluation) -> String {
    let (measured, planned) = evaluation.progress();
    let sequences: usize = evaluation.sets.iter().map(|set| set.sequences.len()).sum();
    format!("{measured} of {planned} stimuli measured, in {sequences} sequences")
}

fn logged(record: &Record, log: &str) -> String {
    let readings = record.entries.iter().filter_map(|entry| match entry {
        Entry::Patch(patch) => patch.readings,
        Entry::Course(course) => course.readings,
        _ => None,
    });
    let ends = readings.fold(None, |ends: Option<(u64, u64)>, readings| {
        let (first, last) = ends.unwrap_or((u64::MAX, 0));
        Some((first.min(readings.first), last.max(readings.last)))
    });
    ends.map_or_else(|| log.to_owned(), |(first, last)| format!("{log}, readings {first} to {last}"))
}

#[cfg(test)]
mod tests {
    use settled_protocol::settling::Verdict;

    use super::*;
    use crate::review::evaluation::tests::{patch, record};

    fn told(record: &Record) -> String {
        let facts = conditions(record, &Evaluation::of(record));
        facts.into_iter().find(|fact| fact.name == "Waited for").unwrap().value
    }

    #[test]
    fn a_stimulus_that_was_measured_anew_is_counted_once_and_what_settled_since_is_not_missed() {
        let mut record = record();
        let settled = patch(&mut record, "grey", "grey 50 %").clone();
        assert!(
            told(&record).contains("26 of 26 did") && !told(&record).contains("did not"),
            "{}",
            told(&record)
        );
        patch(&mut record, "grey", "grey 50 %").verdict = Verdict::TimedOut;
        assert!(
            told(&record).contains("25 of 26 did") && told(&record).contains("did not"),
            "{}",
            told(&record)
        );
        record.entries.push(Entry::Patch(Box::new(settled)));
        assert!(
            told(&record).contains("26 of 26 did") && !told(&record).contains("did not"),
            "{}",
            told(&record)
        );
    }
}
