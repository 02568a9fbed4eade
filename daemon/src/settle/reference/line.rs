//! Straight lines: NIST StRD Norris.

use super::{assert_close, number, numbers, reference};
use crate::settle::line::Line;
use crate::settle::sums::{Entry, Moments, Sums};
use crate::settle::track::Track;

/// Least squares by sums of squares loses the digits that R² = 0.999994 takes away: five of sixteen.
const DIGITS: f64 = 1e-9;

fn norris() -> (serde_json::Value, Vec<(f64, f64)>) {
    let set = reference!("nist/Norris.json");
    let points = numbers(&set, "x").into_iter().zip(numbers(&set, "y")).collect();
    (set, points)
}

/// The moments of points, counted from the first as the engine does.
fn moments(points: &[(f64, f64)]) -> Moments {
    let (x, y) = points[0];
    let entry = |(at, value): &(f64, f64)| Entry { x: at - x, y: [value - y] };
    let mut sums = Sums::NONE;
    let mut before = None;
    for entry in points.iter().map(entry) {
        sums.add(entry, before);
        before = Some(entry);
    }
    let [moments] = sums.moments(entry(&points[0]), entry(points.last().unwrap()));
    moments
}

/// What AR(1) noise makes of standard errors, taken out again as the documentation of `Line` puts it in: a factor
/// k = (1+ρ)/(1−ρ) on both variances, and (n−2)/(n−2k) on the scatter.
fn factors(line: &Line, count: f64) -> (f64, f64) {
    let k = (1.0 + line.alike) / (1.0 - line.alike);
    (k, (count - 2.0) / (count - 2.0 * k))
}

fn assert_certified(line: &Line, set: &serde_json::Value, count: f64) {
    let (k, hidden) = factors(line, count);
    let slope_error = line.slope_error / (k * hidden).sqrt();
    let mean_error = line.mean_error / (k * hidden).sqrt();
    let certified = |what, found: f64, member| assert_close(what, found, number(set, member), DIGITS);
    certified("slope", line.slope, "certified_slope");
    certified("intercept", line.mean - line.slope * line.time, "certified_intercept");
    certified("residual sd", line.scatter / hidden.sqrt(), "certified_residual_sd");
    certified("error of slope", slope_error, "certified_slope_sd");
    certified("error of intercept", mean_error.hypot(slope_error * line.time), "certified_intercept_sd");
}

#[test]
fn norris_in_order_of_x_is_a_line_without_correction() {
    let (set, mut points) = norris();
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut track = Track::<1>::new(1e6);
    for &(x, y) in &points {
        assert!(track.push(x, [y]));
    }
    let [line] = track.since(f64::MIN).lines().unwrap();
    // Neighbouring residuals are less alike than chance makes them, so nothing is inflated: k = 1.
    assert_eq!(line.alike, 0.0);
    assert_certified(&line, &set, points.len() as f64);
    assert_eq!(line.effective, 36.0);
}

#[test]
fn norris_in_the_order_of_its_file_is_a_line_whose_errors_are_inflated_by_the_documented_factor() {
    let (set, points) = norris();
    let (x, y) = points[0];
    let moments = moments(&points);
    let line = Line::of(&moments, &moments, x, y);
    // Lag-1 autocorrelation of the residuals by the textbook sum, 0.3637249537 (computed apart, with exact sums), and
    // Marriott & Pope's correction of it.
    let alike = 0.363_724_953_686_808 + (2.0 + 4.0 * 0.363_724_953_686_808) / 36.0;
    assert_close("likeness", line.alike, alike, DIGITS);
    assert_certified(&line, &set, points.len() as f64);
}
