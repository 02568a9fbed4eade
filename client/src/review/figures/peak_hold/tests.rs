use super::*;
use crate::review::figures::played::{Noise, comes_back, course, scene, words};

fn held(seed: u64, light: impl Fn(f64) -> f64) -> PeakHold {
    let mut noise = Noise::new(seed);
    let course = course(0, 300, |t| (light(t) * (1.0 + 0.001 * noise.normal()), None));
    PeakHold::evaluate(&scene(), &course).unwrap()
}

#[test]
fn a_peak_that_holds_is_not_said_to_creep() {
    let (mut alarms, mut held_zero) = (0, 0);
    for seed in 0..25 {
        let figures = held(seed, |_| 800.0);
        alarms += u32::from(!figures.constants.is_empty());
        held_zero += u32::from(figures.creep.holds(0.0));
    }
    assert!(alarms <= 1 && held_zero >= 21, "{alarms} of 25, {held_zero} of 25 at 95 %");
    let figures = held(1, |_| 800.0);
    assert!(words(&figures, "creep").contains("no creep is seen"), "{}", words(&figures, "creep"));
    comes_back(&figures);
}

#[test]
fn what_creeps_is_found_within_the_intervals_that_are_stated() {
    let light = |t: f64| 780.0 + 16.0 * (-t / 8.0).exp() + 20.0 * (-t / 75.0).exp();
    let truth = [light(0.5), light(30.0), light(299.5), light(299.5) / light(0.5) - 1.0, 8.0, 75.0];
    let mut within = [0; 6];
    for seed in 0..25 {
        let figures = held(seed, light);
        let constants: Vec<Figure> = figures.constants.iter().map(|constant| constant.constant_s).collect();
        let two = (constants.len() == 2).then(|| [constants[0], constants[1]]);
        let [quick, slow] = two.unwrap_or([Figure::exactly(0.0); 2]);
        let found = [figures.first, figures.at_30_s.unwrap(), figures.end, figures.creep, quick, slow];
        for ((count, figure), truth) in within.iter_mut().zip(found).zip(truth) {
            *count += u32::from(figure.holds(truth));
        }
    }
    assert!(within.iter().all(|count| *count >= 21), "{within:?} of 25 at 95 %");
}

#[test]
fn a_peak_that_rises_then_sags_is_told_by_its_peak() {
    let light = |t: f64| 500.0 - 30.0 * (-t / 6.0).exp() + 40.0 * (-t / 120.0).exp();
    let figures = held(4, light);
    assert!(figures.peak.value > figures.first.value && figures.sag.high < 0.0, "{figures:?}");
    let highest = (0..3000).map(|tenth| light(f64::from(tenth) / 10.0)).fold(0.0, f64::max);
    assert!((figures.peak.value / highest - 1.0).abs() < 0.002, "{figures:?}");
    comes_back(&figures);
}

#[test]
fn times_beyond_the_watch_have_no_figure_and_two_readings_no_trend() {
    let short = course(0, 20, |_| (100.0, None));
    let figures = PeakHold::evaluate(&scene(), &short).unwrap();
    assert_eq!((figures.at_30_s, figures.at_60_s), (None, None));
    assert_eq!(PeakHold::evaluate(&scene(), &course(0, 2, |_| (100.0, None))), None);
}
