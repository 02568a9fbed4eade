//! The two displays there are, as they come. Every number is engineering judgement: common practice, no source.

use super::display::{Cold, Creep, Limiter, Retention, Sag};
use super::lag::Lag;

/// How a display makes light.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    /// Every pixel glows by itself.
    SelfEmitting,
    /// Pixels let a backlight through.
    Backlit,
}

/// What a display is unless its settings say otherwise.
#[derive(Clone, Debug)]
pub(super) struct Preset {
    pub(super) name: &'static str,
    pub(super) peak_cd_m2: f64,
    /// Luminance of black over that of white.
    pub(super) black: f64,
    pub(super) limiter: Limiter,
    pub(super) cold: Cold,
    pub(super) creep: Creep,
    pub(super) sag: Sag,
    pub(super) retention: Retention,
}

impl Kind {
    /// The display of this kind as it comes.
    pub(super) fn preset(self) -> Preset {
        match self {
            Self::SelfEmitting => self_emitting(),
            Self::Backlit => backlit(),
        }
    }
}

/// 800 cd/m² in a tenth of the screen, 16 % of it on all; its first moments are 11 % above what white comes to.
fn self_emitting() -> Preset {
    Preset {
        name: "self-emitting",
        peak_cd_m2: 800.0,
        black: 0.0,
        limiter: Limiter { knee: 0.1, exponent: 0.8 },
        cold: Cold { amount: [0.01, 0.015], time_s: [60.0, 900.0], white: [-0.0003, -0.0008] },
        creep: Creep { amount: [-0.02, -0.015], time_s: [8.0, 75.0] },
        sag: Sag { amount: 0.03, lag: Lag { rise_s: 240.0, fall_s: 120.0 }, by_patch: true },
        retention: Retention { amount: 0.01, lag: Lag { rise_s: 1800.0, fall_s: 900.0 } },
    }
}

/// 300 cd/m² and 1500:1; starts 8 % dim and bluish, is warm after an hour, then loses almost 1 % over a night.
fn backlit() -> Preset {
    Preset {
        name: "backlit",
        peak_cd_m2: 300.0,
        black: 1.0 / 1500.0,
        limiter: Limiter { knee: 1.0, exponent: 0.0 },
        cold: Cold { amount: [-0.05, -0.03], time_s: [150.0, 900.0], white: [-0.001, -0.003] },
        creep: Creep { amount: [0.0, 0.0], time_s: [10.0, 60.0] },
        sag: Sag { amount: 0.01, lag: Lag { rise_s: 14_400.0, fall_s: 14_400.0 }, by_patch: false },
        retention: Retention { amount: 0.001, lag: Lag { rise_s: 3600.0, fall_s: 1800.0 } },
    }
}
