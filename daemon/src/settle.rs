//! The settling engine: has the light settled, and how sure is that?
//!
//! Pure: readings and their times go in, verdicts come out. It reads no clock, does no I/O, writes no log and cannot fail.
//! The same criteria and the same readings always give the same verdicts.
//!
//! | module | idea |
//! |---|---|
//! | `gate` | outliers are set aside, steps are found |
//! | `track` | the readings of the longest window, in bounded memory |
//! | `sums` | what a line is made of, kept so that any window costs the same |
//! | `line` | least squares under noise that is alike from reading to reading |
//! | `look` | the shortest window on which every test passes |
//! | `blocks`, `approach`, `forecast` | when will it settle |
//! | `standing` | how it stands, as evidence |
//! | `student` | quantiles, tabulated |
//! | [`sentence`](mod@sentence) | the verdict in plain words |
//!
//! Memory of one request: 72,704 bytes of readings, 12,800 of quantiles and under 10,240 of everything else, allocated at the
//! start; after that only a change of verdict and [`Engine::standing`] allocate, for the list of failing tests.

mod approach;
mod bend;
mod blocks;
mod forecast;
mod gate;
mod line;
mod look;
pub mod sentence;
mod standing;
mod student;
mod sums;
mod track;

use settled_protocol::settling::{Criteria, Estimate, Evidence, Forecast, Verdict};

use blocks::Blocks;
use gate::{Gate, Passage};
use look::{FEWEST, Look, Readings, Rules, Window};
use track::Track;

pub use sentence::sentence;
pub use standing::Standing;

/// Successive checkpoints that must agree before light is called hopeless, or noise.
const AGREEING: (u32, u32) = (2, 3);
/// Checkpoints follow each other by this share of the time since the last restart, in [`CHECK_S`] at the soonest.
const CHECK_RATIO: f64 = 1.06;
/// The shortest time between checkpoints, in s.
const CHECK_S: f64 = 2.0;
/// Fewest block means for a forecast.
const FEWEST_BLOCKS: usize = 6;
/// No verdict on the future sooner than this, or two holds, in s.
const PATIENCE_S: f64 = 120.0;
/// Noise-limited when the window needed is longer than the longest by this factor.
const HOPELESS: f64 = 1.3;
/// Standard errors, beside a band, by which a settled level must have moved to be lost.
const MOVED: f64 = 3.3;
/// Entries kept when the level has moved without a step.
const KEPT: usize = 5;
/// Numbers above this are not light, nor times: such a reading is set aside.
const ABSURD: f64 = 1e15;

/// One reading, as the engine sees it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Observation {
    /// End of the exposure, in s on the boot clock.
    pub t_s: f64,
    /// Length of the exposure, in s, where known.
    pub integration_s: Option<f64>,
    /// Luminance in cd/m², or illuminance in lx.
    pub y: f64,
    /// u′ and v′, where there is a chromaticity.
    pub uv: Option<[f64; 2]>,
}

impl Observation {
    fn usable(&self) -> bool {
        let [u, v] = self.uv.unwrap_or_default();
        [self.t_s, self.y, u, v].iter().all(|number| number.abs() < ABSURD)
    }
}

/// A change of verdict.
#[derive(Clone, Debug, PartialEq)]
pub struct Change {
    /// What it is now: settled, lost, noise-limited, or never going to settle.
    pub verdict: Verdict,
    /// The reading that decided it, in s on the boot clock.
    pub t_s: f64,
    /// The value then.
    pub value: Option<Estimate>,
    /// What led to it.
    pub evidence: Evidence,
}

/// The level that was declared settled.
#[derive(Clone, Copy, Debug)]
struct Baseline {
    since: f64,
    y: f64,
    uv: Option<[f64; 2]>,
}

/// Verdicts on the future wait until checkpoints agree.
#[derive(Clone, Copy, Debug, Default)]
struct Checks {
    /// Time since the restart of the next one, in s.
    next: f64,
    out_of_reach: u32,
    too_noisy: u32,
}

/// Decides when one request's light has settled.
#[derive(Clone, Debug)]
pub struct Engine {
    rules: Rules,
    resolution: Option<f64>,
    smallest_step: Option<f64>,
    started_s: f64,
    gate: Gate,
    luminance: Track<1>,
    colour: Track<2>,
    blocks: Blocks,
    restarted_s: Option<f64>,
    latest: Option<(f64, f64)>,
    until_look: usize,
    look: Option<Look>,
    turning: bool,
    settled: Option<Baseline>,
    verdict: Option<Verdict>,
    checks: Checks,
    forecast: Option<Forecast>,
    outliers: usize,
    steps: usize,
    stale_after: Option<f64>,
}

