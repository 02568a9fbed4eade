use super::*;

fn within(least: Option<f64>, most: Option<f64>) -> Tolerance {
    Tolerance { least, most, source: "a test".to_owned() }
}

#[test]
fn a_difference_is_as_unsure_as_both_figures_together() {
    // Independent standard uncertainties add as squares (JCGM 100, 5.1.2): 3 and 4 make 5.
    let found = difference(&Figure::around(100.0, 3.0), &Figure::around(110.0, 4.0));
    assert_eq!(found, Figure { value: 10.0, low: 5.0, high: 15.0 });
    let skewed = Figure { value: 10.0, low: 9.0, high: 14.0 };
    let found = difference(&Figure::exactly(2.0), &skewed);
    assert_eq!(found, Figure { value: 8.0, low: 7.0, high: 12.0 });
    assert_eq!(difference(&skewed, &Figure::exactly(2.0)), Figure { value: -8.0, low: -12.0, high: -7.0 });
}

#[test]
fn a_distance_whose_interval_ends_at_zero_is_no_surer_for_it() {
    let cut = Figure { value: 0.2, low: 0.0, high: 0.7 };
    let found = difference(&cut, &Figure::exactly(1.0));
    assert!((found.high - 1.3).abs() < 1e-12, "{found:?}");
}

#[test]
fn intervals_that_hold_all_differences_are_wider_the_more_there_are() {
    // The standard normal's quantiles at 1 − 0.025 and 1 − 0.025/50: 1.959964 and 3.290527.
    assert!((factor(1) - 1.0).abs() < 1e-9 && (factor(0) - 1.0).abs() < 1e-9);
    assert!((factor(50) - 3.290_527 / 1.959_964).abs() < 1e-5, "{}", factor(50));
}

#[test]
fn what_is_better_depends_on_the_tolerance_and_only_beyond_uncertainty() {
    let (low, high) = (Figure::around(1.0, 0.1), Figure::around(2.0, 0.1));
    let of = |a: &Figure, b: &Figure, tolerance: Option<Tolerance>| change(a, b, tolerance.as_ref(), 1.5);
    assert_eq!(of(&low, &high, Some(within(None, Some(3.0)))), Change::Worse);
    assert_eq!(of(&high, &low, Some(within(None, Some(3.0)))), Change::Better);
    assert_eq!(of(&low, &high, Some(within(Some(0.5), None))), Change::Better);
    assert_eq!(of(&low, &high, Some(within(Some(1.9), Some(2.3)))), Change::Better);
    // As far off on the other side: it differs, and is neither.
    assert_eq!(of(&low, &high, Some(within(Some(1.4), Some(1.6)))), Change::Differs);
    assert_eq!(of(&low, &high, None), Change::Differs);
    let near = Figure::around(1.15, 0.1);
    assert_eq!(of(&low, &near, Some(within(None, Some(3.0)))), Change::Alike);
    assert_eq!(
        of(&Figure::exactly(1.0), &Figure::exactly(2.0), None),
        Change::Alike,
        "nobody knows how sure"
    );
}
