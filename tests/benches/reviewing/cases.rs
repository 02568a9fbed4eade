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

/// An HDR mode by ST 2084.
const PQ: &str = r#"
title = "HDR, PQ"
[[set]]
name = "HDR PQ"
bits = 10
range = "full"
transfer = "pq"
primaries = "bt2020"
window_percent = 10
[[set.sequence]]
kind = "grey"
steps = 65
[[set.sequence]]
kind = "near_black"
up_to = 0.1
steps = 20
[[set.sequence]]
kind = "primaries"
"#;

/// What makes the right display one of ST 2084 with a peak of 1000 cd/m².
const OF_PQ: [(&str, &str); 4] =
    [("eotf", "\"pq\""), ("primaries", "\"bt2020\""), ("peak_cd_m2", "1000.0"), ("black_cd_m2", "0.005")];

/// A display, and what is true of it.
#[derive(Debug)]
pub(crate) struct Case {
    pub(crate) name: &'static str,
    plan: &'static str,
    /// Settings that differ from [`RIGHT`].
    fault: &'static [(&'static str, &'static str)],
    /// What a review should say.
    pub(crate) truths: &'static [Truth],
    /// Sequences and subjects (or *) that the fault may push beyond a tolerance, by as much as the numbers make it: neither asked for nor false.
    pub(crate) follows: &'static [(&'static str, &'static str)],
}

/// What a review should say of one figure.
#[derive(Debug)]
pub(crate) struct Truth {
    pub(crate) sequence: &'static str,
    pub(crate) subject: &'static str,
    pub(crate) said: Said,
    /// The figure's true value, where it follows from what was put in.
    pub(crate) value: Option<f64>,
}

/// What is to be said of a figure.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Said {
    /// It stands so.
    Stands(Standing),
    /// It isn't judged, and its interval doesn't hold what it would be without the fault.
    Off(f64),
    /// It isn't judged: it is there.
    There,
}

impl Case {
    /// The display's settings in TOML.
    pub(crate) fn display(&self) -> String {
        let keys: BTreeMap<&str, &str> = RIGHT.iter().chain(self.fault).copied().collect();
        keys.iter().map(|(key, value)| format!("{key} = {value}\n")).collect()
    }

    /// What is measured of it: all, or white and black and what the case is about.
    pub(crate) fn plan(&self, is_brief: bool) -> Plan {
        let mut plan =
            Plan::read(Path::new("case.toml"), self.plan).unwrap_or_else(|problems| panic!("{problems}"));
        let is_about =
            |name: &str| name == "white_black" || self.truths.iter().any(|truth| truth.sequence == name);
        if is_brief {
            for set in &mut plan.sets {
                set.sequences.retain(|sequence| is_about(&sequence.name));
            }
        }
        plan
    }
}

/// Every case.
pub(crate) fn all() -> &'static [Case] {
    &CASES
}

const BEYOND: Said = Said::Stands(Standing::Beyond);

const fn truth(sequence: &'static str, subject: &'static str, said: Said, value: Option<f64>) -> Truth {
    Truth { sequence, subject, said, value }
}

const CASES: [Case; 12] = [
    Case {
        name: "nothing",
        plan: SDR,
        fault: &[],
        truths: &[
            truth("white_black", "peak", Said::There, Some(120.0)),
            truth("white_black", "contrast", Said::There, Some(2000.0)),
            truth("window", "limiter", Said::There, Some(1.0)),
            truth("peak_hold", "creep", Said::There, Some(0.0)),
            truth("cold_start", "warm_up", Said::There, Some(0.0)),
            truth("retention", "ghost", Said::There, Some(0.0)),
        ],
        follows: &[],
    },
    Case {
        name: "white off D65 by Δu′v′ 0.0072",
        plan: SDR,
        fault: &[("white_error", "[0.006, -0.004]")],
        // √(0.006² + 0.004²)
        truths: &[
            truth("white_black", "white_colour", BEYOND, Some(0.007_211)),
            truth("grey", "grey_balance", BEYOND, None),
        ],
        follows: &[("grey", "*"), ("saturation", "*"), ("chart", "*"), ("primaries", "*")],
    },
    Case {
        name: "a power law of 2.2 in place of BT.1886",
        plan: SDR,
        fault: &[("eotf", "\"power\""), ("gamma", "2.2")],
        truths: &[truth("grey", "gamma", BEYOND, Some(2.2))],
        follows: &[("grey", "*"), ("near_black", "*"), ("saturation", "*"), ("chart", "*")],
    },
    Case {
        name: "blacks crushed: local gamma + 0.5 below 10 %",
        plan: SDR,
        fault: &[("near_black_gamma", "0.5")],
        truths: &[truth("near_black", "near_black", BEYOND, None)],
        follows: &[("grey", "tracking_dark"), ("chart", "*"), ("grey", "grey_difference")],
    },
    Case {
        name: "15 % of each channel's light out of the others",
        plan: SDR,
        fault: &[("crosstalk", "0.15")],
        truths: &[
            truth("primaries", "gamut_red", BEYOND, None),
            truth("primaries", "gamut_green", BEYOND, None),
            truth("primaries", "gamut_covers_bt709", Said::Off(100.0), None),
        ],
        follows: &[("primaries", "*"), ("saturation", "*"), ("chart", "*")],
    },
    Case {
        name: "constant power beyond 25 % of the area",
        plan: SDR,
        fault: &[("limiter_knee_percent", "25.0"), ("limiter_exponent", "1.0"), ("black_cd_m2", "0.0")],
        truths: &[
            truth("window", "limiter", Said::Off(1.0), Some(0.25)),
            truth("window", "exponent", Said::There, Some(1.0)),
        ],
        follows: &[],
    },
    Case {
        name: "corners 30 % darker",
        plan: SDR,
        fault: &[("falloff", "0.3")],
        // At a sixth of width and height: 0.3·((2/3)² + (2/3)²)/2.
        truths: &[truth("uniformity", "luminance", BEYOND, Some(0.133_333))],
        follows: &[("uniformity", "*")],
    },
    Case {
        name: "a ghost of 3 % after a long hold",
        plan: SDR,
        fault: &[("retention", "0.03"), ("retention_s", "[300.0, 200.0]")],
        truths: &[truth("retention", "ghost", Said::Off(0.0), None)],
        follows: &[],
    },
    Case {
        name: "a warming patch: − 3 % with 10 s",
        plan: SDR,
        fault: &[("creep", "[-0.03, 0.0]"), ("creep_s", "[10.0, 75.0]")],
        truths: &[truth("peak_hold", "creep", Said::Off(0.0), None)],
        follows: &[],
    },
    Case {
        name: "15 % dim when cold",
        plan: SDR,
        fault: &[("cold", "[-0.1, -0.05]"), ("cold_s", "[60.0, 600.0]")],
        truths: &[
            truth("cold_start", "warm_up", Said::Off(0.0), None),
            // 0.05·e^(−t/600) = 0.01
            truth("cold_start", "within_1_percent", Said::There, Some(965.66)),
        ],
        follows: &[],
    },
    Case {
        name: "0.03 cd/m² of the room's light",
        plan: SDR,
        fault: &[("glare_cd_m2", "0.03")],
        // 0.03 of 0.06 + 0.03.
        truths: &[truth("ambient", "reflected", BEYOND, Some(0.333_333))],
        follows: &[],
    },
    Case { name: "nothing, ST 2084", plan: PQ, fault: &OF_PQ, truths: &[], follows: &[] },
];
