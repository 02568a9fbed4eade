//! Mean, standard deviation and lag-1 autocorrelation: NIST StRD, and the worked example of the GUM.

use super::{assert_close, number, numbers, reference};
use crate::settle::sums::{Entry, Moments, Sums};
use crate::settle::track::Track;

/// The moments of readings a second apart, counted from the first as a track does.
fn moments(values: &[f64]) -> Moments {
    let entry = |index: usize| Entry { x: index as f64, y: [values[index] - values[0]] };
    let mut sums = Sums::NONE;
    for index in 0..values.len() {
        sums.add(entry(index), index.checked_sub(1).map(entry));
    }
    let [moments] = sums.moments(entry(0), entry(values.len() - 1));
    moments
}

/// Mean, standard deviation and autocorrelation within relative tolerances.
#[track_caller]
fn assert_certified(set: &serde_json::Value, tolerances: [f64; 3]) {
    let name = set["name"].as_str().unwrap();
    let values = numbers(set, "y");
    let moments = moments(&values);
    let sd = (moments.yy / (moments.count - 1.0)).sqrt();
    let found = [values[0] + moments.y, sd, moments.pairs_yy / moments.yy];
    let members = ["certified_mean", "certified_sd", "certified_lag1_autocorrelation"];
    for ((member, found), tolerance) in members.into_iter().zip(found).zip(tolerances) {
        assert_close(&format!("{name} {member}"), found, number(set, member), tolerance);
    }
    let mut track = Track::<1>::new(1e6);
    for (second, &value) in (0_u32..).zip(&values) {
        track.push(f64::from(second), [value]);
    }
    let [line] = track.since(f64::MIN).lines().unwrap();
    assert_close(&format!("{name}, mean of a track"), line.mean, number(set, members[0]), tolerances[0]);
}

#[test]
fn univariate_values_are_those_that_nist_certifies() {
    let usual = [1e-14, 1e-12, 1e-10];
    assert_certified(&reference!("nist/Lottery.json"), usual);
    assert_certified(&reference!("nist/Michelso.json"), usual);
    assert_certified(&reference!("nist/NumAcc1.json"), usual);
}

/// Readings of 10⁶ and 10⁷ with steps of 0.1: doubles hold these steps to 10⁻⁹ and 10⁻⁸, and no algorithm can do better.
#[test]
fn readings_that_differ_in_the_last_digits_keep_their_spread() {
    assert_certified(&reference!("nist/NumAcc3.json"), [1e-15, 2e-9, 2e-9]);
    assert_certified(&reference!("nist/NumAcc4.json"), [1e-15, 2e-8, 2e-8]);
}

/// JCGM 100:2008, 4.4.3: twenty readings of a temperature, mean, s and s/√n as printed and as computed with scipy.
#[test]
fn the_worked_example_of_the_gum_is_reproduced() {
    let set = reference!("gum.json")["repeated_readings"].take();
    let values = numbers(&set, "y");
    let moments = moments(&values);
    let sd = (moments.yy / (moments.count - 1.0)).sqrt();
    let found =
        [("mean", values[0] + moments.y), ("s", sd), ("s_mean", (moments.yy / 19.0 / moments.count).sqrt())];
    for (name, found) in found {
        assert!((found - number(&set, &format!("published_{name}"))).abs() < 0.000_5, "{name}: {found}");
        assert_close(name, found, number(&set, &format!("computed_{name}")), 1e-11);
    }
}
