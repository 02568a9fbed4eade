//! The engine's arithmetic against published values: `tests/reference/`, each file with its source.
//!
//! Certified data sets are from the Statistical Reference Datasets (StRD) of NIST/ITL. Sets whose models the engine doesn't have
//! (rational functions, powers, peaks) are left out.

mod correlated;
mod exponential;
mod line;
mod quantile;
mod univariate;

use serde_json::Value;

/// A file of `tests/reference/`.
macro_rules! reference {
    ($name:literal) => {
        super::parse(include_str!(concat!("../../../../tests/reference/", $name)))
    };
}
use reference;

fn parse(text: &str) -> Value {
    serde_json::from_str(text).unwrap()
}

fn number(set: &Value, member: &str) -> f64 {
    set[member].as_f64().unwrap_or_else(|| panic!("no {member}"))
}

fn numbers(set: &Value, member: &str) -> Vec<f64> {
    let list = set[member].as_array().unwrap_or_else(|| panic!("no {member}"));
    list.iter().map(|number| number.as_f64().unwrap()).collect()
}

/// Fails unless `found` is `expected` within a relative tolerance.
#[track_caller]
fn assert_close(what: &str, found: f64, expected: f64, relative: f64) {
    let off = (found / expected - 1.0).abs();
    assert!(off <= relative, "{what}: {found} is not {expected}, off by {off:e}");
}
