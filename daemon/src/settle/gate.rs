//! The gate: sets outliers aside and finds steps, before they can spoil the evidence.

use settled_protocol::settling::Criteria;

use super::Observation;

/// Readings whose median is the level.
const LEVEL: usize = 9;
/// Readings kept: 31 successive differences.
const HISTORY: usize = 32;
/// No reading is suspect before this many were accepted.
const FEWEST: usize = 7;
/// Suspect beyond this many scales, and a band.
const SCALES: f64 = 6.0;
/// Fewer suspects in a row are outliers.
const IN_A_ROW: usize = 3;
/// Most suspects held back: reached only by more than ten readings a second.
const HELD: usize = 64;
/// Somebody walking past is over sooner than this, in s.
const PATIENCE_S: f64 = 5.0;

/// What the gate makes of a reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Passage {
    /// It belongs to the level; suspects before it, if any, were outliers.
    Normal,
    /// It is held back until it is known whether the level has changed.
    Held,
    /// The level has changed: the suspects, this one included, are the first readings of the new one.
    Step,
}

/// A Hampel identifier (Davies & Gather 1993, cited from memory) on luminance, u′ and v′, with a memory for suspects.
///
/// The scale is the larger of the median absolute deviation of the last nine readings and the median successive
/// difference of the last 32; one band is added so that quantised readings, whose scale may be zero, aren't suspect.
#[derive(Clone, Debug)]
pub(super) struct Gate {
    luminance: History,
    u: History,
    v: History,
    suspects: Vec<Observation>,
    patience_s: f64,
}

impl Gate {
    /// A gate that has seen nothing.
    pub(super) fn new(hold_s: f64) -> Self {
        Self {
            luminance: History::EMPTY,
            u: History::EMPTY,
            v: History::EMPTY,
            suspects: Vec::with_capacity(HELD),
            patience_s: PATIENCE_S.min(hold_s / 6.0),
        }
    }

    /// What to make of a reading; a suspect is kept.
    pub(super) fn judge(&mut self, observation: Observation, criteria: &Criteria) -> Passage {
        if !self.suspicious(&observation, criteria) {
            return Passage::Normal;
        }
        self.suspects.push(observation);
        let waited = self.suspects.first().map_or(0.0, |first| observation.t_s - first.t_s);
        let long = waited >= self.patience_s || self.suspects.len() >= HELD;
        if self.suspects.len() >= IN_A_ROW && long { Passage::Step } else { Passage::Held }
    }

    fn suspicious(&self, observation: &Observation, criteria: &Criteria) -> bool {
        let band = criteria.luminance_band(self.luminance.level());
        if self.luminance.is_far(observation.y, band) {
            return true;
        }
        let Some([u, v]) = observation.uv else { return false };
        let band = criteria.chromaticity_band(self.luminance.latest());
        self.u.is_far(u, band) || self.v.is_far(v, band)
    }

    /// Remembers an accepted reading.
    pub(super) fn accept(&mut self, observation: &Observation) {
        self.luminance.push(observation.y);
        if let Some([u, v]) = observation.uv {
            self.u.push(u);
            self.v.push(v);
        }
    }

    /// Drops the suspects. How many they were.
    pub(super) fn discard(&mut self) -> usize {
        let dropped = self.suspects.len();
        self.suspects.clear();
        dropped
    }

    /// The suspect at `index`, oldest first.
    pub(super) fn suspect(&self, index: usize) -> Option<Observation> {
        self.suspects.get(index).copied()
    }

    /// Forgets the level, not the suspects.
    pub(super) fn restart(&mut self) {
        self.luminance = History::EMPTY;
        self.u = History::EMPTY;
        self.v = History::EMPTY;
    }
}

/// The last accepted values of one channel.
#[derive(Clone, Copy, Debug)]
struct History {
    /// A ring: the latest is before `next`.
    values: [f64; HISTORY],
    next: usize,
    len: usize,
    /// The last [`LEVEL`] of them in order of size, so that the median is at hand.
    sorted: [f64; LEVEL],
}

