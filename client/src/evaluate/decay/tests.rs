use super::*;
use crate::evaluate::draws::{Calibration, Draws};
use crate::evaluate::measured::Measured;

/// NIST/ITL StRD, nonlinear regression, MGH17: b₁ + b₂ e^(−b₄x) + b₃ e^(−b₅x), 33 points; certified to eleven digits.
fn mgh17() -> (Vec<Sample>, Vec<f64>, serde_json::Value) {
    let text = include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/reference/nist/MGH17.json"));
    let set: serde_json::Value = serde_json::from_str(text).unwrap();
    let numbers = |name: &str| -> Vec<f64> {
        set[name].as_array().unwrap().iter().map(|number| number.as_f64().unwrap()).collect()
    };
    let points = numbers("x").into_iter().zip(numbers("y"));
    let samples = points.map(|(t_s, value)| Sample { t_s, value, count: 1.0 }).collect();
    (samples, numbers("certified"), set)
}

fn near(found: f64, expected: f64, relative: f64) {
    assert!((found / expected - 1.0).abs() <= relative, "{found} is not {expected} to {relative}");
}

/// Numbers like those of white noise with a standard deviation of 1.
struct Noise(fastrand::Rng);

impl Noise {
    fn next(&mut self) -> f64 {
        (0..12).map(|_| self.0.f64()).sum::<f64>() - 6.0
    }
}

fn series(count: u16, light: impl Fn(f64) -> f64, noise: impl FnMut() -> f64) -> Vec<Sample> {
    let mut noise = noise;
    (0..count)
        .map(|row| {
            let t_s = 0.5 + f64::from(row);
            Sample { t_s, value: light(t_s) + noise(), count: 1.0 }
        })
        .collect()
}

#[test]
fn nists_certified_sum_of_two_exponentials_is_found_without_a_start() {
    let (samples, certified, set) = mgh17();
    let curve = Curve::fit(&samples, 2).unwrap();
    // The quicker term (b₅) comes first. The tolerance is what NIST's file asks of a good program.
    near(curve.limit, certified[0], 1e-6);
    near(curve.terms[1].amplitude, certified[1], 1e-6);
    near(curve.terms[0].amplitude, certified[2], 1e-6);
    near(1.0 / curve.terms[1].constant_s, certified[3], 1e-6);
    near(1.0 / curve.terms[0].constant_s, certified[4], 1e-6);
    near(curve.squares(&samples), set["residual_sum_of_squares"].as_f64().unwrap(), 1e-8);
    assert_eq!(choose(&samples).unwrap().curve.terms.len(), 2, "the criterion takes what NIST fitted");
}

#[test]
fn draws_about_nists_points_spread_as_its_certified_standard_deviations_say() {
    let (samples, certified, set) = mgh17();
    let curve = Curve::fit(&samples, 2).unwrap();
    let scatter = set["residual_sd"].as_f64().unwrap();
    let light = |sample: &Sample| Measured { luminance_u: scatter, ..Measured::exactly(sample.value, None) };
    let lights: Vec<Measured> = samples.iter().map(light).collect();
    let (mut rates, mut limits) = (Vec::new(), Vec::new());
    Draws::new(Calibration::default()).each(&lights, |drawn| {
        let sample = |(sample, light): (&Sample, &Measured)| Sample { value: light.luminance, ..*sample };
        let drawn: Vec<Sample> = samples.iter().zip(drawn).map(sample).collect();
        let drawn = curve.refit(&drawn).unwrap();
        rates.push(1.0 / drawn.terms[1].constant_s);
        limits.push(drawn.limit);
    });
    let sd = |values: &[f64]| {
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        (values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / values.len() as f64).sqrt()
    };
    let certified_sd: Vec<f64> =
        set["certified_sd"].as_array().unwrap().iter().map(|number| number.as_f64().unwrap()).collect();
    // NIST's are of the tangent at the best fit; a thousand draws are good to 2 %.
    near(sd(&rates), certified_sd[3], 0.15);
    near(sd(&limits), certified_sd[0], 0.15);
    near(limits.iter().sum::<f64>() / limits.len() as f64, certified[0], 0.01);
}

#[test]
fn light_that_stands_still_is_not_taken_for_an_approach() {
    let wrong = (0..200).filter(|seed| {
        let mut noise = Noise(fastrand::Rng::with_seed(*seed));
        let readings = series(240, |_| 500.0, || noise.next());
        !choose(&readings).unwrap().curve.terms.is_empty()
    });
    let wrong = wrong.count();
    assert!(wrong <= 6, "{wrong} of 200");
}

