//! In which order the steps of a sequence are shown.

use super::expand::{Step, steps};
use super::light::linear;
use super::plan::{Order, Sequence, Set, What};
use crate::evaluate::aim::Transfer;

/// What shuffled steps are drawn with: the same each time, so that a review can be resumed, and two be compared.
const SEED: u64 = 0x5e77_1ed0;

/// The steps of a sequence in the order that they are shown. A procedure, such as that of image retention, keeps its own.
#[must_use]
pub fn ordered(set: &Set, sequence: &Sequence) -> Vec<Step> {
    let mut steps = steps(set, sequence);
    let is_procedure = matches!(sequence.what, What::Retention { .. } | What::Uniformity { .. });
    match sequence.order {
        _ if is_procedure => {}
        Order::Listed => {}
        // Steps of equal light stay as the plan has them.
        Order::DarkToLight => steps.sort_by(|a, b| glow(set, a).total_cmp(&glow(set, b))),
        Order::Shuffled => fastrand::Rng::with_seed(SEED).shuffle(&mut steps),
    }
    steps
}

/// The light of the whole screen, relative to a full field of white.
#[must_use]
pub fn glow(set: &Set, step: &Step) -> f64 {
    let transfer = set.aim.transfer;
    let patch = &step.patch;
    let area = (patch.window_percent / 100.0).clamp(0.0, 1.0);
    let luminance = |codes: [u16; 3]| luminance(transfer, codes.map(|code| set.coding.signal(code)));
    area * luminance(patch.codes) + (1.0 - area) * luminance(patch.background)
}

/// Luminance relative to white's, about: with the shares of ITU-R BT.709 for any primaries.
pub(super) fn luminance(transfer: Transfer, signal: [f64; 3]) -> f64 {
    let [r, g, b] = signal.map(|signal| linear(transfer, signal));
    0.2126 * r + 0.7152 * g + 0.0722 * b
}

#[cfg(test)]
mod tests {
    use super::super::plan::tests::{sequence, set};
    use super::*;

    #[test]
    fn dark_comes_before_light_by_the_light_of_the_whole_screen() {
        let set = set();
        let windows = sequence(What::Window { areas_percent: vec![100.0, 2.0, 25.0] });
        let areas: Vec<f64> = ordered(&set, &windows).iter().map(|step| step.patch.window_percent).collect();
        assert_eq!(areas, [2.0, 25.0, 100.0]);
        let primaries = ordered(&set, &sequence(What::Primaries));
        let names: Vec<&str> = primaries.iter().map(|step| step.patch.name.as_str()).collect();
        assert_eq!(names, ["blue", "red", "magenta", "green", "cyan", "yellow", "white"]);
    }

    #[test]
    fn shuffled_steps_are_all_there_and_come_the_same_each_time() {
        let set = set();
        let shuffled = Sequence { order: Order::Shuffled, ..sequence(What::Grey { steps: 21 }) };
        let order = |sequence: &Sequence| -> Vec<usize> {
            ordered(&set, sequence).iter().map(|step| step.step).collect()
        };
        let first = order(&shuffled);
        assert_eq!(first, order(&shuffled));
        let mut sorted = first.clone();
        sorted.sort_unstable();
        assert_ne!(first, sorted);
        assert_eq!(sorted, (0..21).collect::<Vec<_>>());
    }

    #[test]
    fn a_procedure_keeps_its_order() {
        let retention = What::Retention { hold_s: 60.0, watch_s: 60.0, signal: 0.5 };
        let shuffled = Sequence { order: Order::Shuffled, ..sequence(retention) };
        let order: Vec<usize> = ordered(&set(), &shuffled).iter().map(|step| step.step).collect();
        assert_eq!(order, [0, 1, 2]);
    }
}
