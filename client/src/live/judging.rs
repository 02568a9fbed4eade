//! The daemon's engine over what is seen of one meter: has the light settled, by the readings that others cause.
//!
//! It goes on for as long as it is watched, so that a verdict can come, be lost and come again.

use settled::settle::mover::{Darks, WarmUp, moves};
use settled::settle::scale::Scale;
use settled::settle::{Judge, Limit, Observation, Standing, sentence};
use settled_protocol::meter::Meter;
use settled_protocol::quantity::Photometric;
use settled_protocol::reading::{Flag, Reading};
use settled_protocol::settling::{Criteria, Evidence, Test, Verdict};

/// Changes of verdict that are kept for the picture: more don't fit.
const CHANGES: usize = 64;

/// A silence longer than a hold and this many intervals is a gap: as the engine has it.
const SILENT: f64 = 5.0;

/// How a reading stands to those before it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    /// It goes on from them.
    Next,
    /// Nothing before it compares with it.
    Anew,
    /// It was taken with the aperture covered, and is no light.
    Dark,
}

/// A judge, and what it needs to know of the meter.
#[derive(Clone, Debug)]
pub struct Judging {
    criteria: Criteria,
    judge: Option<Box<Judge>>,
    scale: Option<Scale>,
    standing: Option<Standing>,
    /// When the light began that it judges: after the last step, say. Boot clock, in s.
    since_s: f64,
    /// When readings began after the last silence. Boot clock, in s.
    stretch_s: f64,
    /// From the reading before to the latest, in s.
    interval_s: Option<f64>,
    /// When the first reading began that this judge was given. Boot clock, in s.
    started_s: f64,
    last_s: f64,
    steps: usize,
    darks: Darks,
    warm_up: WarmUp,
    changes: Vec<(f64, Verdict)>,
}

impl Judging {
    /// Nothing seen yet.
    #[must_use]
    pub fn new(criteria: Criteria) -> Self {
        Self {
            criteria,
            judge: None,
            scale: None,
            standing: None,
            since_s: f64::NEG_INFINITY,
            stretch_s: f64::NEG_INFINITY,
            interval_s: None,
            started_s: 0.0,
            last_s: f64::NEG_INFINITY,
            steps: 0,
            darks: Darks::default(),
            warm_up: WarmUp::Unknown,
            changes: Vec::new(),
        }
    }

    /// What was seen before `now_s` counts no more: the meter was zeroed, say.
    pub fn anew(&mut self, now_s: f64, resolution: Option<f64>) {
        if let Some(judge) = &mut self.judge {
            judge.anew(now_s, resolution);
            (self.since_s, self.steps, self.standing) = (now_s, 0, None);
        }
    }

    /// Readings may be missing here: what was known is no evidence of what comes, as the engine has it.
    pub fn gap(&mut self) {
        if let Some(judge) = &mut self.judge {
            judge.gap();
        }
    }

    /// Takes a reading of the meter.
    pub fn take(&mut self, reading: &Reading, meter: &Meter) -> Place {
        let (t_s, y) = (reading.t_s, reading.light.value());
        if reading.flags.contains(&Flag::Dark) {
            self.darks.push(t_s, y);
            return Place::Dark;
        }
        let place = self.place(reading, meter);
        self.look_for_silence(reading);
        self.warm_up = warm_up(reading, meter);
        let uv = reading.light.chromaticity().map(|colour| [colour.u_prime(), colour.v_prime()]);
        if self.standing.is_none() {
            self.since_s = reading.began_s;
        }
        if self.judge.is_none() {
            self.started_s = reading.began_s;
        }
        let (resolution, started_s) = (resolution(meter), self.started_s);
        let judge =
            self.judge.get_or_insert_with(|| Box::new(Judge::new(self.criteria, resolution, started_s)));
        let change = judge.push(Observation { t_s, integration_s: reading.integration_s, y, uv });
        let standing = judge.standing();
        let steps = standing.evidence.steps;
        if steps > self.steps {
            self.since_s = t_s - standing.evidence.window_s - reading.integration_s.unwrap_or(0.0);
        }
        (self.steps, self.last_s, self.standing) = (steps, t_s, Some(standing));
        // A meter in its own warm-up can't vouch for anything.
        if let Some(change) = change.filter(|_| self.warm_up != WarmUp::Going) {
            if self.changes.len() >= CHANGES {
                self.changes.remove(0);
            }
            self.changes.push((change.t_s, change.verdict));
        }
        place
    }