impl Engine {
    /// An engine for a request that came at `started_s` (boot clock), of a meter whose scale has steps of `resolution`, in
    /// the unit of its readings, if it says so.
    #[must_use]
    pub fn new(criteria: Criteria, resolution: Option<f64>, started_s: f64) -> Self {
        let rules = Rules::new(criteria);
        Self {
            resolution: resolution.filter(|step| *step > 0.0),
            smallest_step: None,
            started_s,
            gate: Gate::new(criteria.hold_s),
            luminance: Track::new(rules.longest),
            colour: Track::new(rules.longest),
            rules,
            blocks: Blocks::new(),
            restarted_s: None,
            latest: None,
            until_look: 0,
            look: None,
            turning: false,
            settled: None,
            verdict: None,
            checks: Checks::default(),
            forecast: None,
            outliers: 0,
            steps: 0,
            stale_after: None,
        }
    }

    /// Takes the next reading, and gives the change of verdict that it caused, if any.
    ///
    /// A reading that is not of this world, or older than the one before, is set aside as an outlier.
    pub fn push(&mut self, observation: Observation) -> Option<Change> {
        let backward = self.latest.is_some_and(|(latest, _)| observation.t_s < latest);
        if backward || !observation.usable() {
            self.outliers += 1;
            return None;
        }
        self.see_step(&observation);
        self.latest = Some((observation.t_s, observation.y));
        let stale = self.stale_after.take().is_some_and(|end| observation.t_s > end);
        let lost = if stale { self.lose(observation.t_s) } else { None };
        match self.gate.judge(observation, &self.rules.criteria) {
            Passage::Held => lost,
            Passage::Step => self.step(observation.t_s).or(lost),
            Passage::Normal => {
                self.outliers += self.gate.discard();
                let complete = self.accept(&observation);
                self.until_look = self.until_look.saturating_sub(usize::from(complete));
                if self.until_look > 0 || !complete {
                    return lost;
                }
                self.consider(observation.t_s).or(lost)
            }
        }
    }

    /// Readings are missing here: the meter was away, or the machine slept. What was known before is no evidence of what
    /// comes after, so it is dropped; a settled verdict outlives a gap of no more than a hold.
    pub fn gap(&mut self) {
        self.outliers += self.gate.discard();
        let promised = self.rules.criteria.hold_s;
        self.stale_after =
            self.latest.filter(|_| self.settled.is_some()).map(|(latest, _)| latest + promised);
        self.restart(0);
    }

    /// The forecast in force, in s from the request's beginning. A new one is made from time to time while unsettled.
    #[must_use]
    pub fn forecast(&self) -> Option<Forecast> {
        self.forecast
    }

    /// Time of the last reading taken, in s on the boot clock.
    #[must_use]
    pub fn latest_s(&self) -> Option<f64> {
        self.latest.map(|(t_s, _)| t_s)
    }

    /// Without a step stated by the meter, the smallest difference ever seen stands for it.
    fn see_step(&mut self, observation: &Observation) {
        let Some((_, before)) = self.latest else { return };
        let difference = (observation.y - before).abs();
        if difference > 1e-12 * before.abs() && self.smallest_step.is_none_or(|step| difference < step) {
            self.smallest_step = Some(difference);
        }
    }

    /// Adds a reading to the evidence. Whether it completed an entry of the track.
    ///
    /// It belongs to the middle of its exposure.
    fn accept(&mut self, observation: &Observation) -> bool {
        let exposure = observation.integration_s.filter(|length| (0.0..ABSURD).contains(length));
        let t = observation.t_s - 0.5 * exposure.unwrap_or(0.0);
        let t = self.luminance.last_s().map_or(t, |last| t.max(last));
        self.restarted_s.get_or_insert(t);
        self.gate.accept(observation);
        self.blocks.push(t, observation.y, observation.uv);
        if let Some(uv) = observation.uv {
            self.colour.push(t, uv);
        }
        self.luminance.push(t, [observation.y])
    }

    /// The level has changed: all evidence is dropped, and the suspects are the first of the new.
    fn step(&mut self, now: f64) -> Option<Change> {
        self.steps += 1;
        let change = self.lose(now);
        self.restart(0);
        let mut index = 0;
        while let Some(suspect) = self.gate.suspect(index) {
            self.accept(&suspect);
            index += 1;
        }
        self.gate.discard();
        change
    }

    fn restart(&mut self, kept: usize) {
        self.luminance.restart(kept);
        self.colour.restart(kept);
        if kept == 0 {
            self.gate.restart();
        }
        self.restarted_s = self.luminance.first_s();
        self.blocks.clear();
        self.checks = Checks::default();
        self.until_look = 0;
        self.look = None;
        self.turning = false;
        self.forecast = None;
        if matches!(self.verdict, Some(Verdict::NoiseLimited | Verdict::WontSettle)) {
            self.verdict = None;
        }
    }

    /// No longer settled, if it was.
    fn lose(&mut self, now: f64) -> Option<Change> {
        self.settled.take()?;
        Some(self.announce(Verdict::Lost, now))
    }

    fn announce(&mut self, verdict: Verdict, t_s: f64) -> Change {
        self.verdict = Some(verdict);
        let Standing { value, evidence, .. } = self.standing();
        Change { verdict, t_s, value, evidence }
    }

