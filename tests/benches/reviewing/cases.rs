//! Displays that are right but for what was put in, and what a review should say of them.

use super::case::{BEYOND, Case, Said, WITHIN, truth};
use super::plans::{HLG, PQ, SDR};

/// What makes the right display one of ST 2084 with a peak of 1000 cd/m².
const OF_PQ: &[(&str, &str)] =
    &[("eotf", "\"pq\""), ("primaries", "\"bt2020\""), ("peak_cd_m2", "1000.0"), ("black_cd_m2", "0.005")];
/// The same of HLG.
const OF_HLG: &[(&str, &str)] =
    &[("eotf", "\"hlg\""), ("primaries", "\"bt2020\""), ("peak_cd_m2", "1000.0"), ("black_cd_m2", "0.005")];

/// Every case.
pub(crate) fn all() -> &'static [Case] {
    &CASES
}

const CASES: [Case; 22] = [
    Case {
        name: "nothing",
        plan: SDR,
        mode: &[],
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
        mode: &[],
        fault: &[("white_error", "[0.006, -0.004]")],
        // √(0.006² + 0.004²)
        truths: &[
            truth("white_black", "white_colour", BEYOND, Some(0.007_211)),
            truth("grey", "grey_balance", BEYOND, None),
        ],
        follows: &[
            ("grey", "*"),
            // The brightest of its greys are judged as those of the whole ramp are.
            ("near_black", "grey_balance"),
            ("saturation", "*"),
            ("chart", "*"),
            ("primaries", "*"),
        ],
    },
    Case {
        name: "a power law of 2 in place of BT.1886",
        plan: SDR,
        mode: &[],
        fault: &[("eotf", "\"power\""), ("gamma", "2.0")],
        truths: &[truth("grey", "gamma", BEYOND, Some(2.0))],
        follows: &[("grey", "*"), ("near_black", "*"), ("saturation", "*"), ("chart", "*")],
    },
    Case {
        name: "blacks crushed: local gamma + 0.5 below 10 %",
        plan: SDR,
        mode: &[],
        fault: &[("near_black_gamma", "0.5")],
        truths: &[truth("near_black", "near_black", BEYOND, None)],
        follows: &[("grey", "tracking_dark"), ("chart", "*"), ("grey", "grey_difference")],
    },
    Case {
        name: "black tinted by Δu′v′ 0.03, less and less up to 10 %",
        plan: SDR,
        mode: &[],
        fault: &[("near_black_tint", "[-0.018, 0.024]")],
        // 5 % is code 51 of 1023: 0.03·(1 − 51/102.3).
        truths: &[truth("grey", "grey_near_black", BEYOND, Some(0.015_044))],
        follows: &[("near_black", "grey_near_black")],
    },
    Case {
        name: "15 % of each channel's light out of the others",
        plan: SDR,
        mode: &[],
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
        mode: &[],
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
        mode: &[],
        fault: &[("falloff", "0.3")],
        // At a sixth of width and height: 0.3·((2/3)² + (2/3)²)/2.
        truths: &[truth("uniformity", "luminance", BEYOND, Some(0.133_333))],
        follows: &[("uniformity", "*")],
    },
    Case {
        name: "from left to right u′ + 0.02",
        plan: SDR,
        mode: &[],
        fault: &[("tint", "[0.02, 0.0]")],
        // At a sixth of the width: 0.02·(1/2 − 1/6), less than the standard's 0.01.
        truths: &[truth("uniformity", "colour", Said::Off(0.0), Some(0.006_667))],
        follows: &[],
    },
    Case {
        name: "a ghost of 3 % after a long hold",
        plan: SDR,
        mode: &[],
        fault: &[("retention", "0.03"), ("retention_s", "[300.0, 200.0]")],
        truths: &[truth("retention", "ghost", Said::Off(0.0), None)],
        follows: &[],
    },
    Case {
        name: "a warming patch: − 3 % with 10 s",
        plan: SDR,
        mode: &[],
        fault: &[("creep", "[-0.03, 0.0]"), ("creep_s", "[10.0, 75.0]")],
        truths: &[truth("peak_hold", "creep", Said::Off(0.0), None)],
        follows: &[],
    },
    Case {
        name: "15 % dim when cold",
        plan: SDR,
        mode: &[],
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
        mode: &[],
        fault: &[("glare_cd_m2", "0.03")],
        // 0.03 of 0.06 + 0.03. The aim knows black as it is seen, and the display's own curve is lifted by less.
        truths: &[truth("ambient", "reflected", BEYOND, Some(0.333_333))],
        follows: &[("grey", "tracking_dark"), ("near_black", "near_black")],
    },
    Case {
        name: "white off, a power law of 2, and dark corners",
        plan: SDR,
        mode: &[],
        fault: &[
            ("white_error", "[0.006, -0.004]"),
            ("eotf", "\"power\""),
            ("gamma", "2.0"),
            ("falloff", "0.3"),
        ],
        truths: &[
            truth("white_black", "white_colour", BEYOND, Some(0.007_211)),
            truth("grey", "grey_balance", BEYOND, None),
            truth("grey", "gamma", BEYOND, Some(2.0)),
            truth("uniformity", "luminance", BEYOND, Some(0.133_333)),
        ],
        follows: &[
            ("grey", "*"),
            ("near_black", "*"),
            ("saturation", "*"),
            ("chart", "*"),
            ("primaries", "*"),
            ("uniformity", "luminance_recommended"),
        ],
    },
    Case {
        name: "crushed blacks, a narrow gamut, and a ghost",
        plan: SDR,
        mode: &[],
        fault: &[
            ("near_black_gamma", "0.5"),
            ("crosstalk", "0.15"),
            ("retention", "0.03"),
            ("retention_s", "[300.0, 200.0]"),
        ],
        truths: &[
            truth("near_black", "near_black", BEYOND, None),
            truth("primaries", "gamut_red", BEYOND, None),
            truth("primaries", "gamut_green", BEYOND, None),
            truth("retention", "ghost", Said::Off(0.0), None),
        ],
        follows: &[
            ("grey", "tracking_dark"),
            ("grey", "grey_difference"),
            ("primaries", "*"),
            ("saturation", "*"),
            ("chart", "*"),
        ],
    },
    Case {
        name: "a limiter, a cold start, and the room's light",
        plan: SDR,
        mode: &[],
        fault: &[
            ("limiter_knee_percent", "25.0"),
            ("limiter_exponent", "1.0"),
            ("cold", "[-0.1, -0.05]"),
            ("cold_s", "[60.0, 600.0]"),
            ("glare_cd_m2", "0.03"),
        ],
        truths: &[
            // (0.06 + 0.25·119.94 + 0.03)/120.03
            truth("window", "limiter", Said::Off(1.0), Some(0.250_562)),
            truth("cold_start", "warm_up", Said::Off(0.0), None),
            truth("ambient", "reflected", BEYOND, Some(0.333_333)),
        ],
        follows: &[("grey", "tracking_dark"), ("near_black", "near_black")],
    },
    Case {
        name: "nothing, ST 2084 cut off at 1000 cd/m²",
        plan: PQ,
        mode: OF_PQ,
        fault: &[],
        // Where ST 2084 has 1000/0.9 cd/m².
        truths: &[
            truth("grey", "tracking_end", WITHIN, Some(76.332)),
            truth("white_black", "peak", Said::There, Some(1000.0)),
        ],
        follows: &[],
    },
    Case {
        name: "ST 2084 cut off at 600 cd/m²",
        plan: PQ,
        mode: OF_PQ,
        fault: &[("peak_cd_m2", "600.0")],
        // Where ST 2084 has 600/0.9 cd/m².
        truths: &[
            truth("grey", "tracking_end", Said::Saying("it is cut off"), Some(70.772)),
            truth("white_black", "peak", Said::There, Some(600.0)),
        ],
        follows: &[],
    },
    Case {
        name: "ST 2084 rolled off as BT.2390 has it",
        plan: PQ,
        mode: OF_PQ,
        fault: &[("tone_mapping", "\"roll-off\""), ("roll_off_from", "0.835")],
        truths: &[truth("grey", "tracking_end", Said::Saying("it rolls off"), None)],
        follows: &[],
    },
    Case {
        name: "ST 2084 rolled off from 0.4 of the peak's signal",
        plan: PQ,
        mode: OF_PQ,
        fault: &[("tone_mapping", "\"roll-off\""), ("roll_off_from", "0.4")],
        truths: &[truth("grey", "tracking_end", BEYOND, None)],
        follows: &[],
    },
    Case {
        name: "nothing, HLG",
        plan: HLG,
        mode: OF_HLG,
        fault: &[],
        // 1.2 + 0.42·log₁₀(1000/1000)
        truths: &[truth("grey", "hlg_gamma", WITHIN, Some(1.2))],
        follows: &[],
    },
    Case {
        name: "HLG with a system gamma of 1",
        plan: HLG,
        mode: OF_HLG,
        fault: &[("hlg_gamma", "1.0")],
        truths: &[truth("grey", "hlg_gamma", BEYOND, Some(1.0)), truth("grey", "tracking", BEYOND, None)],
        follows: &[
            ("grey", "*"),
            ("near_black", "*"),
            ("saturation", "*"),
            ("chart", "*"),
            ("primaries", "*"),
        ],
    },
];
