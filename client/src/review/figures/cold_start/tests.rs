use super::*;
use crate::review::figures::played::{Noise, comes_back, course, scene, words};

const WHITE: [f64; 2] = [0.1978, 0.4683];

fn watched(seed: u64, light: impl Fn(f64) -> f64, drift: f64) -> ColdStart {
    let mut noise = Noise::new(seed);
    let course = course(0, 1800, |t| {
        let u = WHITE[0] + drift * (-t / 200.0).exp() + 0.0002 * noise.normal();
        (light(t) * (1.0 + 0.001 * noise.normal()), Some([u, WHITE[1] + 0.0002 * noise.normal()]))
    });
    ColdStart::evaluate(&scene(), &course).unwrap()
}

#[test]
fn the_time_until_it_stays_within_a_band_is_found_within_its_interval() {
    // 8 %·e^(−t/240) is 1 % at 240·ln 8 = 499.1 s, 0.5 % at 665.4 s.
    let (mut one, mut half, mut constants) = (0, 0, 0);
    for seed in 0..20 {
        let figures = watched(seed, |t| 200.0 * (1.0 - 0.08 * (-t / 240.0).exp()), 0.0);
        assert!(figures.reached, "{figures:?}");
        one += u32::from(figures.within_1_percent_s.unwrap().holds(240.0 * 8.0_f64.ln()));
        half += u32::from(figures.within_half_percent_s.unwrap().holds(240.0 * 16.0_f64.ln()));
        constants += u32::from(figures.constants.len() == 1 && figures.constants[0].constant_s.holds(240.0));
    }
    assert!([one, half, constants].iter().all(|held| *held >= 16), "{one} {half} {constants} of 20 at 95 %");
}

#[test]
fn an_end_that_is_not_reached_is_said_so_and_has_no_time() {
    for tau in [1500.0, 20_000.0] {
        let figures = watched(2, |t| 200.0 * (1.0 - 0.15 * (-t / tau).exp()), 0.0);
        assert!(!figures.reached && figures.within_1_percent_s.is_none(), "{figures:?}");
        assert!(words(&figures, "not_reached").starts_with("the end isn't reached"), "{figures:?}");
        comes_back(&figures);
    }
}

#[test]
fn a_display_that_stands_still_is_ready_from_the_first_reading_on() {
    let figures = watched(3, |_| 200.0, 0.0);
    assert!(figures.reached && figures.constants.is_empty());
    assert_eq!(figures.within_half_percent_s.map(|figure| figure.value), Some(figures.first_s));
    assert!(words(&figures, "white_drift").starts_with("its colour isn't seen to move"));
    assert!(words(&figures, "warm_up").contains("the light stays at"));
    comes_back(&figures);
}

#[test]
fn a_white_that_moves_is_told_by_how_much() {
    // The first twentieth of half an hour, 90 s, averages e^(−t/200) to 0.806; the last is under 0.0002.
    let expected = 0.003 * (200.0 / 90.0) * (1.0 - (-90.0_f64 / 200.0).exp());
    let held =
        (0..20).filter(|seed| watched(*seed, |_| 200.0, 0.003).white_drift.unwrap().holds(expected)).count();
    assert!(held >= 16, "{held} of 20 at 95 %");
    assert!(
        words(&watched(1, |_| 200.0, 0.003), "white_drift").starts_with("its colour moves by Δu′v′ 0.002")
    );
}
