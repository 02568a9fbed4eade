//! White that is shown again later on: whether it is still the one that figures are held against.

use crate::review::figures::usable::usable;
use crate::review::plan::{Sequence, Set};
use crate::review::record::{Measurement, Record};
use crate::show;

/// Less than so much of it is what settling allows.
const LEAST: f64 = 0.005;

/// What whoever reads a sequence's figures should know of a white in it that isn't what the set's white was, though it is the same stimulus.
pub(super) fn moved(record: &Record, set: &Set, sequence: &Sequence) -> Option<String> {
    let first = super::grey(record, set, 1.0)?;
    let is_again = |patch: &&Measurement| patch.place != first.place && is_same(patch, first);
    let again = record.patches(set, &sequence.name).into_iter().filter(is_again);
    let moved = again.filter_map(|patch| Some((patch, change(first, patch)?)));
    let (patch, change) = moved.max_by(|(_, one), (_, other)| one.abs().total_cmp(&other.abs()))?;
    let [before, now] = [first, patch].map(|patch| usable(patch).map(|light| show::number(light.luminance)));
    Some(format!(
        "white is {} cd/m² here and {} where it was measured first, {} apart, {:+.1} %: the display or the meter moved meanwhile, and what is held against white moves with it",
        now?,
        before?,
        show::span(patch.apart_s(first)),
        100.0 * change
    ))
}

/// Whether both are the same stimulus.
fn is_same(one: &Measurement, other: &Measurement) -> bool {
    (one.patch.codes, one.patch.background) == (other.patch.codes, other.patch.background)
        && (one.patch.window_percent - other.patch.window_percent).abs() < 1e-9
        && one.position == other.position
}

/// By how much of it the light changed, where that is more than both intervals and settling account for.
fn change(before: &Measurement, now: &Measurement) -> Option<f64> {
    let ([old, new], [old_u95, new_u95]) = (
        [usable(before)?.luminance, usable(now)?.luminance],
        [before, now].map(|patch| patch.value.as_ref().map_or(0.0, |value| value.y_u95)),
    );
    let change = (new - old) / old;
    ((new - old).abs() > old_u95.hypot(new_u95) && change.abs() > LEAST).then_some(change)
}

#[cfg(test)]
mod tests {
    use crate::review::evaluation::{Evaluation, tests};
    use crate::review::record::{Clock, Entry, Record};

    fn cautions(record: &Record) -> Vec<String> {
        let evaluation = Evaluation::of(record);
        evaluation.sets[0].sequences[1].cautions.clone()
    }

    /// The review with white of the grey ramp so many times as bright.
    fn with_white(times: f64) -> Record {
        let mut record = tests::record();
        let white = record.entries.iter_mut().find_map(|entry| match entry {
            Entry::Patch(patch) if patch.place.sequence == "grey" && patch.patch.codes == [255; 3] => {
                Some(patch)
            }
            _ => None,
        });
        white.unwrap().value.as_mut().unwrap().y *= times;
        record
    }

    #[test]
    fn a_white_that_is_another_later_on_is_told_with_by_how_much() {
        let cautions = cautions(&with_white(1.024));
        let [told] = cautions.as_slice() else { panic!("{cautions:?}") };
        for words in ["white is 122.88 cd/m² here and 120.00 where", "+2.4 %", "moved meanwhile"] {
            assert!(told.contains(words), "{told}");
        }
    }

    #[test]
    fn how_long_ago_the_first_was_goes_by_the_daemons_clock_where_both_are_of_one_boot() {
        let with_clock = |boots: [&str; 2]| {
            let mut record = with_white(1.024);
            let (mut boots, mut t_s) = (boots.into_iter(), 1000.0);
            for entry in &mut record.entries {
                let Entry::Patch(patch) = entry else { continue };
                let is_white = patch.patch.codes == [255; 3]
                    && ["white_black", "grey"].contains(&patch.place.sequence.as_str());
                if is_white {
                    patch.clock = boots.next().map(|boot| Clock { t_s, boot: boot.to_owned() });
                    t_s += 180.0;
                }
            }
            cautions(&record)[0].clone()
        };
        assert!(with_clock(["b", "b"]).contains("first, 3 min apart"), "{}", with_clock(["b", "b"]));
        // Clocks of two boots don't compare; entries of these are a second of UTC apart each.
        assert!(!with_clock(["b", "c"]).contains("3 min"), "{}", with_clock(["b", "c"]));
    }

    #[test]
    fn a_white_that_is_the_same_as_far_as_anybody_can_tell_is_no_matter() {
        for times in [1.0, 1.001, 0.997] {
            assert_eq!(cautions(&with_white(times)), Vec::<String>::new());
        }
    }
}
