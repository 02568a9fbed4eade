//! When light is expected to settle, in words: the same wherever a person is told.

use super::digits::span;

/// An interval whose ends are as many times apart says no more than its later end.
const WIDE: f64 = 10.0;

/// Nobody waits for anything that is so near, in s.
const NEAR_S: f64 = 1.0;

/// Steps of a countdown, in s: up to how far an end is away, and how large.
const STEPS: [(f64, f64); 2] = [(30.0, FINEST_S), (120.0, 10.0)];
const FINEST_S: f64 = 5.0;
const COARSEST_S: f64 = 60.0;

/// Between `low_s` and `high_s` from now, which may have begun: what goes behind "settles" or "expected to settle".
#[must_use]
pub fn expected(low_s: f64, high_s: f64) -> String {
    told(low_s, high_s, is_wide(low_s, high_s))
}

/// Whether the earlier end says nothing beside the later one.
fn is_wide(low_s: f64, high_s: f64) -> bool {
    low_s < NEAR_S || high_s >= WIDE * low_s
}

fn told(low_s: f64, high_s: f64, is_wide: bool) -> String {
    let (low, high) = (span(low_s), span(high_s));
    if high_s < NEAR_S {
        "any moment now".to_owned()
    } else if low == high {
        format!("in about {high}")
    } else if is_wide {
        format!("within {high}")
    } else {
        format!("in {low} to {high}")
    }
}

/// The same as one number, in s, where there is room for no more: the later end where that alone is told, else what lies between. Nothing where
/// nothing is told.
#[must_use]
pub(crate) fn left_s(low_s: f64, median_s: f64, high_s: f64) -> Option<f64> {
    let left_s = if is_wide(low_s, high_s) { high_s } else { median_s };
    is_telling(low_s, high_s).then_some(left_s.max(0.0))
}

/// The same counted down while no further reading comes: of ends that were reckoned at a reading which is `age_s` old by now. It goes in steps
/// that the eye isn't caught by. Nothing once even the later end has passed.
#[must_use]
pub fn counted_down(low_s: f64, high_s: f64, age_s: f64) -> Option<String> {
    let (low_s, high_s) = (low_s - age_s, high_s - age_s);
    if high_s <= 0.0 {
        // A reading that has only just come may say so of itself.
        return (age_s < FINEST_S).then(|| "any moment now".to_owned());
    }
    let (low_s, low) = (low_s.max(0.0), stepped(low_s.max(0.0)));
    // As the ends are and not as they are rounded: what is wide gets no narrower.
    let is_wide = low < NEAR_S || is_wide(low_s, high_s);
    Some(told(low, stepped(high_s).max(FINEST_S), is_wide).replace(".0 s", " s"))
}

/// An end in the steps of how far it is away itself: in those of another it would jump as that comes into finer ones.
fn stepped(end_s: f64) -> f64 {
    let step_s =
        STEPS.into_iter().find(|(below_s, _)| end_s < *below_s).map_or(COARSEST_S, |(_, step_s)| step_s);
    (end_s / step_s).round() * step_s
}

/// Up to how far away the later end of a wide interval still tells something, in s: so long one waits at the bench.
const PATIENT_S: f64 = 600.0;

/// The longest time constant that is tried for a fit, in s: what ends later can't be told from what never ends.
const LONGEST_S: f64 = 14_400.0;

/// What is said in the place of an interval that tells nothing.
pub const UNFORESEEN: &str = "can't be foreseen yet";

