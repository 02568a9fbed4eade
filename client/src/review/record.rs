//! What was measured: a file of JSON lines that a review can be resumed from, and figures are made of.
//!
//! The first line is the [`Header`]; each other line is an [`Entry`]. A line is on disk before the next stimulus is shown, so that whatever ends a
//! review costs one stimulus at most. A last line that was cut off is dropped.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use settled_protocol::quantity::Chromaticity;
use settled_protocol::reading::Flag;
use settled_protocol::settling::{Estimate, Readings, Verdict};
use settled_protocol::time::Timestamp;

use super::figures::usable::unusable;
use super::patch::Patch;
use super::plan::{Plan, Set};
use crate::evaluate::measured::Measured;

pub mod attached;
pub mod reading;
pub mod shown;
pub mod writing;

use attached::Attached;
use shown::Shown;

/// The first line: what is measured, with what.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Header {
    /// Version of the file's form: 1.
    pub review: u32,
    /// The display, in the words of whoever measures it.
    pub display: String,
    /// Nobody named it: it goes by the file's name, and which display it is isn't known.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub unnamed: bool,
    /// The meter's id.
    pub meter: String,
    /// The instrument's serial number, where it tells one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub serial: Option<String>,
    /// The meter as the review began; absent in records that are older than that it is told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub attached: Option<Attached>,
    /// The instance of the log that sequence numbers belong to, where there is one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub log: Option<String>,
    /// UTC when it began.
    pub began: Timestamp,
    /// The plan, whole.
    pub plan: Plan,
    /// The smallest luminance that the instrument states it measures, in cd/m², where it states one: what is below that it vouches for as no more than that.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub least_cd_m2: Option<f64>,
    /// Relative standard uncertainty of the meter's luminance, where it was stated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub luminance_u: Option<f64>,
    /// Standard uncertainty of the meter's u′ and of its v′, where it was stated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub chromaticity_u: Option<f64>,
}

impl Header {
    /// Of a display, in somebody's words, that this meter looks at: nothing else is known of the two.
    #[must_use]
    pub fn of(display: impl Into<String>, meter: impl Into<String>, plan: Plan, began: Timestamp) -> Self {
        Self {
            review: reading::FORM,
            display: display.into(),
            unnamed: false,
            meter: meter.into(),
            serial: None,
            attached: None,
            log: None,
            began,
            plan,
            least_cd_m2: None,
            luminance_u: None,
            chromaticity_u: None,
        }
    }
}

/// Each other line.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "entry", rename_all = "snake_case")]
pub enum Entry {
    /// One patch, settled or not.
    Patch(Box<Measurement>),
    /// Light that was watched over time.
    Course(Course),
    /// How the stimuli after it were shown: before the first of each spell of measuring, and where it has changed.
    Shown(Shown),
    /// What is watched over time begins, so that whoever finds it cut off knows what the display has been driven by.
    Begun {
        /// UTC.
        at: Timestamp,
        /// The set's name.
        set: String,
        /// The sequence's name.
        sequence: String,
    },
    /// Something that whoever reads the figures should know: the review was resumed, the meter was away.
    Note {
        /// UTC.
        at: Timestamp,
        /// In words.
        words: String,
    },
}

impl Entry {
    /// UTC: of a patch when it had been measured, of a course its first point.
    #[must_use]
    pub fn at(&self) -> Timestamp {
        match self {
            Self::Patch(patch) => patch.at,
            Self::Course(course) => course.at,
            Self::Shown(shown) => shown.at,
            Self::Begun { at, .. } | Self::Note { at, .. } => *at,
        }
    }
}

/// Where an entry belongs in the plan.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Place {
    /// The set's name.
    pub set: String,
    /// The sequence's name.
    pub sequence: String,
    /// Which stimulus of the sequence, as the plan lists them (not as they were shown), from 0.
    pub step: usize,
}

