//! The settling engine: readings in, verdict out. Pure: no clock, no I/O, cannot fail.
//!
//! **Settled at t** promises that for the next hold the trend of the light stays within one band of its value at t, in luminance
//! and in chromaticity (where there is one). The trend is the reading that would be expected without noise; it includes the
//! meter's own drift. No causal method foresees an event: a step after the verdict breaks no promise.
//!
//! | module | idea |
//! |---|---|
//! | `gate` | outliers are set aside, steps restart the evidence |
//! | `trace` | the readings that evidence is taken from, bounded |
//! | `line` | a straight line and how sure it is |
//! | `judge` | windows tested for equivalence with standing still |
//! | `curvature` | is the light about to turn? |
//! | `forecast` | when will it settle? |
//! | `sentence` | the verdict in words |
//!
//! One engine holds at most some 300 KiB (a trace of 256 KiB, tables of quantiles, 64 blocks), however long the series, and no longer allocates once
//! these are full.

use settled_protocol::quantity::Chromaticity;
use settled_protocol::settling::{Criteria, Estimate, Evidence, Forecast, Test, Verdict};

mod curvature;
mod forecast;
mod gate;
mod judge;
mod line;
mod sentence;
mod student;
mod trace;

use forecast::{Blocks, Foretold};
use gate::{Gate, Passed};
use judge::{FEWEST, Judgement, Quantiles, Window, judge};
use line::Line;
pub use sentence::sentence;
use student::Student;
use trace::Trace;

/// Standard errors by which the level must have left its band to be lost.
const LOST: f64 = 3.3;

/// Checkpoints at which a negative verdict must hold.
const CHECKPOINTS: u32 = 3;

/// Won't-settle needs at least this much evidence, in s, and two holds.
const LEAST_EVIDENCE_S: f64 = 120.0;

/// One reading, as the engine sees it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Observation {
    /// End of the exposure, in s.
    pub t_s: f64,
    /// Integration time, in s.
    pub integration_s: Option<f64>,
    /// Luminance or illuminance.
    pub y: f64,
    /// u′ and v′, where known.
    pub uv: Option<[f64; 2]>,
}

/// A reading within the engine: time since the request; an unknown chromaticity is NaN.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Reading {
    t_s: f64,
    y: f64,
    uv: [f64; 2],
}

/// How it stands.
#[derive(Clone, Debug)]
pub struct Standing {
    /// The verdict, once there is one.
    pub verdict: Option<Verdict>,
    /// The best estimate, once there are enough readings.
    pub value: Option<Estimate>,
    /// What the verdict rests on, or what stands in its way.
    pub evidence: Evidence,
}

/// Decides when one series of readings has settled.
#[derive(Clone, Debug)]
pub struct Engine {
    criteria: Criteria,
    started_s: f64,
    longest_s: f64,
    /// The smallest step of luminance: stated, or the smallest that was seen.
    quantum: f64,
    quantum_stated: bool,
    quantiles: Quantiles,
    gate: Gate,
    trace: Trace,
    blocks: Blocks,
    previous: Option<Reading>,
    /// When the evidence began.
    since_s: f64,
    /// Entries until the next look.
    pause: usize,
    verdict: Option<Verdict>,
    /// When, and at what luminance, u′ and v′ it was settled.
    baseline: (f64, [f64; 3]),
    shown: Option<Window>,
    turning: bool,
    waiting: bool,
    forecast: Option<Forecast>,
    next_check_s: f64,
    against: [u32; 2],
    outliers: usize,
    steps: usize,
}

impl Engine {
    /// An engine for a request that arrived at `started_s`. `resolution` is the smallest step of the meter's luminance, if known.
    #[must_use]
    pub fn new(criteria: Criteria, resolution: Option<f64>, started_s: f64) -> Self {
        let stated = resolution.filter(|step| *step > 0.0);
        let quantiles = Quantiles { look: Student::new(criteria.confidence), interval: Student::new(0.975) };
        Self {
            criteria,
            started_s,
            longest_s: (16.0 * criteria.hold_s).min(1200.0).max(2.0 * criteria.hold_s),
            quantum: stated.unwrap_or(f64::INFINITY),
            quantum_stated: stated.is_some(),
            quantiles,
            gate: Gate::new(),
            trace: Trace::new(),
            blocks: Blocks::new(),
            previous: None,
            since_s: 0.0,
            pause: 0,
            verdict: None,
            baseline: (0.0, [f64::NAN; 3]),
            shown: None,
            turning: false,
            waiting: false,
            forecast: None,
            next_check_s: 0.0,
            against: [0; 2],
            outliers: 0,
            steps: 0,
        }
    }