/// Whether an interval from `low_s` to `high_s` from now tells anything. It doesn't where its ends are ten times apart and the later one is more than
/// 10 min away, nor where that is beyond the longest time constant: it then stands where the fits end, and not where the light does.
#[must_use]
pub fn is_telling(low_s: f64, high_s: f64) -> bool {
    high_s <= PATIENT_S || (!is_wide(low_s, high_s) && high_s <= LONGEST_S)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_wide_interval_is_told_by_its_later_end_alone() {
        for (low_s, high_s, words) in [
            (12.0, 24.0, "in 12 s to 24 s"),
            (59.8, 60.2, "in about 60 s"),
            (300.0, 2999.0, "in 5 min to 50 min"),
            (300.0, 3000.0, "within 50 min"),
            (0.0, 6120.0, "within 102 min"),
            (-30.0, 24.0, "within 24 s"),
            (0.4, 2.0, "within 2.0 s"),
            (0.0, 0.3, "any moment now"),
            (-5.0, -1.0, "any moment now"),
        ] {
            assert_eq!(expected(low_s, high_s), words, "{low_s} {high_s}");
        }
    }

    #[test]
    fn it_is_counted_down_in_steps_and_says_nothing_once_it_has_passed() {
        for (low_s, high_s, age_s, words) in [
            (12.0, 24.0, 0.0, Some("in 10 s to 25 s")),
            (12.0, 24.0, 4.0, Some("in 10 s to 20 s")),
            (12.0, 24.0, 11.0, Some("within 15 s")),
            (12.0, 24.0, 23.9, Some("within 5 s")),
            (12.0, 24.0, 24.0, None),
            (13.0, 17.0, 0.0, Some("in about 15 s")),
            (45.0, 83.0, 0.0, Some("in 50 s to 80 s")),
            (45.0, 83.0, 56.0, Some("within 25 s")),
            (300.0, 2999.0, 55.0, Some("within 49 min")),
            (-9.0, -1.0, 1.0, Some("any moment now")),
            (-9.0, -1.0, 5.0, None),
        ] {
            assert_eq!(counted_down(low_s, high_s, age_s).as_deref(), words, "{low_s} {high_s} {age_s}");
        }
    }

    /// The earlier end and the later one that words tell, in s.
    fn ends(words: &str) -> [f64; 2] {
        let parts: Vec<&str> = words.split(' ').collect();
        let number = |at: usize| parts[at].parse::<f64>().unwrap();
        let unit = |at: usize| if parts.get(at) == Some(&"min") { 60.0 } else { 1.0 };
        match parts[..] {
            ["any", ..] => [0.0, 0.0],
            ["within", ..] => [0.0, number(1) * unit(2)],
            ["in", "about", ..] => [number(2) * unit(3); 2],
            ["in", _, "to", ..] => [number(1) * unit(4), number(3) * unit(4)],
            ["in", _, _, "to", ..] => [number(1) * unit(2), number(4) * unit(5)],
            _ => panic!("{words}"),
        }
    }

    #[test]
    fn between_two_readings_neither_end_ever_goes_further_away() {
        for low_s in [0.0, 3.0, 7.0, 12.0, 26.0, 29.0, 34.0, 64.0, 89.0, 95.0, 151.0, 400.0] {
            for wide_s in [0.5, 4.0, 18.0, 27.0, 40.0, 84.0, 92.0, 119.0, 200.0, 1000.0, 3600.0] {
                let words = |tenth: u32| counted_down(low_s, low_s + wide_s, 0.1 * f64::from(tenth));
                let told: Vec<String> = (0..50_000).map_while(words).collect();
                for pair in told.windows(2) {
                    let [before, after] = [&pair[0], &pair[1]].map(|words| ends(words));
                    assert!(
                        after[0] <= before[0] && after[1] <= before[1],
                        "{low_s} to {wide_s} on: {pair:?}"
                    );
                }
            }
        }
    }

    #[test]
    fn between_two_readings_it_changes_seldom() {
        let mut words: Vec<Option<String>> =
            (0..3000).map(|tenth| counted_down(70.0, 110.0, 0.1 * f64::from(tenth))).collect();
        words.dedup();
        assert!(words.len() <= 24, "{words:?}");
        assert_eq!(words.last(), Some(&None), "{words:?}");
    }

    #[test]
    fn one_number_is_no_other_than_what_the_words_say() {
        for (low_s, median_s, high_s, left) in [
            (160.0, 200.0, 300.0, Some(200.0)),
            // "within 2 min": what lies between may be over, and it is not about to end.
            (-20.0, -5.0, 120.0, Some(120.0)),
            (-20.0, -10.0, -5.0, Some(0.0)),
            (10.0, 900.0, 9000.0, None),
        ] {
            assert_eq!(left_s(low_s, median_s, high_s), left, "{low_s} {median_s} {high_s}");
        }
    }

    #[test]
    fn an_interval_tells_nothing_that_is_wide_and_far_or_ends_where_the_fits_do() {
        for (low_s, high_s, is) in [
            (0.0, 24.0, true),
            (0.0, 600.0, true),
            (0.0, 601.0, false),
            (35.0, 21_600.0, false),
            (300.0, 2999.0, true),
            (300.0, 3000.0, false),
            (3600.0, 14_400.0, true),
            (3600.0, 14_401.0, false),
            (-9.0, -1.0, true),
        ] {
            assert_eq!(is_telling(low_s, high_s), is, "{low_s} {high_s}");
        }
    }
}
