//! Kinds of light, and how each is drawn. The ranges are engineering judgement (common practice, no source).

use settled_protocol::settling::Criteria;

use crate::noise::Dice;
use crate::truth::{Segment, Trend};

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

impl Recipe {
    #[expect(clippy::too_many_lines, reason = "a list of families, each a few lines")]
    pub(crate) fn draw(family: &str, dice: &mut Dice) -> Self {
        let criteria = criteria(dice);
        let (hold, band, colour_band) = (criteria.hold_s, criteria.luminance, criteria.chromaticity);
        let level = dice.decades(5.0, 500.0);
        let angle = dice.uniform(0.0, std::f64::consts::TAU);
        let uv = [0.1978 + 0.01 * dice.normal(), 0.4683 + 0.01 * dice.normal(), angle.cos(), angle.sin()];
        let mut noise = Noise { relative: dice.decades(2e-4, 3e-3), ..Noise::default() };
        let mut sampling = Sampling {
            interval: dice.decades(0.5, 5.0),
            wanders: false,
            changes: None,
            dropped: 0.01,
            gaps: Vec::new(),
            coloured: true,
        };
        if dice.chance(0.2) {
            noise.step = band * level * dice.decades(0.01, 0.1);
        }
        let mut end = 2700.0_f64;
        let one = |trend| vec![Segment { start: 0.0, trend }];
        let segments = match family {
            "flat" => one(sum(level, uv, vec![], 0.0)),
            "flat, noisy" => {
                noise.relative = band * dice.decades(0.5, 4.0);
                one(sum(level, uv, vec![], 0.0))
            }
            "backlit, cold" => {
                end = 6000.0;
                let since = -dice.uniform(0.0, 300.0);
                let terms = vec![
                    [-dice.decades(0.05, 0.25), 0.0, dice.uniform(60.0, 240.0)],
                    [dice.decades(0.01, 0.06), 0.0, dice.uniform(300.0, 1200.0)],
                    [0.0, dice.uniform(1e-3, 3e-3), dice.uniform(300.0, 1200.0)],
                ];
                one(sum(level, uv, terms, since))
            }
            "creep" => one(creep(level, uv, 0.0, dice)),
            "dimming" => {
                let (event, drop, rate) =
                    (dice.uniform(120.0, 900.0), dice.decades(0.03, 0.2), -dice.decades(1e-7, 1e-5));
                let ramp = if dice.chance(0.5) { 0.5 } else { dice.uniform(2.0, 10.0) };
                let before = line(level, uv, rate, 0.0);
                let after = line(level, uv, rate, 0.0);
                let dimmed = move |t: f64| {
                    let [y, u, v] = after(t);
                    [y * (1.0 - drop * -(-(t - event).max(0.0) / ramp).exp_m1()), u, v]
                };
                vec![Segment { start: 0.0, trend: before }, Segment { start: event, trend: Box::new(dimmed) }]
            }
            "two exponentials" => {
                end = 4500.0;
                let quick = [
                    dice.sign() * dice.decades(0.01, 0.1),
                    dice.decades(1e-4, 1e-3),
                    dice.uniform(5.0, 40.0),
                ];
                let slow = [
                    dice.sign() * dice.decades(0.01, 0.1),
                    dice.decades(1e-4, 2e-3),
                    dice.uniform(300.0, 1200.0),
                ];
                one(sum(level, uv, vec![quick, slow], 0.0))
            }
            "never, linear" => {
                let (bands, sign) = (dice.decades(1.2, 3.0), dice.sign());
                if dice.chance(0.7) {
                    let rate = bands * band / hold;
                    end = end.min(0.9 / rate);
                    one(shape(level, uv, move |t| (sign * rate * t).exp() - 1.0))
                } else {
                    one(line(level, uv, 0.0, bands * colour_band / hold))
                }
            }
            "slow, linear" => {
                let bands = dice.uniform(0.1, 0.7);
                one(line(level, uv, dice.sign() * bands * band / hold, 0.5 * bands * colour_band / hold))
            }
            "room cycle" => {
                end = 7200.0;
                let (period, bands) = (dice.uniform(900.0, 1800.0), dice.decades(0.15, 3.0));
                let amplitude = bands * band / hold * period / std::f64::consts::TAU;
                let (phase, day, slow) = (dice.phase(), dice.phase(), dice.uniform(0.0, 0.01));
                let turn = |t: f64, period: f64| std::f64::consts::TAU * t / period;
                one(shape(level, uv, move |t| {
                    amplitude * (turn(t, period) + phase).sin() + slow * (turn(t, 86_400.0) + day).sin()
                }))
            }
            "patch change" => {
                let event = dice.uniform(60.0, 900.0);
                let second = level * dice.decades(1.2, 5.0).powf(dice.sign());
                let first = creep(level, uv, 0.0, dice);
                let moved = [uv[0] + 0.02 * dice.normal(), uv[1] + 0.02 * dice.normal(), uv[2], uv[3]];
                let then = if dice.chance(0.7) {
                    creep(second, moved, event, dice)
                } else {
                    sum(second, moved, vec![], event)
                };
                vec![Segment { start: 0.0, trend: first }, Segment { start: event, trend: then }]
            }
            "small step" => {
                let (event, bands) = (dice.uniform(300.0, 1200.0), dice.decades(1.5, 4.0));
                noise.relative = noise.relative.min(0.5 * band);
                let stepped = level * (1.0 + dice.sign() * bands * band);
                vec![
                    Segment { start: 0.0, trend: sum(level, uv, vec![], 0.0) },
                    Segment { start: event, trend: sum(stepped, uv, vec![], 0.0) },
                ]
            }
            "beat" => {
                sampling.interval = dice.decades(0.5, 2.5);
                let longest = 25_f64.min(0.5 * hold);
                let period = dice.decades(2.3 * sampling.interval, longest);
                noise.beat = Some([dice.decades(0.002, 0.02), period, dice.phase()]);
                one(one_of(level, uv, 2, dice))
            }
            "walking past" => {
                noise.obstructions = dice.decades(0.003, 0.02);
                one(creep(level, uv, 0.0, dice))
            }
            "meter warm-up" => {
                let dim = dice.decades(0.05, 0.5);
                let (offset, constant) =
                    (dice.sign() * dice.decades(0.002, 0.02), dice.uniform(180.0, 900.0));
                noise = Noise { read: dice.decades(1e-4, 1e-3), ..Noise::default() };
                sampling.interval = dice.decades(1.0, 10.0);
                end = 5400.0;
                one(sum(dim, uv, vec![[offset / dim, 0.01 * offset / dim, constant]], 0.0))
            }
            "coarse scale" => {
                noise.step = band * level * dice.decades(0.1, 0.8);
                noise.relative = noise.step / level * dice.decades(0.02, 0.5);
                end = 4500.0;
                one(one_of(level, uv, 3, dice))
            }
            "near black" => {
                let dim = dice.decades(0.005, 0.05);
                noise = Noise { read: dice.decades(5e-4, 1e-2), ..Noise::default() };
                sampling.interval = dice.decades(1.0, 20.0);
                end = 5400.0;
                let terms = if dice.chance(0.7) {
                    vec![]
                } else {
                    vec![[dice.decades(0.2, 3.0), 0.01, dice.uniform(30.0, 600.0)]]
                };
                one(sum(dim, uv, terms, 0.0))
            }
            "shot noise" => {
                let level = dice.decades(0.5, 200.0);
                noise = Noise {
                    shot: dice.decades(1e-3, 2e-2),
                    read: dice.decades(1e-4, 3e-3),
                    step: noise.step,
                    ..Noise::default()
                };
                sampling.wanders = true;
                let event = dice.uniform(200.0, 900.0);
                let second = level * dice.decades(2.0, 10.0).powf(dice.sign());
                vec![
                    Segment { start: 0.0, trend: creep(level, uv, 0.0, dice) },
                    Segment { start: event, trend: creep(second, uv, event, dice) },
                ]
            }
            "noise with memory" => {
                noise.memory_s = dice.decades(2.0, 20.0);
                noise.relative = band * dice.decades(0.1, 0.6);
                sampling.interval = dice.decades(0.5, 3.0);
                end = 4500.0;
                one(one_of(level, uv, 3, dice))
            }
            "1/f noise" => {
                noise.flicker = band * dice.decades(0.05, 0.25);
                noise.relative = band * dice.decades(0.05, 0.3);
                sampling.interval = dice.decades(0.5, 3.0);
                one(one_of(level, uv, 2, dice))
            }
            "gaps" => {
                sampling.dropped = dice.uniform(0.1, 0.3);
                sampling.interval = dice.decades(0.3, 8.0);
                sampling.wanders = true;
                end = 4500.0;
                for _ in 0..=dice.below(4) {
                    let from = dice.uniform(0.0, end);
                    sampling.gaps.push((from, from + dice.uniform(10.0, 60.0)));
                }
                let quick = [
                    dice.sign() * dice.decades(0.01, 0.1),
                    dice.decades(1e-4, 1e-3),
                    dice.uniform(5.0, 40.0),
                ];
                let slow = [
                    dice.sign() * dice.decades(0.01, 0.06),
                    dice.decades(1e-4, 1e-3),
                    dice.uniform(200.0, 900.0),
                ];
                one(sum(level, uv, vec![quick, slow], 0.0))
            }
            "stretched" => {
                end = 5400.0;
                let (amplitude, constant, power) = (
                    dice.sign() * dice.decades(0.02, 0.2),
                    dice.decades(20.0, 400.0),
                    dice.uniform(0.4, 0.8),
                );
                one(shape(level, uv, move |t| amplitude * (-(t / constant).powf(power)).exp()))
            }
            "rise, then sag" => {
                end = 5400.0;
                let rise = [-dice.decades(0.01, 0.1), dice.decades(1e-4, 1e-3), dice.uniform(20.0, 200.0)];
                let sag =
                    [dice.decades(0.01, 0.08), dice.decades(1e-4, 1e-3), rise[2] * dice.uniform(3.0, 8.0)];
                one(sum(level, uv, vec![rise, sag], 0.0))
            }
            "ringing" => {
                let (amplitude, period, phase) =
                    (dice.decades(0.01, 0.05), dice.uniform(60.0, 400.0), dice.phase());
                let constant = period * dice.uniform(0.4, 1.2);
                one(shape(level, uv, move |t| {
                    amplitude * (-t / constant).exp() * (std::f64::consts::TAU * t / period + phase).sin()
                }))
            }
            "colour alone" => {
                end = 4500.0;
                one(sum(level, uv, vec![[0.0, dice.decades(1e-3, 8e-3), dice.uniform(60.0, 900.0)]], 0.0))
            }
            "no colour" => {
                sampling.coloured = false;
                end = 4500.0;
                one(one_of(level, uv, 3, dice))
            }
            "longer exposures" => {
                noise = Noise {
                    shot: dice.decades(1e-3, 2e-2),
                    read: dice.decades(1e-4, 3e-3),
                    ..Noise::default()
                };
                sampling.interval = dice.decades(0.3, 1.0);
                sampling.changes = Some((dice.uniform(30.0, 600.0), dice.decades(3.0, 10.0)));
                let level = dice.decades(0.5, 50.0);
                one(one_of(level, uv, 3, dice))
            }
            "meter away" => {
                end = 5400.0;
                let from = dice.uniform(100.0, 900.0);
                sampling.gaps.push((from, from + dice.decades(60.0, 1200.0)));
                one(one_of(level, uv, 3, dice))
            }
            "late ramp" => {
                end = 4500.0;
                let (event, bands, sign) = (dice.uniform(300.0, 900.0), dice.decades(1.5, 6.0), dice.sign());
                let rate = sign * bands * band / hold;
                let constant = dice.uniform(200.0, 900.0);
                let trend =
                    shape(level, uv, move |t| rate * constant * -(-(t - event).max(0.0) / constant).exp_m1());
                vec![
                    Segment { start: 0.0, trend: sum(level, uv, vec![], 0.0) },
                    Segment { start: event, trend },
                ]
            }
            other => unreachable!("no family {other}"),
        };
        noise.step_known = noise.step > 0.0 && dice.chance(0.5);
        Self { criteria, segments, end, sampling, noise }
    }
}
