use serde_json::json;

use super::*;

/// Invented: a night of a simulated bench.
pub(crate) fn night() -> Statistics {
    let series = |mean: f64, sd: f64| {
        json!({
            "count": 720, "mean": mean, "sd": sd, "min": mean - 3.0 * sd, "max": mean + 3.0 * sd, "uncertainty": sd / 20.0,
            "drift": {"per_h": -0.0213, "low_per_h": -0.0257, "high_per_h": -0.0169, "caution": "it wanders as much as it drifts, so that the interval is too narrow for what is to come"},
            "day": {"amplitude": 0.31, "low": 0.25, "high": 0.37, "crest_h": 14.333},
            "allan": [
                {"tau_s": 60, "deviation": 0.012_34, "low": 0.012, "high": 0.0127, "count": 700, "noise": "white"},
                {"tau_s": 3600, "deviation": 0.0051, "low": 0.0032, "high": 0.011, "count": 100, "noise": "random_walk"},
            ],
        })
    };
    serde_json::from_value(json!({
        "meter": "bench", "quantity": "luminance", "count": 720, "thinned": 60, "first": 1, "last": 720,
        "since": "2026-11-26T18:00:00Z", "until": "2026-11-27T06:00:00Z", "span_s": 43_200, "gaps": 1, "gap_s": 3600, "bin_s": 60,
        "value": series(200.123_456, 0.21), "u_prime": series(0.1978, 0.0002), "temperature_c": {"count": 720, "mean": 31.5, "min": 31, "max": 32},
        "with_temperature": {"correlation": -0.834, "low": -0.9, "high": -0.7, "per_k": -0.1234},
        "flags": ["simulated"], "corrections": ["c1", "c2"],
        "message": "It drifts down by 0.26 cd/m² a night, which is far more than its noise, and there is one gap of an hour that nothing is known of.",
    }))
    .unwrap()
}

fn plain(lines: &[String]) -> String {
    let text = lines.join("\n");
    let mut plain = String::new();
    let mut rest = text.as_str();
    while let Some((before, after)) = rest.split_once('\u{1b}') {
        plain.push_str(before);
        rest = after.split_once('m').map_or("", |(_, after)| after);
    }
    plain + rest
}

#[test]
fn all_that_is_known_of_a_night_fits_eighty_columns() {
    let text = plain(&statistics(&night(), "run 7"));
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
    for words in [
        "run 7, bench  SIMULATED",
        "720 readings from 2026-11-26T18:00:00.0Z to 2026-11-27T06:00:00.0Z, 12.0 h",
        "60 of them thinned",
        "1 gap without readings, 60 min in all",
        "of more than one scale: c1, c2",
        "200.123 ± 0.010",
        "drift, 95 %      -0.0106 ± 0.0022 % an hour, or -0.0213 ± 0.0044 cd/m²",
        "  a night, 12 h  -0.128 ± 0.026 %, or -0.256 ± 0.053 cd/m²",
        "drift, 95 %      -0.0213 ± 0.0044 an hour",
        "it wanders as much as it drifts",
        "crest at 14:20 UTC",
        "correlation -0.83, 95 %: -0.90 to -0.70",
        "0.0123  0.0120 to 0.0127            white",
        "random walk",
        "It drifts down by 0.26 cd/m² a night",
    ] {
        assert!(text.contains(words), "{words}\n{text}");
    }
}

#[test]
fn what_is_not_known_is_left_out() {
    let mut lone = night();
    lone.value = serde_json::from_value(json!({"count": 1, "mean": 5, "min": 5, "max": 5})).unwrap();
    (lone.u_prime, lone.temperature_c, lone.with_temperature) = (None, None, None);
    let text = plain(&statistics(&lone, "bench"));
    for words in ["drift, 95 %", "sd", "day cycle", "Allan deviation of", "kelvin", "u′"] {
        assert!(!text.contains(words), "{words}\n{text}");
    }
    assert!(text.contains("  mean             5.0000") && text.starts_with("bench  SIMULATED"), "{text}");
}

#[test]
fn one_night_against_another_says_what_differs() {
    let difference =
        |value: f64| Difference { value, low: value - 0.1, high: value + 0.1, differs: value.abs() > 0.1 };
    let found = Comparison {
        one: night(),
        other: night(),
        mean: Some(difference(-0.5)),
        u_prime: None,
        v_prime: None,
        drift_per_h: Some(difference(0.05)),
        message: "The second night is darker.".to_owned(),
    };
    let text = plain(&comparison(&found, ("run 3", "run 7")));
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
    assert!(text.contains("mean             -0.50 cd/m²   95 %: -0.60 to -0.40   differs"), "{text}");
    assert!(text.contains("drift an hour    +0.05 cd/m²   95 %: -0.05 to +0.15   may be none"), "{text}");
    assert!(text.find("run 3").unwrap() < text.find("run 7").unwrap() && !text.contains("u′   "), "{text}");
}
