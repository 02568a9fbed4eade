//! Kinds of light, and how each is drawn. The ranges are engineering judgement (common practice, no source).

use settled_protocol::settling::Criteria;

use crate::noise::Dice;
use crate::truth::{Segment, Trend};

#[path = "family/fresh.rs"]
mod fresh;
#[path = "family/tuned.rs"]
mod tuned;

/// Everything about a series that is drawn before its readings are.
pub(crate) struct Recipe {
    pub(crate) criteria: Criteria,
    pub(crate) segments: Vec<Segment>,
    pub(crate) end: f64,
    pub(crate) sampling: Sampling,
    pub(crate) noise: Noise,
}

/// When there are readings.
#[derive(Clone, Debug)]
pub(crate) struct Sampling {
    pub(crate) interval: f64,
    /// The interval wanders by factors.
    pub(crate) wanders: bool,
    /// From this moment on exposures are longer by the factor.
    pub(crate) changes: Option<(f64, f64)>,
    pub(crate) dropped: f64,
    /// Away from, to.
    pub(crate) gaps: Vec<(f64, f64)>,
    pub(crate) coloured: bool,
}

/// What is added to the trend.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Noise {
    pub(crate) relative: f64,
    pub(crate) shot: f64,
    pub(crate) read: f64,
    /// AR(1) time constant in s; 0 is white.
    pub(crate) memory_s: f64,
    /// Relative 1/f noise.
    pub(crate) flicker: f64,
    /// Amplitude, period and phase of a beat.
    pub(crate) beat: Option<[f64; 3]>,
    /// Probability that somebody walks past.
    pub(crate) obstructions: f64,
    pub(crate) step: f64,
    /// Whether the meter says what its step is.
    pub(crate) step_known: bool,
}

/// Families that the engine's constants were chosen on, and families that they were not.
pub(crate) const TUNED: [&str; 20] = [
    "flat",
    "flat, noisy",
    "backlit, cold",
    "creep",
    "dimming",
    "two exponentials",
    "never, linear",
    "slow, linear",
    "room cycle",
    "patch change",
    "small step",
    "beat",
    "walking past",
    "meter warm-up",
    "coarse scale",
    "near black",
    "shot noise",
    "noise with memory",
    "1/f noise",
    "gaps",
];
pub(crate) const FRESH: [&str; 8] = [
    "stretched",
    "rise, then sag",
    "ringing",
    "colour alone",
    "no colour",
    "longer exposures",
    "meter away",
    "late ramp",
];

/// Y·(1 + Σ a·e^(−t/τ)), with chromaticity moving along one direction by c·e^(−t/τ).
fn sum(level: f64, uv: [f64; 4], terms: Vec<[f64; 3]>, since: f64) -> Trend {
    let [u0, v0, along_u, along_v] = uv;
    Box::new(move |t| {
        let (mut y, mut moved) = (1.0, 0.0);
        for [amplitude, colour, constant] in &terms {
            let decay = (-(t - since) / constant).exp();
            y += amplitude * decay;
            moved += colour * decay;
        }
        [level * y, u0 + along_u * moved, v0 + along_v * moved]
    })
}

fn line(level: f64, uv: [f64; 4], rate: f64, colour_rate: f64) -> Trend {
    let [u0, v0, along_u, along_v] = uv;
    Box::new(move |t| {
        [level * (1.0 + rate * t), u0 + along_u * colour_rate * t, v0 + along_v * colour_rate * t]
    })
}

/// A shape of luminance alone, with colour following a little.
fn shape(level: f64, uv: [f64; 4], relative: impl Fn(f64) -> f64 + Send + Sync + 'static) -> Trend {
    let [u0, v0, along_u, along_v] = uv;
    Box::new(move |t| {
        let x = relative(t);
        [level * (1.0 + x), u0 + 0.02 * x * along_u, v0 + 0.02 * x * along_v]
    })
}

fn criteria(dice: &mut Dice) -> Criteria {
    let (luminance, luminance_floor_cd_m2, chromaticity, hold_s) = match dice.uniform(0.0, 1.0) {
        x if x < 0.45 => (0.005, 0.0005, 0.0005, 60.0),
        x if x < 0.65 => (0.002, 0.0005, 0.0003, 60.0),
        x if x < 0.85 => (0.010, 0.0010, 0.0010, 30.0),
        _ => (0.005, 0.0005, 0.0005, 300.0),
    };
    Criteria {
        luminance,
        luminance_floor_cd_m2,
        chromaticity,
        hold_s,
        max_wait_s: 2400.0,
        ..Criteria::default()
    }
}

fn creep(level: f64, uv: [f64; 4], since: f64, dice: &mut Dice) -> Trend {
    let term = [-dice.decades(0.01, 0.08), dice.decades(2e-4, 1e-3), dice.decades(10.0, 60.0)];
    sum(level, uv, vec![term], since)
}

fn warming(level: f64, uv: [f64; 4], dice: &mut Dice) -> Trend {
    sum(level, uv, vec![[-dice.decades(0.01, 0.1), 1e-3, dice.uniform(200.0, 900.0)]], 0.0)
}

fn one_of(level: f64, uv: [f64; 4], kinds: usize, dice: &mut Dice) -> Trend {
    match dice.below(kinds) {
        0 => sum(level, uv, vec![], 0.0),
        1 => creep(level, uv, 0.0, dice),
        _ => warming(level, uv, dice),
    }
}

/// What all families have, before each makes its own of it.
struct Draft {
    criteria: Criteria,
    level: f64,
    /// u′ and v′, and the direction in which they move.
    uv: [f64; 4],
    noise: Noise,
    sampling: Sampling,
    end: f64,
}

impl Draft {
    fn new(dice: &mut Dice) -> Self {
        let criteria = criteria(dice);
        let level = dice.decades(5.0, 500.0);
        let angle = dice.phase();
        let uv = [0.1978 + 0.01 * dice.normal(), 0.4683 + 0.01 * dice.normal(), angle.cos(), angle.sin()];
        let mut noise = Noise { relative: dice.decades(2e-4, 3e-3), ..Noise::default() };
        let sampling = Sampling {
            interval: dice.decades(0.5, 5.0),
            wanders: false,
            changes: None,
            dropped: 0.01,
            gaps: Vec::new(),
            coloured: true,
        };
        if dice.chance(0.2) {
            noise.step = criteria.luminance * level * dice.decades(0.01, 0.1);
        }
        Self { criteria, level, uv, noise, sampling, end: 2700.0 }
    }
}

impl Recipe {
    pub(crate) fn draw(family: &str, dice: &mut Dice) -> Self {
        let mut draft = Draft::new(dice);
        let segments = tuned::segments(family, &mut draft, dice)
            .or_else(|| fresh::segments(family, &mut draft, dice))
            .unwrap_or_else(|| unreachable!("no family {family}"));
        let Draft { criteria, mut noise, sampling, end, .. } = draft;
        noise.step_known = noise.step > 0.0 && dice.chance(0.5);
        Self { criteria, segments, end, sampling, noise }
    }
}