    /// Takes a reading that is no evidence of what the meter would read now, as it was zeroed since: it is on the curve, and judged by nobody.
    pub fn pass(&mut self, reading: &Reading, meter: &Meter) -> Place {
        if reading.flags.contains(&Flag::Dark) {
            return Place::Dark;
        }
        let place = self.place(reading, meter);
        self.look_for_silence(reading);
        self.last_s = reading.t_s;
        place
    }

    /// After a long silence the evidence is gathered anew, as the engine has it, and so is the picture.
    fn look_for_silence(&mut self, reading: &Reading) {
        let silence_s = reading.t_s - self.last_s;
        let usual_s = self.interval_s.replace(silence_s).filter(|usual_s| usual_s.is_finite());
        if usual_s.is_some_and(|usual_s| silence_s > self.criteria.hold_s && silence_s > SILENT * usual_s) {
            (self.stretch_s, self.since_s) = (reading.began_s, reading.began_s);
        }
    }

    /// Whether a reading compares with those before; where it doesn't, they are forgotten.
    fn place(&mut self, reading: &Reading, meter: &Meter) -> Place {
        let scale = Scale::of(reading);
        match self.scale.replace(scale.clone()) {
            Some(before) if before == scale => Place::Next,
            // The same light, told on another scale: as the daemon has it.
            Some(before) if before.is_corrected_otherwise(&scale) => {
                self.anew(reading.began_s, resolution(meter));
                Place::Anew
            }
            before => {
                (self.judge, self.standing, self.steps) = (None, None, 0);
                (self.since_s, self.started_s) = (reading.began_s, reading.began_s);
                (self.stretch_s, self.interval_s) = (reading.began_s, None);
                self.last_s = f64::NEG_INFINITY;
                self.darks = Darks::default();
                self.changes.clear();
                if before.is_some() { Place::Anew } else { Place::Next }
            }
        }
    }

    /// How it stands; nothing before there is a reading.
    #[must_use]
    pub fn standing(&self) -> Option<Standing> {
        let mut standing = self.standing.clone()?;
        let Evidence { moves: who, failing, .. } = &mut standing.evidence;
        if self.warm_up == WarmUp::Going {
            failing.push(Test::MeterWarmUp);
            standing.verdict = None;
        }
        *who = None;
        if standing.verdict != Some(Verdict::Settled) {
            let (value, hold_s) = (standing.value.as_ref(), self.criteria.hold_s);
            let moves = moves(&standing.evidence, value, hold_s, self.last_s, &self.darks, self.warm_up);
            standing.evidence.moves = moves;
        }
        Some(standing)
    }

    /// The verdict in a sentence.
    #[must_use]
    pub fn sentence(&self, verdict: Verdict, standing: &Standing) -> String {
        let unit = self.photometric().unit();
        sentence(verdict, &standing.evidence, standing.value.as_ref(), &self.criteria, unit)
    }

    /// What the light is.
    #[must_use]
    pub fn photometric(&self) -> Photometric {
        self.scale.as_ref().map_or(Photometric::Luminance, Scale::photometric)
    }

    /// Where the light goes, while it hasn't settled and that can be told.
    #[must_use]
    pub fn limit(&self) -> Option<Limit> {
        self.judge.as_ref()?.limit()
    }

    /// What is called settled.
    #[must_use]
    pub fn criteria(&self) -> &Criteria {
        &self.criteria
    }

    /// When the light began that is judged, on the boot clock in s: readings from before are other light, or on another scale.
    #[must_use]
    pub fn since_s(&self) -> f64 {
        self.since_s
    }

    /// When readings began after the last silence, on the boot clock in s.
    #[must_use]
    pub fn stretch_s(&self) -> f64 {
        self.stretch_s
    }

    /// From the beginning that a forecast counts from to the latest reading, in s.
    #[must_use]
    pub fn waited_s(&self) -> f64 {
        (self.last_s - self.started_s).max(0.0)
    }

    /// Changes of verdict, when and to what.
    #[must_use]
    pub fn changes(&self) -> &[(f64, Verdict)] {
        &self.changes
    }
}

fn resolution(meter: &Meter) -> Option<f64> {
    meter.instrument.as_ref().and_then(|instrument| instrument.resolution)
}

fn warm_up(reading: &Reading, meter: &Meter) -> WarmUp {
    if reading.flags.contains(&Flag::MeterWarming) {
        WarmUp::Going
    } else if meter.warm_up.is_some() {
        WarmUp::Over
    } else {
        WarmUp::Unknown
    }
}

#[cfg(test)]
mod tests;
