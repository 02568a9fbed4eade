//! When light is expected to settle, in words: the same wherever a person is told.

use super::digits::span;

/// An interval whose ends are as many times apart says no more than its later end.
const WIDE: f64 = 10.0;

/// Nobody waits for anything that is so near, in s.
const NEAR_S: f64 = 1.0;

/// Between `low_s` and `high_s` from now, which may have begun: what goes behind "settles" or "expected to settle".
#[must_use]
pub fn expected(low_s: f64, high_s: f64) -> String {
    let (low, high) = (span(low_s), span(high_s));
    if high_s < NEAR_S {
        "any moment now".to_owned()
    } else if low == high {
        format!("in about {high}")
    } else if low_s < NEAR_S || high_s >= WIDE * low_s {
        format!("within {high}")
    } else {
        format!("in {low} to {high}")
    }
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
}