impl History {
    const EMPTY: Self = Self { values: [0.0; HISTORY], next: 0, len: 0, sorted: [0.0; LEVEL] };

    fn push(&mut self, value: f64) {
        let known = self.len.min(LEVEL);
        let place = if known < LEVEL { known } else { self.place_of(self.back(LEVEL)) };
        self.put_in(value, place, (known + 1).min(LEVEL));
        if let Some(slot) = self.values.get_mut(self.next) {
            *slot = value;
        }
        self.next = (self.next + 1) % HISTORY;
        self.len = (self.len + 1).min(HISTORY);
    }

    /// The value `steps` back, 1 being the latest.
    fn back(&self, steps: usize) -> f64 {
        self.values.get((self.next + HISTORY - steps) % HISTORY).copied().unwrap_or_default()
    }

    /// Where a value is among the sorted ones.
    fn place_of(&self, value: f64) -> usize {
        self.sorted.iter().position(|other| other.to_bits() == value.to_bits()).unwrap_or_default()
    }

    /// Puts a value into a place of the sorted ones, and moves it to where it belongs among so many.
    fn put_in(&mut self, value: f64, place: usize, known: usize) {
        let sorted = self.sorted.get_mut(..known).unwrap_or_default();
        let Some(slot) = sorted.get_mut(place) else { return };
        *slot = value;
        let mut at = place;
        while at > 0 && sorted[at - 1] > sorted[at] {
            sorted.swap(at - 1, at);
            at -= 1;
        }
        while at + 1 < sorted.len() && sorted[at + 1] < sorted[at] {
            sorted.swap(at, at + 1);
            at += 1;
        }
    }

    /// The last values, latest first.
    fn recent(&self, count: usize) -> impl Iterator<Item = f64> {
        (1..=self.len.min(count)).map(|steps| self.back(steps))
    }

    fn latest(&self) -> f64 {
        self.recent(1).next().unwrap_or_default()
    }

    /// The median of the last [`LEVEL`].
    fn level(&self) -> f64 {
        middle(self.sorted.get(..self.len.min(LEVEL)).unwrap_or_default())
    }

    fn is_far(&self, value: f64, band: f64) -> bool {
        if self.len < FEWEST {
            return false;
        }
        let level = self.level();
        let off = (value - level).abs();
        // The scale is the larger of two: the cheaper one settles most cases.
        off > band
            && off > band + SCALES * self.deviation(level)
            && off > band + SCALES * self.usual_difference()
    }

    /// Robust standard deviation: 1.4826 times the median absolute deviation of the last [`LEVEL`].
    fn deviation(&self, level: f64) -> f64 {
        1.4826 * median(self.recent(LEVEL).map(|value| (value - level).abs()))
    }

    /// Another: the median absolute difference of all that is kept, over 0.954.
    fn usual_difference(&self) -> f64 {
        let pairs = self.recent(HISTORY).zip(self.recent(HISTORY).skip(1));
        median(pairs.map(|(later, value)| (later - value).abs())) / 0.954
    }
}

/// The median of at most [`HISTORY`] values, 0 of none.
fn median(values: impl Iterator<Item = f64>) -> f64 {
    let mut sorted = [0.0; HISTORY];
    let mut len = 0;
    for (slot, value) in sorted.iter_mut().zip(values) {
        *slot = value;
        len += 1;
    }
    let sorted = sorted.get_mut(..len).unwrap_or_default();
    sorted.sort_unstable_by(f64::total_cmp);
    middle(sorted)
}

/// The median of sorted values, 0 of none.
fn middle(sorted: &[f64]) -> f64 {
    let len = sorted.len();
    let upper = sorted.get(len / 2).copied().unwrap_or_default();
    if len % 2 == 1 {
        upper
    } else {
        f64::midpoint(upper, sorted.get((len / 2).wrapping_sub(1)).copied().unwrap_or(upper))
    }
}