    /// Looks at the evidence after a reading.
    fn consider(&mut self, now: f64) -> Option<Change> {
        let last = self.luminance.last_s()?;
        let span = last - self.luminance.first_s()?;
        if self.luminance.len() < FEWEST || span < 0.9 * self.rules.shortest {
            return None;
        }
        let readings = Readings {
            luminance: &self.luminance,
            colour: &self.colour,
            last,
            now,
            quantum: self.resolution.or(self.smallest_step),
        };
        let look = Look::at(&self.rules, &readings)?;
        self.turning = look.passes && self.settled.is_none() && look.window.turning(&self.rules, &readings);
        self.until_look = (look.last_entries / 32).max(1);
        self.look = Some(look);
        let settled = look.passes && !self.turning && !self.too_early(now);
        if let Some(baseline) = self.settled {
            return self.watch(&look, baseline, now);
        }
        if settled {
            self.settle(&look.window, now);
            return Some(self.announce(Verdict::Settled, now));
        }
        self.check(&look, now)
    }

    fn too_early(&self, now: f64) -> bool {
        now - self.started_s < self.rules.criteria.min_wait_s
    }

    fn settle(&mut self, window: &Window, now: f64) {
        let uv = window.colour.map(|colour| colour.value);
        self.settled = Some(Baseline { since: now, y: window.value, uv });
        self.forecast = None;
    }

    /// While settled: lost where the drift is out of band or the level has moved; confirmed once a hold.
    fn watch(&mut self, look: &Look, baseline: Baseline, now: f64) -> Option<Change> {
        let moved = self.has_moved(&look.window, baseline, now);
        if moved || look.drifts {
            let change = self.lose(now);
            if moved {
                self.restart(KEPT);
            }
            return change;
        }
        if look.passes && now - baseline.since >= self.rules.criteria.hold_s {
            self.settle(&look.window, now);
        }
        None
    }

    /// Whether the mean since the baseline, of half a hold at most, is off by more than noise and a band allow.
    fn has_moved(&self, window: &Window, baseline: Baseline, now: f64) -> bool {
        let Some(last) = self.luminance.last_s() else { return false };
        let from = (last - self.rules.shortest).max(baseline.since);
        let readings =
            Readings { luminance: &self.luminance, colour: &self.colour, last, now, quantum: None };
        let Some(recent) = Window::judge(&self.rules, &readings, from, KEPT) else { return false };
        let line = recent.luminance;
        if (line.mean - baseline.y).abs() > window.band + MOVED * line.mean_error && window.band > 0.0 {
            return true;
        }
        let (Some(colour), Some([u, v])) = (recent.colour, baseline.uv) else { return false };
        let [u_line, v_line] = colour.lines;
        let off = (u_line.mean - u).hypot(v_line.mean - v);
        off > colour.band + MOVED * u_line.mean_error.max(v_line.mean_error)
    }

    /// At checkpoints: a new forecast, and whether there is any hope.
    fn check(&mut self, look: &Look, now: f64) -> Option<Change> {
        let elapsed = now - self.restarted_s?;
        let blocks = self.blocks.full();
        if elapsed < self.checks.next || blocks.len() < FEWEST_BLOCKS {
            return None;
        }
        self.checks.next = (elapsed * CHECK_RATIO).max(elapsed + CHECK_S);
        let hold = self.rules.criteria.hold_s;
        let colour_band = self.rules.criteria.chromaticity_band(look.window.luminance.mean);
        let bands = [look.window.band, colour_band];
        let start = self.restarted_s.unwrap_or(now);
        let outlook = forecast::forecast(blocks, start, now, hold, bands);
        self.forecast = outlook.since(self.started_s);
        let latest = self.started_s + self.rules.criteria.max_wait_s;
        let out_of_reach = look.drifts
            && outlook.earliest > latest
            && elapsed >= (2.0 * hold).max(PATIENCE_S.min(20.0 * hold));
        let needed = look.last_length.max(1.0) * look.excess.powf(2.0 / 3.0);
        let hopeless = needed > HOPELESS * self.rules.longest;
        let too_noisy = !look.passes && !look.drifts && hopeless && elapsed >= 2.0 * hold;
        self.checks.out_of_reach = if out_of_reach { self.checks.out_of_reach.saturating_add(1) } else { 0 };
        self.checks.too_noisy = if too_noisy { self.checks.too_noisy.saturating_add(1) } else { 0 };
        self.despair(now)
    }

    fn despair(&mut self, now: f64) -> Option<Change> {
        let verdict = if self.checks.out_of_reach >= AGREEING.0 {
            Verdict::WontSettle
        } else if self.checks.too_noisy >= AGREEING.1 {
            Verdict::NoiseLimited
        } else {
            return None;
        };
        (self.verdict != Some(verdict)).then(|| self.announce(verdict, now))
    }
}

#[cfg(test)]
mod memory;
#[cfg(test)]
mod properties;
#[cfg(test)]
mod reference;
#[cfg(test)]
mod tests;