/// One patch.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Measurement {
    /// Where it belongs.
    #[serde(flatten)]
    pub place: Place,
    /// What was shown.
    pub patch: Patch,
    /// Where the meter looked, as shares of the screen's width and height from its top left; the middle if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position: Option<[f64; 2]>,
    /// UTC when it had been measured.
    pub at: Timestamp,
    /// The same on the daemon's clock, where the log tells; absent in records that are older than that it is told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clock: Option<Clock>,
    /// From the stimulus to the verdict, in s of the daemon's clock.
    pub waited_s: f64,
    /// How the settling ended.
    pub verdict: Verdict,
    /// The value, where there was one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<Estimate>,
    /// The readings in the log that it rests on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub readings: Option<Readings>,
    /// The correction that its light went through, by its id; none if absent, or not told by a record that is older than that it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub correction: Option<String>,
    /// Cautions on any of them.
    pub flags: Vec<Flag>,
}

/// A moment on a daemon's clock, which nobody sets; that of a simulation may run faster than the wall's.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Clock {
    /// When the last reading had been taken, in s.
    pub t_s: f64,
    /// The boot, or the simulated clock, that it belongs to.
    pub boot: String,
}

/// Light that was watched over time.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Course {
    /// Where it belongs.
    #[serde(flatten)]
    pub place: Place,
    /// What was shown.
    pub patch: Patch,
    /// UTC of the first point.
    pub at: Timestamp,
    /// The readings, in the order of time.
    pub points: Vec<Point>,
    /// The readings in the log.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub readings: Option<Readings>,
    /// The correction that its light went through, by its id; none if absent, or not told by a record that is older than that it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub correction: Option<String>,
    /// Cautions on any of them.
    pub flags: Vec<Flag>,
}

/// One reading of a course.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Point {
    /// The middle of its exposure, in s since the first one began: as soon as the stimulus was said to be shown and the way's pause was over,
    /// so that it may have been there for that pause longer.
    pub t_s: f64,
    /// Luminance, in cd/m².
    pub luminance_cd_m2: f64,
    /// Chromaticity, where there was enough light for one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub chromaticity: Option<Chromaticity>,
}

/// A whole file.
#[derive(Clone, Debug, PartialEq)]
pub struct Record {
    /// The first line.
    pub header: Header,
    /// The others, in the order in which they were written.
    pub entries: Vec<Entry>,
}

impl Measurement {
    /// The light, where there is a value.
    #[must_use]
    pub fn light(&self) -> Option<Measured> {
        self.value.as_ref().map(Measured::of)
    }

    /// How far two are apart in s: by the daemon's clock where both are of one boot, else by UTC.
    #[must_use]
    pub fn apart_s(&self, other: &Self) -> f64 {
        match (&self.clock, &other.clock) {
            (Some(one), Some(other)) if one.boot == other.boot => (one.t_s - other.t_s).abs(),
            _ => self.at.unix_ns().abs_diff(other.at.unix_ns()) as f64 / 1e9,
        }
    }

    /// Whether this counts, and no longer what was measured of the same stimulus before: what figures may rest on isn't given up for what they may not.
    #[must_use]
    pub fn takes_the_place_of(&self, before: &Self) -> bool {
        unusable(self).is_none() || unusable(before).is_some()
    }
}

impl Record {
    /// How stimuli were shown, one after the other where that changed: what is the same as before is told once, however many spells of measuring
    /// there were.
    #[must_use]
    pub fn shown(&self) -> Vec<&Shown> {
        let mut told: Vec<&Shown> = Vec::new();
        for entry in &self.entries {
            let Entry::Shown(shown) = entry else { continue };
            if told.last().is_none_or(|last| last.means != shown.means) {
                told.push(shown);
            }
        }
        told
    }

    /// How often what a sequence watches was begun; 0 where it watches nothing, or the record is older than that this is told and nothing of
    /// it was measured.
    #[must_use]
    pub fn begun(&self, set: &str, sequence: &str) -> usize {
        let is_of = |place: &Place| place.set == set && place.sequence == sequence;
        let (mut times, mut is_seen) = (0, false);
        for entry in &self.entries {
            match entry {
                Entry::Begun { set: of, sequence: name, .. } => {
                    times += usize::from(of == set && name == sequence)
                }
                Entry::Patch(patch) => is_seen |= is_of(&patch.place),
                Entry::Course(course) => is_seen |= is_of(&course.place),
                Entry::Shown(_) | Entry::Note { .. } => {}
            }
        }
        times.max(usize::from(is_seen))
    }

