//! Displays that are right but for what was put in, and what a review should say of them.

use std::collections::BTreeMap;
use std::path::Path;

use settle::review::figures::Standing;
use settle::review::plan::Plan;

/// A display that does what it is meant to: BT.1886 at 120 cd/m², 2000 : 1, BT.709 and D65, warm, even and steady.
const RIGHT: &[(&str, &str)] = &[
    ("display", "\"self-emitting\""),
    ("eotf", "\"bt1886\""),
    ("primaries", "\"bt709\""),
    ("peak_cd_m2", "120.0"),
    ("black_cd_m2", "0.06"),
    ("limiter_exponent", "0.0"),
    ("cold", "[0.0, 0.0]"),
    ("cold_white", "[0.0, 0.0]"),
    ("creep", "[0.0, 0.0]"),
    ("sag", "0.0"),
    ("retention", "0.0"),
];

/// All that is to be said of an SDR mode, with few steps.
const SDR: &str = r#"
title = "SDR"
[[set]]
name = "SDR"
bits = 10
range = "full"
transfer = "bt1886"
primaries = "bt709"
window_percent = 10
[[set.sequence]]
kind = "grey"
steps = 21
[[set.sequence]]
kind = "near_black"
up_to = 0.1
steps = 10
[[set.sequence]]
kind = "primaries"
[[set.sequence]]
kind = "saturation"
steps = 4
[[set.sequence]]
kind = "chart"
[[set.sequence]]
kind = "window"
areas_percent = [1, 2, 5, 10, 18, 25, 50, 75, 100]
[[set.sequence]]
kind = "uniformity"
columns = 3
rows = 3
signal = 0.75
[[set.sequence]]
kind = "peak_hold"
hold = "120s"
[[set.sequence]]
kind = "cold_start"
watch = "60min"
signal = 0.8
[[set.sequence]]
kind = "retention"
hold = "10min"
watch = "10min"
signal = 0.3
[[set.sequence]]
kind = "ambient"
"#;

/// A display, and what is true of it.
#[derive(Debug)]
pub(crate) struct Case {
    pub(crate) name: &'static str,
    /// Settings that differ from [`RIGHT`].
    pub(crate) fault: &'static [(&'static str, &'static str)],
    /// What a review should find.
    pub(crate) truths: &'static [Truth],
    /// Sequences and subjects (or *) that the fault may push beyond a tolerance, by as much as the numbers make it: neither asked for nor false.
    pub(crate) follows: &'static [(&'static str, &'static str)],
}

/// What a review should say of one figure.
#[derive(Debug)]
pub(crate) struct Truth {
    pub(crate) sequence: &'static str,
    pub(crate) subject: &'static str,
    pub(crate) standing: Standing,
    /// The figure's true value, where it follows from what was put in.
    pub(crate) value: Option<f64>,
}

impl Case {
    /// The display's settings in TOML.
    pub(crate) fn display(&self) -> String {
        let keys: BTreeMap<&str, &str> = RIGHT.iter().chain(self.fault).copied().collect();
        keys.iter().map(|(key, value)| format!("{key} = {value}\n")).collect()
    }

    /// What is measured of it.
    pub(crate) fn plan(&self) -> Plan {
        Plan::read(Path::new("sdr.toml"), SDR).unwrap_or_else(|problems| panic!("{problems}"))
    }
}

/// Every case.
pub(crate) fn all() -> &'static [Case] {
    &CASES
}

const CASES: [Case; 1] = [Case { name: "nothing", fault: &[], truths: &[], follows: &[] }];