    /// Takes a reading; returns the verdict if this reading has changed it. A reading that isn't finite, or not later than the one
    /// before it, is ignored.
    pub fn push(&mut self, observation: Observation) -> Option<Verdict> {
        let uv = observation.uv.filter(|uv| uv.iter().all(|c| c.is_finite())).unwrap_or([f64::NAN; 2]);
        let reading = Reading { t_s: observation.t_s - self.started_s, y: observation.y, uv };
        let later = self.previous.is_none_or(|previous| reading.t_s > previous.t_s);
        if !reading.t_s.is_finite() || !reading.y.is_finite() || reading.y.abs() > 1e100 || !later {
            return None;
        }
        self.look_for_quantum(&reading);
        let colour = self.criteria.chromaticity_band(self.previous.map_or(reading.y, |previous| previous.y));
        self.previous = Some(reading);
        match self.gate.pass(reading, [self.criteria.luminance_band(reading.y), colour, colour]) {
            Passed::Suspect => None,
            Passed::Ordinary(outliers) => {
                self.outliers += outliers;
                self.take(&reading).then(|| self.look()).flatten()
            }
            Passed::Step(readings) => {
                self.steps += 1;
                self.restart(0);
                for reading in &readings {
                    self.take(reading);
                }
                let was_settled = self.verdict.take() == Some(Verdict::Settled);
                was_settled.then(|| self.decide(Verdict::Lost))
            }
        }
    }

    /// Readings are missing here: the meter went away, or its readings were lost. What comes next is no neighbour of what was before.
    pub fn gap(&mut self) {
        self.gate.interrupt();
    }

    /// How it stands now.
    #[must_use]
    pub fn standing(&self) -> Standing {
        let value = self.shown.as_ref().and_then(estimate);
        Standing { verdict: self.verdict, value, evidence: self.evidence() }
    }

    /// The latest forecast, in s since the request arrived; nothing once it has settled.
    #[must_use]
    pub fn forecast(&self) -> Option<Forecast> {
        self.forecast.filter(|_| self.verdict != Some(Verdict::Settled))
    }

    fn look_for_quantum(&mut self, reading: &Reading) {
        if let Some(previous) = self.previous.filter(|_| !self.quantum_stated) {
            let step = (reading.y - previous.y).abs();
            if step > 1e-12 * previous.y.abs() {
                self.quantum = self.quantum.min(step);
            }
        }
    }

    /// Begins the evidence anew, with the last `kept` entries.
    fn restart(&mut self, kept: usize) {
        if kept == 0 {
            self.trace.clear();
        } else {
            self.trace.keep_last(kept);
        }
        self.blocks.clear();
        self.since_s = self.trace.t().first().copied().unwrap_or(f64::NAN);
        self.pause = 0;
        self.next_check_s = 0.0;
        self.against = [0; 2];
        self.shown = None;
        self.forecast = None;
    }

    /// Adds an accepted reading to the evidence. True if it is time to look.
    fn take(&mut self, reading: &Reading) -> bool {
        self.blocks.add(reading);
        if !self.trace.add(reading, self.longest_s) {
            return false;
        }
        if self.trace.len() == 1 {
            self.since_s = reading.t_s;
        }
        self.pause = self.pause.saturating_sub(1);
        self.pause == 0
    }

    /// Judges the evidence.
    fn look(&mut self) -> Option<Verdict> {
        let now_s = *self.trace.t().last()?;
        let span_s = now_s - self.trace.t().first()?;
        if self.trace.len() < FEWEST || span_s < 0.45 * self.criteria.hold_s {
            return None;
        }
        let quantum = if self.quantum.is_finite() { self.quantum } else { 0.0 };
        let judgement = judge(&self.trace, &self.criteria, self.longest_s, quantum, &mut self.quantiles)?;
        self.pause = (judgement.window.n / 32).max(1);
        self.shown = Some(judgement.shown);
        self.waiting = now_s < self.criteria.min_wait_s;
        if self.verdict == Some(Verdict::Settled) {
            return self.watch(now_s, &judgement);
        }
        self.turning = judgement.passed && judgement.window.about_to_turn(&self.trace, self.criteria.hold_s);
        if judgement.passed && !self.turning && !self.waiting {
            self.baseline = (now_s, judgement.window.end());
            return Some(self.decide(Verdict::Settled));
        }
        self.check(now_s, &judgement)
    }

    fn decide(&mut self, verdict: Verdict) -> Verdict {
        self.verdict = Some(verdict);
        verdict
    }

    /// Settled so far: is it still?
    fn watch(&mut self, now_s: f64, judgement: &Judgement) -> Option<Verdict> {
        let (since_s, level) = self.baseline;
        let left = self.has_left(now_s, since_s, level, judgement.window.bands);
        if left {
            self.restart(5);
        }
        if left || judgement.drifting {
            return Some(self.decide(Verdict::Lost));
        }
        if judgement.passed && now_s - since_s >= self.criteria.hold_s {
            self.baseline = (now_s, judgement.window.end());
        }
        None
    }

