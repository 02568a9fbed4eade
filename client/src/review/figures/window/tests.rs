use super::*;
use crate::review::figures::played::{Noise, comes_back, scene, settled, words};

const AREAS: [f64; 9] = [1.0, 2.0, 5.0, 10.0, 18.0, 25.0, 50.0, 75.0, 100.0];

/// Windows known to 0.2 %, of a display that does `light` with an area in per cent.
fn measured(seed: u64, light: impl Fn(f64) -> f64) -> Option<WindowFigures> {
    let mut noise = Noise::new(seed);
    let windows: Vec<Measurement> = AREAS
        .iter()
        .enumerate()
        .map(|(step, area)| {
            let truth = light(*area);
            let mut window = settled(step, truth * (1.0 + 0.002 * noise.normal()), 0.002 * truth, None);
            window.patch.window_percent = *area;
            window
        })
        .collect();
    WindowFigures::evaluate(&scene(), &windows.iter().collect::<Vec<_>>())
}

#[test]
fn no_limiter_is_seen_where_there_is_none() {
    let alarms = (0..40).filter(|seed| measured(*seed, |_| 250.0).unwrap().limited).count();
    assert_eq!(alarms, 0);
    let figures = measured(0, |_| 250.0).unwrap();
    assert!(words(&figures, "limiter").starts_with("no limiter is seen"), "{figures:?}");
    assert_eq!(figures.curve, None);
    comes_back(&figures);
}

#[test]
fn a_limiter_is_found_within_the_intervals_that_are_stated() {
    // L = 610·(0.3/A)^0.5 beyond 30 % of the area; full field 334.1 by hand.
    let (mut knees, mut exponents, mut plateaus, mut ends) = (0, 0, 0, 0);
    for seed in 0..40 {
        let figures = measured(seed, |area| 610.0 * (30.0 / area).min(1.0).sqrt()).unwrap();
        assert!(figures.limited);
        let curve = figures.curve.unwrap();
        knees += u32::from(curve.knee_percent.unwrap().holds(30.0));
        exponents += u32::from(curve.exponent.holds(0.5));
        plateaus += u32::from(curve.plateau.holds(610.0));
        ends += u32::from(figures.largest.holds(610.0 * 0.3_f64.sqrt()));
    }
    let all = [knees, exponents, plateaus, ends];
    assert!(all.iter().all(|held| *held >= 34), "{all:?} of 40 at 95 %");
}

#[test]
fn a_fall_is_told_with_its_windows() {
    let figures = measured(3, |area| 610.0 * (0.3_f64.min(area / 100.0) / (area / 100.0))).unwrap();
    let words = words(&figures, "limiter");
    assert!(words.starts_with("peak falls from 61") && words.contains("at full field: 30."), "{words}");
    comes_back(&figures);
}

#[test]
fn small_windows_that_the_meter_sees_beyond_are_told_and_bend_no_limiter() {
    let figures =
        measured(5, |area| 500.0 * (10.0 / area).min(1.0) * if area < 2.0 { 0.8 } else { 1.0 }).unwrap();
    assert!(
        words(&figures, "small_windows").starts_with("windows of 1 % and less are darker"),
        "{figures:?}"
    );
    let curve = figures.curve.unwrap();
    assert!(curve.exponent.holds(1.0) || (curve.exponent.value - 1.0).abs() < 0.02, "{curve:?}");
}

#[test]
fn one_size_is_no_curve_and_lost_light_is_left_out() {
    let mut one = settled(0, 100.0, 0.1, None);
    assert_eq!(WindowFigures::evaluate(&scene(), &[&one]), None);
    one.verdict = settled_protocol::settling::Verdict::Lost;
    let mut other = settled(1, 100.0, 0.1, None);
    other.patch.window_percent = 10.0;
    assert_eq!(WindowFigures::evaluate(&scene(), &[&one, &other]), None);
}
