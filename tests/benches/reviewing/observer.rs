//! A review without a daemon: the display's true light, and the noise that a meter states of itself.
//!
//! Each patch is looked at `LOOKED_AFTER_S` after it is shown, as long as a short hold; what is watched is watched from the first moment on. The
//! light is the model's own (`drivers/src/simulated.rs`), whose formulas were written apart from those that evaluate it.

use settle::review::expand::Step;
use settle::review::itinerary::{Stop, stops};
use settle::review::plan::{Plan, What};
use settle::review::record::attached::Attached;
use settle::review::record::{Course, Entry, Header, Measurement, Point, Record};
use settled_drivers::simulated::{self, Stage};
use settled_protocol::quantity::{Chromaticity, Xyz};
use settled_protocol::reading::Flag;
use settled_protocol::settling::{Estimate, Verdict};
use settled_protocol::stage::Stimulus;
use settled_protocol::time::Timestamp;

use crate::noise::Dice;

/// From a patch to its settled value, in s.
const LOOKED_AFTER_S: f64 = 12.0;
/// Between the readings of what is watched, in s.
const BEAT_S: f64 = 1.0;
/// When a display that isn't watched from cold is warm, in s.
const WARM_S: f64 = 200_000.0;
/// Below this a meter sees no colour, in cd/m².
const COLOUR_FROM: f64 = 0.02;
/// Below this it is below its range, in cd/m².
const BELOW_RANGE: f64 = 0.001;
/// What a normal distribution's standard deviation is to a 95 % interval's half-width, and to a 95 % circle's radius.
const NORMAL_95: f64 = 1.959_964;
const CIRCLE_95: f64 = 2.447_747;

/// The noise of a settled value: standard uncertainties.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Noise {
    /// Relative, of luminance.
    pub(crate) luminance: f64,
    /// Of luminance near black, in cd/m².
    pub(crate) floor: f64,
    /// Of u′, and of v′, at 1 cd/m² and above; below it grows as 1/Y.
    pub(crate) chromaticity: f64,
}

impl Noise {
    /// A good colorimeter's over a hold of ten seconds: engineering judgement.
    pub(crate) const USUAL: Self = Self { luminance: 0.0005, floor: 0.0003, chromaticity: 0.0001 };

    fn of(self, luminance: f64) -> [f64; 2] {
        let far = (1.0 / luminance.abs().max(1e-6)).max(1.0);
        [(self.luminance * luminance).hypot(self.floor), self.chromaticity * far]
    }
}

/// The review of a display with these settings (TOML keys of a simulated meter's table).
pub(crate) fn review(display: &str, plan: &Plan, noise: Noise, seed: u64) -> Record {
    let mut dice = Dice::new(seed, 41, 0, 0);
    let warm = simulated::stage(display).unwrap_or_else(|problems| panic!("{display}: {problems}"));
    warm.show(black(), 0.0);
    let mut now_s = WARM_S;
    let mut entries = Vec::new();
    for stop in stops(plan, &[], None) {
        let is_cold = matches!(stop.sequence.what, What::ColdStart { .. });
        let cold = is_cold.then(|| simulated::stage(display).unwrap());
        let (stage, from_s) = cold.as_ref().map_or((&warm, now_s), |cold| (cold, 0.0));
        entries.push(looked_at(stage, &stop, from_s, noise, &mut dice));
        if is_cold {
            continue;
        }
        now_s += stop.step.watch_s.unwrap_or(LOOKED_AFTER_S);
        if stop.sequence.rest_s > 0.0 {
            warm.show(black(), now_s);
            now_s += stop.sequence.rest_s;
        }
    }
    Record { header: header(plan), entries }
}

fn header(plan: &Plan) -> Header {
    Header {
        attached: Some(uncorrected()),
        least_cd_m2: Some(BELOW_RANGE),
        ..Header::of("field monitor, simulated", "bench", plan.clone(), moment(0.0))
    }
}

/// A meter that nothing corrects.
fn uncorrected() -> Attached {
    Attached {
        model: None,
        driver: "simulated".to_owned(),
        correction: None,
        zero: None,
        warm_up: None,
        observer: None,
        bandwidth_nm: None,
        settled: env!("CARGO_PKG_VERSION").to_owned(),
        settle: env!("CARGO_PKG_VERSION").to_owned(),
    }
}

fn black() -> Stimulus {
    Stimulus { colour: [0; 3], ..Stimulus::peak_white() }
}

fn moment(t_s: f64) -> Timestamp {
    Timestamp::from_unix_ns(1_790_000_000_000_000_000 + (t_s * 1e9) as u64)
}

fn looked_at(stage: &Stage, stop: &Stop<'_>, now_s: f64, noise: Noise, dice: &mut Dice) -> Entry {
    let Step { patch, position, watch_s, off, .. } = &stop.step;
    let stimulus = if *off { Stimulus::off() } else { patch.stimulus(stop.set.coding) };
    stage.show_at(stimulus, *position, now_s);
    let seen = |t_s: f64, dice: &mut Dice| noisy(stage.truth(now_s + t_s).unwrap(), noise, dice);
    match watch_s {
        None => {
            let (light, [luminance_u, chromaticity_u]) = seen(LOOKED_AFTER_S, dice);
            let value = estimate(light, luminance_u, chromaticity_u);
            let below = (value.y < BELOW_RANGE).then_some(Flag::BelowRange);
            Entry::Patch(Box::new(Measurement {
                place: stop.place(),
                patch: patch.clone(),
                position: *position,
                at: moment(now_s + LOOKED_AFTER_S),
                clock: None,
                waited_s: LOOKED_AFTER_S,
                verdict: Verdict::Settled,
                value: Some(value),
                readings: None,
                correction: None,
                flags: [Flag::Simulated].into_iter().chain(below).collect(),
            }))
        }
        Some(watch_s) => {
            let count = (watch_s / BEAT_S).floor() as u32;
            let times = (0..count).map(|beat| (f64::from(beat) + 0.5) * BEAT_S);
            let points = times.map(|t_s| {
                let ((luminance_cd_m2, chromaticity), _) = seen(t_s, dice);
                Point { t_s, luminance_cd_m2, chromaticity }
            });
            Entry::Course(Course {
                place: stop.place(),
                patch: patch.clone(),
                at: moment(now_s),
                points: points.collect(),
                readings: None,
                correction: None,
                flags: vec![Flag::Simulated],
            })
        }
    }
}

type Light = (f64, Option<Chromaticity>);

/// Light as a meter would find it, with the standard uncertainties that it states.
fn noisy(truth: Xyz, noise: Noise, dice: &mut Dice) -> (Light, [f64; 2]) {
    let uncertainties @ [luminance_u, chromaticity_u] = noise.of(truth.y());
    let luminance = truth.y() + luminance_u * dice.normal();
    let [u, v] = [(); 2].map(|()| chromaticity_u * dice.normal());
    let colour = truth.chromaticity().filter(|_| luminance > COLOUR_FROM);
    let colour =
        colour.and_then(|colour| Chromaticity::from_uv(colour.u_prime() + u, colour.v_prime() + v).ok());
    ((luminance, colour), uncertainties)
}

fn estimate((y, chromaticity): Light, luminance_u: f64, chromaticity_u: f64) -> Estimate {
    Estimate {
        y,
        y_u95: NORMAL_95 * luminance_u,
        y_standard: luminance_u,
        coverage_factor: NORMAL_95,
        degrees_of_freedom: 1e6,
        chromaticity,
        chromaticity_u95: chromaticity.map(|_| CIRCLE_95 * chromaticity_u),
        n_effective: 1e6,
    }
}