#[test]
fn light_that_wanders_for_some_readings_is_not_taken_for_an_approach() {
    let wrong = (0..200).filter(|seed| {
        let mut noise = Noise(fastrand::Rng::with_seed(*seed));
        let mut wander = 0.0;
        let readings = series(
            300,
            |_| 500.0,
            || {
                wander = 0.6 * wander + 0.8 * noise.next();
                wander
            },
        );
        !choose(&readings).unwrap().curve.terms.is_empty()
    });
    let wrong = wrong.count();
    assert!(wrong <= 10, "{wrong} of 200");
}

#[test]
fn one_and_two_terms_are_told_apart_and_found_as_they_were_put_in() {
    let mut counts = [0_u32; 3];
    for seed in 0..40 {
        let mut noise = Noise(fastrand::Rng::with_seed(seed));
        let one = series(300, |t| 500.0 + 15.0 * (-t / 40.0).exp(), || 0.5 * noise.next());
        let two =
            series(300, |t| 500.0 + 10.0 * (-t / 5.0).exp() + 8.0 * (-t / 70.0).exp(), || 0.3 * noise.next());
        let (one, two) = (choose(&one).unwrap().curve, choose(&two).unwrap().curve);
        counts[0] += u32::from(one.terms.len() == 1 && (one.terms[0].constant_s / 40.0 - 1.0).abs() < 0.15);
        counts[1] += u32::from(two.terms.len() == 2 && (two.terms[0].constant_s / 5.0 - 1.0).abs() < 0.3);
        counts[2] += u32::from(two.terms.len() == 2 && (two.terms[1].constant_s / 70.0 - 1.0).abs() < 0.3);
    }
    assert!(counts.into_iter().all(|count| count >= 38), "{counts:?} of 40");
}

#[test]
fn the_uncertainty_of_a_mean_of_wandering_light_is_that_of_the_means_themselves() {
    // First-order autoregression: the variance of a long mean is (1 + ρ)/(1 − ρ) times that of independent readings (Bayley & Hammersley 1946).
    let (mut squares, mut stated) = (0.0, 0.0);
    for seed in 0..200 {
        let mut noise = Noise(fastrand::Rng::with_seed(seed));
        let mut wander = 0.0;
        let readings = series(
            400,
            |_| 100.0,
            || {
                wander = 0.5 * wander + 0.75_f64.sqrt() * noise.next();
                wander
            },
        );
        let chosen = choose(&readings).unwrap();
        squares += (Curve::fit(&readings, 0).unwrap().limit - 100.0).powi(2) / 200.0;
        stated += chosen.uncertainty(400.0).powi(2) / 200.0;
    }
    near((stated / squares).sqrt(), 1.0, 0.2);
}

#[test]
fn the_time_from_which_on_it_stays_within_a_band_is_that_of_the_formula() {
    // 10·e^(−t/50) is 1 at t = 50·ln 10.
    let curve =
        Curve { origin_s: 0.0, limit: 200.0, terms: vec![Term { amplitude: 10.0, constant_s: 50.0 }] };
    near(curve.stays_within(1.0, 200.0, 0.0, 600.0).unwrap(), 50.0 * 10.0_f64.ln(), 1e-9);
    assert_eq!(curve.stays_within(1.0, 200.0, 0.0, 100.0), None);
    assert_eq!(curve.stays_within(20.0, 200.0, 3.0, 600.0), Some(3.0));
    near(curve.rate(50.0), -0.2 * (-1.0_f64).exp(), 1e-12);
    near(curve.peak(5.0, 600.0), curve.at(5.0), 1e-12);
}

#[test]
fn blocks_keep_every_reading_once_and_the_beginning_as_it_was() {
    let readings = series(600, |t| t, || 0.0);
    let blocks = blocks(&readings);
    near(blocks.iter().map(|block| block.count).sum(), 600.0, 1e-12);
    near(
        blocks.iter().map(|block| block.count * block.value).sum(),
        readings.iter().map(|one| one.value).sum(),
        1e-12,
    );
    assert_eq!(blocks[..15], readings[..15]);
    assert!(blocks.len() < 100, "{}", blocks.len());
}

#[test]
fn what_cannot_be_fitted_is_nothing() {
    assert_eq!(choose(&[]), None);
    let same = [Sample { t_s: 1.0, value: 2.0, count: 1.0 }; 20];
    assert_eq!(Curve::fit(&same, 1), None);
    assert_eq!(choose(&same).map(|chosen| chosen.curve.terms.len()), Some(0));
}