    /// Where the meter looked last, as shares of the screen's width and height from its top left; the middle if absent, and for what is watched.
    #[must_use]
    pub fn position(&self) -> Option<[f64; 2]> {
        self.entries.iter().rev().find_map(|entry| match entry {
            Entry::Patch(patch) => Some(patch.position),
            Entry::Course(_) => Some(None),
            Entry::Shown(_) | Entry::Begun { .. } | Entry::Note { .. } => None,
        })?
    }

    /// The correction that light went through last, by its id: nothing in it stands for none. Nothing where nothing was measured.
    #[must_use]
    pub fn correction(&self) -> Option<Option<&str>> {
        self.entries.iter().rev().find_map(|entry| match entry {
            Entry::Patch(patch) => Some(patch.correction.as_deref()),
            Entry::Course(course) => Some(course.correction.as_deref()),
            Entry::Shown(_) | Entry::Begun { .. } | Entry::Note { .. } => None,
        })
    }

    /// The corrections that light went through, by their ids, each once in the order that they were; nothing stands for none. Of one set and
    /// sequence, or of all.
    #[must_use]
    pub fn corrections(&self, of: Option<(&str, &str)>) -> Vec<Option<&str>> {
        let mut found = Vec::new();
        for entry in &self.entries {
            let (place, correction) = match entry {
                Entry::Patch(patch) => (&patch.place, patch.correction.as_deref()),
                Entry::Course(course) => (&course.place, course.correction.as_deref()),
                Entry::Shown(_) | Entry::Begun { .. } | Entry::Note { .. } => continue,
            };
            let is_of = of.is_none_or(|(set, sequence)| place.set == set && place.sequence == sequence);
            if is_of && !found.contains(&correction) {
                found.push(correction);
            }
        }
        found
    }

    /// The patches of a sequence that count, by step. Of one that was measured again it is the last that figures may rest on, or the last where none is; of a part of a procedure,
    /// which is begun anew as a whole, the last whatever it is.
    #[must_use]
    pub fn patches(&self, set: &Set, sequence: &str) -> Vec<&Measurement> {
        let is_procedure = set.sequences.iter().any(|of| of.name == sequence && of.is_procedure());
        let mut found: BTreeMap<usize, &Measurement> = BTreeMap::new();
        for entry in &self.entries {
            let Entry::Patch(patch) = entry else { continue };
            if patch.place.set != set.name || patch.place.sequence != sequence {
                continue;
            }
            let before = found.get(&patch.place.step);
            if is_procedure || before.is_none_or(|before| patch.takes_the_place_of(before)) {
                found.insert(patch.place.step, patch);
            }
        }
        found.into_values().collect()
    }

    /// The courses of a sequence, by step; of one that was watched again, the last.
    #[must_use]
    pub fn courses(&self, set: &Set, sequence: &str) -> Vec<&Course> {
        let mut found: Vec<&Course> = Vec::new();
        for entry in &self.entries {
            let Entry::Course(course) = entry else { continue };
            if course.place.set == set.name && course.place.sequence == sequence {
                found.retain(|other| other.place.step != course.place.step);
                found.push(course);
            }
        }
        found.sort_by_key(|course| course.place.step);
        found
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::review::evaluation::tests::of_plan;

    const TEXT: &str = "title = \"T\"\n[[set]]\nname = \"SDR\"\ntransfer = \"srgb\"\nprimaries = \"bt709\"\n\
        [[set.sequence]]\nkind = \"grey\"\nsteps = 3\n[[set.sequence]]\nkind = \"retention\"\n";

    /// The first of a sequence, settled and then once more without a value: whether there is still one.
    fn has_value(sequence: &str) -> bool {
        let mut record = of_plan(Plan::read(Path::new("p"), TEXT).unwrap());
        let set = record.header.plan.sets[0].clone();
        let mut anew = record.patches(&set, sequence)[0].clone();
        anew.value = None;
        record.entries.push(Entry::Patch(Box::new(anew)));
        record.patches(&set, sequence)[0].value.is_some()
    }

    #[test]
    fn of_a_stimulus_the_last_with_a_value_counts_and_of_a_procedure_that_is_begun_anew_the_last() {
        assert_eq!([has_value("grey"), has_value("retention")], [true, false]);
    }
}
