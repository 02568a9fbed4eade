//! One meter as it is watched: what the daemon says of it, its latest reading, its curve and what the engine makes of it.

use settled_protocol::meter::Meter;
use settled_protocol::reading::Reading;
use settled_protocol::settling::Criteria;
use settled_protocol::time::Timestamp;

use super::curve::Curve;
use super::judging::{Judging, Place};

/// A reading, and when it came.
#[derive(Clone, Debug)]
pub struct Latest {
    /// The reading.
    pub reading: Reading,
    /// When it was taken, on the clock of whoever watches, in s; nothing where that can't be told of one out of the log.
    pub seen_s: Option<f64>,
}

/// What has happened to a meter since its latest reading, so that this says nothing of what it would read now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Since {
    /// It was zeroed.
    Zeroed,
    /// Another instrument was attached.
    Replaced,
}

/// A meter, watched.
#[derive(Clone, Debug)]
pub struct Gauge {
    /// The meter as it was told last.
    pub meter: Meter,
    /// The latest reading of light.
    pub latest: Option<Latest>,
    /// Why that doesn't count any more, if it doesn't.
    pub since: Option<Since>,
    /// Whether this program asks for readings.
    pub measuring: bool,
    /// Why readings of it can't be asked for, if they were and can't.
    pub unmeasured: Option<String>,
    /// Why its readings can't be followed, if they can't.
    pub unfollowed: Option<String>,
    /// Its light.
    pub curve: Curve,
    /// What the engine makes of it.
    pub judging: Judging,
    /// The number of the last reading that was taken in.
    sequence: Option<u64>,
    /// The zeroing of which a reading was seen that came after it: all that come from then on do, whatever UTC says.
    passed: Option<Timestamp>,
}

impl Gauge {
    /// A meter of which nothing was seen yet.
    #[must_use]
    pub fn new(meter: Meter, criteria: Criteria) -> Self {
        Self {
            meter,
            latest: None,
            since: None,
            measuring: false,
            unmeasured: None,
            unfollowed: None,
            curve: Curve::default(),
            judging: Judging::new(criteria),
            sequence: None,
            passed: None,
        }
    }

    /// The number of the last reading that was taken in.
    #[must_use]
    pub fn sequence(&self) -> Option<u64> {
        self.sequence
    }

    /// Numbers begin anew: the daemon has another log, or none.
    pub fn forget_numbers(&mut self) {
        self.sequence = None;
    }

    /// Takes a reading, which may have been told before.
    pub fn take(&mut self, reading: Reading, seen_s: Option<f64>) {
        if self.sequence.is_some_and(|last| reading.sequence <= last) {
            return;
        }
        self.sequence = Some(reading.sequence);
        let is_former = self.is_former(&reading);
        let place = if is_former {
            self.judging.pass(&reading, &self.meter)
        } else {
            self.judging.take(&reading, &self.meter)
        };
        match place {
            Place::Dark => return,
            Place::Anew => self.curve.clear(),
            Place::Next => {}
        }
        self.curve.push(reading.t_s, reading.light.value());
        self.latest = Some(Latest { reading, seen_s });
        self.since = is_former.then_some(Since::Zeroed);
    }

    /// Whether a reading is of before the meter was zeroed, though it is told afterwards: the log is asked, and a line that was lost comes back,
    /// once the meter is known as it is now.
    fn is_former(&mut self, reading: &Reading) -> bool {
        let zeroed = self.meter.zero.as_ref().and_then(|zero| zero.at);
        let is_former = zeroed.is_some_and(|zeroed| reading.at < zeroed) && self.passed != zeroed;
        if !is_former {
            self.passed = zeroed;
        }
        is_former
    }

    /// Takes what the daemon says of the meter now.
    pub fn know(&mut self, meter: Meter) {
        let is_another = |one: &Meter, other: &Meter| {
            let identity = |meter: &Meter| {
                meter
                    .instrument
                    .as_ref()
                    .map(|instrument| (instrument.model.clone(), instrument.serial.clone()))
            };
            identity(one).zip(identity(other)).is_some_and(|(one, other)| one != other)
        };
        let zeroed = |meter: &Meter| meter.zero.as_ref().and_then(|zero| zero.at);
        let was_zeroed = zeroed(&meter).is_some() && zeroed(&meter) != zeroed(&self.meter);
        let is_another = is_another(&self.meter, &meter);
        if is_another || was_zeroed {
            let since = if is_another { Since::Replaced } else { Since::Zeroed };
            self.since = self.latest.as_ref().map(|_| since);
            let resolution = meter.instrument.as_ref().and_then(|instrument| instrument.resolution);
            let now_s = self.latest.as_ref().map_or(0.0, |latest| latest.reading.t_s);
            self.judging.anew(now_s, resolution);
        }
        self.meter = meter;
    }

    /// How old the latest reading is, in s.
    #[must_use]
    pub fn age_s(&self, now_s: f64) -> Option<f64> {
        let seen_s = self.latest.as_ref()?.seen_s?;
        Some((now_s - seen_s).max(0.0))
    }
}