    /// Whether the mean of the last half hold has left its band about the level that was settled.
    fn has_left(&self, now_s: f64, since_s: f64, level: [f64; 3], bands: [f64; 2]) -> bool {
        let first = self.trace.since((0.5 * self.criteria.hold_s).min(now_s - since_s));
        let t = self.trace.t().get(first..).unwrap_or_default();
        if t.len() < 5 {
            return false;
        }
        let line =
            |channel: usize| Line::fit(t, self.trace.channel(channel).get(first..).unwrap_or_default());
        let outside = |distance: f64, band: f64, error: f64| distance > band + LOST * error;
        let luminance = line(0).is_some_and(|y| outside((y.mean - level[0]).abs(), bands[0], y.se_mean));
        let colour = line(1).zip(line(2)).is_some_and(|(u, v)| {
            let distance = (u.mean - level[1]).hypot(v.mean - level[2]);
            outside(distance, bands[1], u.se_mean.max(v.se_mean))
        });
        luminance || colour
    }

    /// At checkpoints ever further apart: a forecast, and whether it is hopeless.
    fn check(&mut self, now_s: f64, judgement: &Judgement) -> Option<Verdict> {
        let elapsed_s = now_s - self.since_s;
        if elapsed_s < self.next_check_s || !self.blocks.suffice() {
            return None;
        }
        self.next_check_s = (elapsed_s * 1.06).max(elapsed_s + 2.0);
        let Criteria { hold_s, max_wait_s, .. } = self.criteria;
        let [luminance, colour] = judgement.window.bands;
        let Foretold { forecast, not_before_s } =
            self.blocks.foretell((self.since_s, now_s), hold_s, [luminance, colour, colour]);
        self.forecast = is_finite(&forecast).then_some(forecast);
        let wont = judgement.drifting
            && not_before_s > max_wait_s
            && elapsed_s >= (2.0 * hold_s).max(LEAST_EVIDENCE_S);
        let need_s = judgement.window.span_s.max(1.0) * judgement.window.want().powf(2.0 / 3.0);
        let limited = !judgement.passed
            && !judgement.drifting
            && elapsed_s >= 2.0 * hold_s
            && need_s > 1.3 * self.longest_s;
        for (count, holds) in self.against.iter_mut().zip([wont, limited]) {
            *count = if holds { *count + 1 } else { 0 };
        }
        let verdict = match self.against {
            [wont, _] if wont >= CHECKPOINTS => Verdict::WontSettle,
            [_, limited] if limited >= CHECKPOINTS => Verdict::NoiseLimited,
            _ => return None,
        };
        (self.verdict != Some(verdict)).then(|| self.decide(verdict))
    }

    fn evidence(&self) -> Evidence {
        let mut evidence = Evidence { outliers: self.outliers, steps: self.steps, ..Evidence::default() };
        evidence.forecast = self.forecast();
        if self.waiting {
            evidence.failing.push(Test::MinimumWait);
        }
        let Some(window) = &self.shown else {
            evidence.failing.push(Test::TooFew);
            return evidence;
        };
        evidence.window_s = window.span_s;
        evidence.n = window.n;
        evidence.luminance_band = finite(window.bands[0]);
        evidence.chromaticity_band = window.colour.and_then(|_| finite(window.bands[1]));
        let known = |drift: &settled_protocol::settling::Drift| {
            drift.bands_per_hold.is_finite() && drift.interval.is_finite()
        };
        evidence.luminance_drift = Some(window.luminance_drift).filter(known);
        evidence.chromaticity_drift = window.colour_drift.filter(known);
        evidence.noise = finite(window.luminance.sd);
        evidence.autocorrelation = finite(window.luminance.rho);
        if self.verdict != Some(Verdict::Settled) {
            evidence.failing.extend(window.failing());
            evidence.failing.extend(self.turning.then_some(Test::Turning));
        }
        evidence
    }
}

fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

fn is_finite(forecast: &Forecast) -> bool {
    forecast.settles_at_s.is_finite() && forecast.low_s.is_finite() && forecast.high_s.is_finite()
}

/// The value at the end of a window; nothing if it isn't finite.
fn estimate(window: &Window) -> Option<Estimate> {
    let [y, u, v] = window.end();
    let (standard, expanded) = window.y_uncertainty;
    let chromaticity = Chromaticity::from_uv(u, v).ok();
    Some(Estimate {
        y: finite(y)?,
        y_u95: finite(expanded)?,
        y_standard: finite(standard)?,
        chromaticity,
        chromaticity_u95: chromaticity.and(window.colour_u95).and_then(finite),
        n_effective: finite(window.luminance.n_effective)?,
    })
}

#[cfg(test)]
mod tests;
