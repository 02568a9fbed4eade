//! The settling engine: has the light settled, and how sure is that?
//!
//! Pure: readings and their times go in, verdicts come out. It reads no clock, does no I/O, writes no log and cannot fail.
//! The same criteria and the same readings always give the same verdicts.
//!
//! | module | idea |
//! |---|---|
//! | `gate` | outliers are set aside, steps are found |
//! | `aside` | too many of them are no outliers |
//! | `track` | the readings of the longest window, in bounded memory |
//! | `sums` | what a line is made of, kept so that any window costs the same |
//! | `line` | least squares under noise that is alike from reading to reading |
//! | `look` | the shortest window on which every test passes |
//! | `watch` | while settled: is it still |
//! | `checkpoint`, `blocks`, `approach`, `forecast` | while unsettled: when will it settle |
//! | `bend`, `swing`, `steady` | is it about to turn, does it swing, does it drift steadily |
//! | `step` | the steps of the meter's scale |
//! | `standing` | how it stands, as evidence |
//! | `student` | quantiles, tabulated |
//! | [`judge`] | who decides: the engine, or a published rule |
//! | `published` | published rules, as they are worded |
//! | [`mover`] | is it the display that moves, or the meter? |
//! | [`scale`] | what readings must share to compare |
//! | [`digits`] | numbers in words |
//! | [`sentence`](mod@sentence) | the verdict in plain words |
//!
//! Memory of one request: 72,704 bytes of readings and under 10,240 of everything else (6,400 more for the quantiles of an unusual
//! confidence), allocated at the start; after that only a change of verdict and [`Engine::standing`] allocate, for the list of failing tests.

mod approach;
mod aside;
mod bend;
mod blocks;
mod checkpoint;
pub mod digits;
mod expected;
mod forecast;
mod gate;
pub mod judge;
mod line;
mod look;
pub mod mover;
mod published;
pub mod scale;
pub mod sentence;
mod standing;
mod steady;
mod step;
pub(crate) mod student;
mod sums;
mod swing;
mod track;
mod watch;

use settled_protocol::settling::{Criteria, Estimate, Evidence, Forecast, Verdict};

use aside::Aside;
use blocks::Blocks;
use checkpoint::Checks;
use gate::{Gate, Passage};
use look::{FEWEST, Look, Readings, Rules};
use step::Steps;
use track::Track;
use watch::Baseline;

pub(crate) use expected::left_s as expected_left_s;
pub use expected::{UNFORESEEN, counted_down, expected, is_telling};
pub use forecast::Limit;
pub use judge::Judge;
pub use sentence::sentence;
pub use standing::Standing;

/// Looks at the evidence while a window passes by: before it is settled, and while it is.
const LOOKS: (usize, usize) = (32, 10);
/// Readings more alike than this from one to the next owe most of their interval to that: (1+ρ)/(1−ρ) is 5.7.
const ALIKE: f64 = 0.7;
/// A silence longer than a hold and this many intervals is a gap.
const SILENT: f64 = 5.0;
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

/// Decides when one request's light has settled.
#[derive(Clone, Debug)]
pub struct Engine {
    rules: Rules,
    steps_of_scale: Steps,
    started_s: f64,
    gate: Gate,
    aside: Aside,
    luminance: Track<1>,
    colour: Track<2>,
    blocks: Blocks,
    restarted_s: Option<f64>,
    latest: Option<(f64, f64)>,
    /// From the reading before to the latest, in s.
    interval: Option<f64>,
    until_look: usize,
    look: Option<Look>,
    turning: bool,
    settled: Option<Baseline>,
    verdict: Option<Verdict>,
    checks: Checks,
    forecast: Option<Forecast>,
    limit: Option<Limit>,
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
            steps_of_scale: Steps::new(resolution),
            started_s,
            gate: Gate::new(criteria.hold_s),
            aside: Aside::NONE,
            luminance: Track::new(rules.longest),
            colour: Track::new(rules.longest),
            rules,
            blocks: Blocks::new(),
            restarted_s: None,
            latest: None,
            interval: None,
            until_look: 0,
            look: None,
            turning: false,
            settled: None,
            verdict: None,
            checks: Checks::default(),
            forecast: None,
            limit: None,
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
        if self.was_silent(observation.t_s) {
            self.outliers += self.gate.discard();
            self.restart(0);
        }
        self.steps_of_scale.see(&observation);
        self.interval = self.latest.map(|(latest, _)| observation.t_s - latest);
        self.latest = Some((observation.t_s, observation.y));
        let stale = self.stale_after.take().is_some_and(|end| observation.t_s > end);
        let lost = if stale { self.lose(observation.t_s) } else { None };
        match self.gate.judge(observation, &self.rules.criteria) {
            Passage::Held => lost,
            Passage::Step => self.step(observation.t_s).or(lost),
            Passage::Normal => {
                let dropped = self.gate.discard();
                self.outliers += dropped;
                self.aside.note(observation.t_s, dropped);
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

    /// Where luminance goes, as of the last forecast, for pictures: an extrapolation, which no verdict rests on.
    #[must_use]
    pub fn limit(&self) -> Option<Limit> {
        self.limit
    }

    /// How much evidence noise alone asks for, in s, where it is noise and not drift that keeps the light from settling: noise that
    /// longer exposures help against, not a bend, nor a wander.
    #[must_use]
    pub fn noise_wait_s(&self) -> Option<f64> {
        let look = self.look.filter(|look| !look.passes && !look.drifts)?;
        let fresh = look.window.luminance.alike < ALIKE;
        Some(look.least_s).filter(|least_s| fresh && *least_s > look.last_length)
    }

    /// The last verdict that still holds.
    #[must_use]
    pub fn verdict(&self) -> Option<Verdict> {
        self.verdict
    }

    /// Time of the last reading taken, in s on the boot clock.
    #[must_use]
    pub fn latest_s(&self) -> Option<f64> {
        self.latest.map(|(t_s, _)| t_s)
    }

    /// Whether readings have been missing for so long that what was known says little of what is now. The evidence is then
    /// gathered anew; a settled level stands until the new evidence speaks against it.
    fn was_silent(&self, now: f64) -> bool {
        let Some((latest, _)) = self.latest else { return false };
        let silence = now - latest;
        silence > self.rules.criteria.hold_s && self.interval.is_some_and(|usual| silence > SILENT * usual)
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
            self.aside = Aside::NONE;
            self.gate.restart();
            self.steps_of_scale.restart();
        }
        self.restarted_s = self.luminance.first_s();
        self.blocks.clear();
        self.checks = Checks::default();
        self.until_look = 0;
        self.look = None;
        self.turning = false;
        (self.forecast, self.limit) = (None, None);
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
            steps: self.steps_of_scale,
        };
        let look = Look::at(&self.rules, &readings)?;
        self.turning = look.passes
            && self.settled.is_none()
            && (look.window.turning(&self.rules, &readings)
                || look.window.swings(&self.rules, &readings)
                || look.window.is_part_of_a_drift(&self.rules, &readings)
                || self.aside.jumps(&readings, last - look.window.length));
        let looks = if self.settled.is_some() { LOOKS.1 } else { LOOKS.0 };
        self.until_look = (look.last_entries / looks).max(1);
        self.look = Some(look);
        let settled = look.passes && !self.turning && !self.too_early(now);
        if let Some(baseline) = self.settled {
            if self.aside.jumps(&readings, last - self.rules.shortest) {
                return self.lose(now);
            }
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
}

#[cfg(test)]
mod memory;
#[cfg(test)]
mod properties;
#[cfg(test)]
mod reference;
#[cfg(test)]
mod tests;
