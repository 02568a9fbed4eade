//! Readings that are alike from one to the next: how many count, and how sure their mean is.

use super::{assert_close, number, numbers, reference};
use crate::settle::line::Line;
use crate::settle::sums::Moments;
use crate::settle::track::Track;

/// A level line of `count` readings whose residuals have, after the correction for bias, an autocorrelation of `rho`.
fn level(count: f64, rho: f64) -> Line {
    let lag = (rho - 2.0 / count) / (1.0 + 4.0 / count);
    let xx = count * (count * count - 1.0) / 12.0;
    let moments =
        Moments { count, x: 0.0, y: 0.0, xx, xy: 0.0, yy: 1.0, pairs_xx: xx, pairs_yy: lag, pairs_xy: 0.0 };
    Line::of(&moments, &moments, 0.0, 0.0)
}

/// Exactly, n_eff = n / (k − 2ρ(1−ρⁿ)/(n(1−ρ)²)), the sum of (1 − i/n) ρⁱ (Bayley & Hammersley 1946). We take n/k: the same but
/// for the term in 1/n, which is therefore all that may differ, and on the safe side.
#[test]
fn independent_readings_among_ar1_noise_are_the_exact_number_but_for_the_ends() {
    let table = reference!("type_a_autocorrelated.json")["ar1_exact"].take();
    let rows = table.as_array().unwrap();
    assert_eq!(rows.len(), 6);
    for row in rows {
        let [n, rho, exact] = ["n", "rho", "n_eff"].map(|member| number(row, member));
        let line = level(n, rho);
        if rho < 0.0 {
            // Nobody relies on noise that alternates: it counts as white.
            assert_eq!(line.effective, n);
            continue;
        }
        let ends = 2.0 * rho * (1.0 - rho.powf(n)) / (n * (1.0 - rho * rho));
        assert_close("n_eff", line.effective, exact * (1.0 - ends), 1e-8);
        assert!(line.effective <= exact);
        assert_close("u of the mean", line.mean_error, line.scatter / line.effective.sqrt(), 1e-12);
    }
}

/// The line through a case's readings, one a second, and the case.
fn case(name: &str, values: Option<Vec<f64>>) -> (Line, serde_json::Value) {
    let mut file = reference!("type_a_autocorrelated.json");
    let cases = file["cases"].as_array_mut().unwrap();
    let case = cases.iter_mut().find(|case| case["name"] == name).unwrap().take();
    let mut track = Track::<1>::new(1e6);
    for (second, value) in (0_u32..).zip(values.unwrap_or_else(|| numbers(&case, "y"))) {
        track.push(f64::from(second), [value]);
    }
    let [line] = track.since(f64::MIN).lines().unwrap();
    (line, case)
}

/// Michelson's speed of light: its autocorrelation falls from 0.54 to 0.15 at lag 2, faster than an AR(1)'s 0.29, so that
/// counting by lag 1 alone is careful: AR(1) with the certified r₁ has n_eff = 100 (1−r₁)/(1+r₁) = 30.3, the sum of the lags that
/// statsmodels gives 42.6. So u may be up to √(42.6/30.3) = 1.19 times the published one, and n_eff from 30.3 to 42.6.
#[test]
fn the_mean_of_michelsons_readings_is_as_sure_as_published_or_a_little_less() {
    let (line, case) = case("Michelso", Some(numbers(&reference!("nist/Michelso.json"), "y")));
    let published = number(&case, "u_mean_unbiased");
    assert!((1.0..1.19).contains(&(line.mean_error / published)), "{}", line.mean_error);
    assert!((30.3..42.6).contains(&line.effective), "{}", line.effective);
    // By Newey & West with ten lags, which assumes no model.
    let free = number(&case["newey_west_u_mean_by_maxlag"], "10");
    assert_close("Newey & West", line.mean_error, free, 0.05);
}

/// Numbers drawn without memory: all of them count, and u is s/√n but for the line that is taken away.
#[test]
fn the_mean_of_a_lottery_is_as_sure_as_all_its_numbers_make_it() {
    let (line, case) = case("Lottery", Some(numbers(&reference!("nist/Lottery.json"), "y")));
    assert_eq!(line.effective, number(&case, "n_eff"));
    assert_close("u of the mean", line.mean_error, number(&case, "u_mean_unbiased"), 0.002);
}

/// Two series that are AR(1): with the model true, what it gives and what the sum of lags gives are two estimates of one thing. At
/// these lengths n_eff is known to 2/√(n(1−ρ²)), which is 20 % and 27 %, and u to half of that.
#[test]
fn the_means_of_ar1_series_are_as_sure_as_the_sum_of_their_lags_says() {
    for (name, tolerance) in [("ar1_200_rho0.7", 0.10), ("ar1_60_lowlight", 0.14)] {
        let (line, case) = case(name, None);
        assert_close(name, line.mean_error, number(&case, "u_mean_unbiased"), tolerance);
        assert_close(name, line.effective, number(&case, "n_eff"), 2.0 * tolerance);
    }
}
