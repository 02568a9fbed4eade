//! A record evaluated: the figures of every sequence, and the verdicts of all.

use schemars::JsonSchema;
use serde::Serialize;
use settled_protocol::reading::Flag;
use settled_protocol::time::Timestamp;

use super::expand;
use super::figures::part::{Needs, Part};
use super::figures::usable::{black, bound, doubt, is_below_range, unvouched, usable};
use super::figures::{Finding, Scene, Standing};
use super::patch::{Coding, Patch};
use super::plan::{Sequence, Set, What};
use super::record::shown::Shown;
use super::record::{Entry, Header, Measurement, Record};
use crate::evaluate::aim::{Aim, Transfer};
use crate::evaluate::draws::{Calibration, Draws};
use crate::show;

mod again;
mod history;
mod unsettled;

pub use unsettled::Unsettled;

/// The version of the evaluation's form in JSON.
pub const FORM: u32 = 1;

/// What a review comes to.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct Evaluation {
    /// [`FORM`].
    pub evaluation: u32,
    /// The plan's title.
    pub title: String,
    /// The display, in the words of whoever measured it.
    pub display: String,
    /// The meter's id.
    pub meter: String,
    /// UTC when it began.
    pub began: Timestamp,
    /// UTC of the last entry; absent where nothing has been measured.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ended: Option<Timestamp>,
    /// What was stated of the meter's calibration.
    pub calibration: Stated,
    /// The ids of the meter's corrections that light went through, each once; `none` where it went through none. Absent where the record doesn't tell.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub corrections: Option<Vec<String>>,
    /// Cautions on any reading, simulated ones first.
    pub flags: Vec<Flag>,
    /// How stimuli were shown, one after the other where that changed; none where the record is older than that it says so.
    pub shown: Vec<Shown>,
    /// What was noted while it was measured.
    pub notes: Vec<Noted>,
    /// Every verdict, in the order of the plan.
    pub findings: Vec<Placed>,
    /// The figures, set by set.
    pub sets: Vec<Evaluated>,
}

/// What was stated of a meter's calibration. Where nothing was, intervals are repeatability alone.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, JsonSchema)]
pub struct Stated {
    /// Relative standard uncertainty of luminance.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub luminance_u: Option<f64>,
    /// Standard uncertainty of u′, and of v′.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub chromaticity_u: Option<f64>,
}

impl Stated {
    /// What of the meter is in an interval, in words.
    #[must_use]
    pub fn words(&self) -> String {
        let luminance = self.luminance_u.map(|u| format!("{} % of luminance", show::number(100.0 * u)));
        let colour = self.chromaticity_u.map(|u| format!("{} of u′ and v′", show::number(u)));
        let parts: Vec<String> = luminance.into_iter().chain(colour).collect();
        if parts.is_empty() {
            return "repeatability alone, as the meter's calibration was not stated".to_owned();
        }
        let words = format!(
            "repeatability and the meter's calibration, standard uncertainty {}",
            parts.join(" and ")
        );
        match self {
            Self { luminance_u: None, .. } => format!("{words}; of luminance none was stated"),
            Self { chromaticity_u: None, .. } => format!("{words}; of colour none was stated"),
            Self { .. } => words,
        }
    }
}

/// Something that was noted while it was measured.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Noted {
    /// UTC.
    pub at: Timestamp,
    /// In words.
    pub words: String,
}

/// A verdict and where it belongs.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Placed {
    /// The set's name.
    pub set: String,
    /// The sequence's name.
    pub sequence: String,
    /// The verdict.
    #[serde(flatten)]
    pub finding: Finding,
    /// Whether it needs the meter's calibration, and none was stated: within and beyond are then by repeatability alone, and the words say so.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub repeatability_alone: bool,
}

/// One set.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct Evaluated {
    /// Its name.
    pub name: String,
    /// What the display is meant to do.
    pub aim: Aim,
    /// How signals are written as code values.
    pub coding: Coding,
    /// Its sequences, in the order of the plan.
    pub sequences: Vec<Sequenced>,
}

/// One sequence.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct Sequenced {
    /// Its name.
    pub name: String,
    /// How many stimuli it has.
    pub planned: usize,
    /// How many of them have been measured.
    pub measured: usize,
    /// Patches that did not settle.
    pub unsettled: Vec<Unsettled>,
    /// Whether they are parts of one procedure, of which none is measured anew by itself.
    #[serde(skip)]
    pub is_procedure: bool,
    /// What whoever reads the figures should know, in words: a white that was shown otherwise, readings that count for nothing.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub cautions: Vec<String>,
    /// Its figures: more than one kind of them where it tells of more than one thing; none where too little was measured.
    pub figures: Vec<Part>,
}

impl Evaluation {
    /// Of a record, with what it states of its meter's calibration.
    #[must_use]
    pub fn of(record: &Record) -> Self {
        Self::with(record, calibration(&record.header))
    }

    /// The same with another calibration: with none, intervals are repeatability alone, as where two reviews by the same meter are compared.
    #[must_use]
    pub fn with(record: &Record, calibration: Calibration) -> Self {
        let header = &record.header;
        let mut findings = Vec::new();
        let evaluated = |set: &Set| evaluated(record, set, calibration, &mut findings);
        let sets = header.plan.sets.iter().map(evaluated).collect();
        Self {
            evaluation: FORM,
            title: header.plan.title.clone(),
            display: header.display.clone(),
            meter: header.meter.clone(),
            began: header.began,
            ended: record.entries.iter().map(Entry::at).max(),
            calibration: Stated { luminance_u: header.luminance_u, chromaticity_u: header.chromaticity_u },
            corrections: history::corrections(record),
            flags: history::flags(record),
            shown: record.shown().into_iter().cloned().collect(),
            notes: notes(record),
            findings,
            sets,
        }
    }

    /// How many verdicts there are of a standing.
    #[must_use]
    pub fn count(&self, standing: Standing) -> usize {
        self.findings.iter().filter(|placed| placed.finding.standing == standing).count()
    }

    /// How many stimuli have been measured, and how many there are.
    #[must_use]
    pub fn progress(&self) -> (usize, usize) {
        let sequences = || self.sets.iter().flat_map(|set| &set.sequences);
        let sum = |of: fn(&Sequenced) -> usize| sequences().map(of).sum();
        (sum(|sequence| sequence.measured), sum(|sequence| sequence.planned))
    }

    /// Only the set of this name; nothing where there is none.
    #[must_use]
    pub fn only(mut self, set: &str) -> Option<Self> {
        self.sets.retain(|evaluated| evaluated.name == set);
        self.findings.retain(|placed| placed.set == set);
        (!self.sets.is_empty()).then_some(self)
    }
}

/// What a header states of its meter's calibration: nothing stated counts as nothing left open.
#[must_use]
pub fn calibration(header: &Header) -> Calibration {
    Calibration {
        luminance_u: header.luminance_u.unwrap_or_default(),
        chromaticity_u: header.chromaticity_u.unwrap_or_default(),
    }
}

fn evaluated(record: &Record, set: &Set, calibration: Calibration, findings: &mut Vec<Placed>) -> Evaluated {
    let scene = scene(record, set, calibration);
    let sequences = set.sequences.iter().map(|sequence| {
        let figures = Part::of(&scene_of(record, set, sequence, &scene), record, set, sequence);
        for part in &figures {
            findings.extend(part.verdicts().into_iter().map(|finding| {
                let repeatability_alone = is_alone(part, &finding, set.aim.transfer, &record.header);
                placed(set, sequence, finding, repeatability_alone)
            }));
        }
        let patches = record.patches(set, &sequence.name);
        Sequenced {
            name: sequence.name.clone(),
            planned: expand::steps(set, sequence).len(),
            measured: patches.len() + record.courses(set, &sequence.name).len(),
            unsettled: patches.into_iter().filter_map(Unsettled::of).collect(),
            is_procedure: sequence.is_procedure(),
            cautions: cautions(record, set, sequence),
            figures,
        }
    });
    let sequences = sequences.collect();
    Evaluated { name: set.name.clone(), aim: set.aim, coding: set.coding, sequences }
}

/// Whether a verdict needs a calibration that wasn't stated.
fn is_alone(part: &Part, finding: &Finding, transfer: Transfer, header: &Header) -> bool {
    match part.needs(finding, transfer) {
        Some(Needs::Colour) => header.chromaticity_u.is_none(),
        Some(Needs::Luminance) => header.luminance_u.is_none(),
        Some(Needs::Both) => header.chromaticity_u.is_none() || header.luminance_u.is_none(),
        None => false,
    }
}

/// A verdict in its place: one that rests on repeatability alone says so.
fn placed(set: &Set, sequence: &Sequence, mut finding: Finding, repeatability_alone: bool) -> Placed {
    if repeatability_alone && matches!(finding.standing, Standing::Within | Standing::Beyond) {
        let (words, dot) = match finding.words.strip_suffix('.') {
            Some(words) => (words, "."),
            None => (finding.words.as_str(), ""),
        };
        finding.words = format!("{words}, by repeatability alone{dot}");
    }
    Placed { set: set.name.clone(), sequence: sequence.name.clone(), finding, repeatability_alone }
}

/// What all sequences of a set are held against, unless white and black were measured as they are shown themselves: [`scene_of`].
#[must_use]
pub fn scene(record: &Record, set: &Set, calibration: Calibration) -> Scene {
    let dark = grey(record, set, 0.0);
    Scene {
        aim: set.aim,
        coding: set.coding,
        white: grey(record, set, 1.0).and_then(usable),
        black: dark.and_then(|patch| black(patch, record.header.least_cd_m2)),
        black_below_range: dark.is_some_and(is_below_range),
        least_cd_m2: record.header.least_cd_m2,
        draws: Draws::new(calibration).of_primaries(set.aim.rgb_to_xyz()),
    }
}

/// What a sequence of a set is held against: white and black that are shown in the same window before the same background, where such were measured,
/// and else those of the `whole` set.
#[must_use]
pub fn scene_of(record: &Record, set: &Set, sequence: &Sequence, whole: &Scene) -> Scene {
    let alike = |signal: f64| shown(record, set, signal, |patch| is_alike(patch, set, sequence));
    let dark = alike(0.0);
    Scene {
        white: alike(1.0).and_then(usable).or(whole.white),
        black: dark.map_or(whole.black, |patch| black(patch, whole.least_cd_m2)),
        black_below_range: dark.map_or(whole.black_below_range, is_below_range),
        ..whole.clone()
    }
}

/// The grey of this signal as it was measured: where there is no white and black of its own, in whatever else shows it. White that the meter doesn't vouch for
/// counts for none; black that is below its range does, as a bound.
pub(super) fn grey<'a>(record: &'a Record, set: &Set, signal: f64) -> Option<&'a Measurement> {
    shown(record, set, signal, |_| true)
}

fn shown<'a>(
    record: &'a Record,
    set: &Set,
    signal: f64,
    counts: impl Fn(&Patch) -> bool,
) -> Option<&'a Measurement> {
    let ranks: [fn(&What) -> bool; 2] = [
        |what| matches!(what, What::WhiteBlack),
        |what| {
            use What::{Chart, Grey, NearBlack, Primaries, Saturation};
            matches!(what, Grey { .. } | NearBlack { .. } | Primaries | Saturation { .. } | Chart { .. })
        },
    ];
    let code = set.coding.code(signal);
    let has_light = |patch: &Measurement| match signal {
        lit if lit > 0.0 => usable(patch).is_some(),
        _ => bound(patch).is_some(),
    };
    let found = |is_of: fn(&What) -> bool| {
        let sequences = set.sequences.iter().filter(|sequence| is_of(&sequence.what));
        let patches = sequences.flat_map(|sequence| record.patches(set, &sequence.name));
        patches
            .into_iter()
            .find(|patch| patch.patch.codes == [code; 3] && counts(&patch.patch) && has_light(patch))
    };
    ranks.into_iter().find_map(found)
}

/// Whether a patch is shown as those of a sequence are.
fn is_alike(patch: &Patch, set: &Set, sequence: &Sequence) -> bool {
    let background = [set.coding.code(sequence.background); 3];
    (patch.window_percent - sequence.window_percent).abs() < 1e-9 && patch.background == background
}

/// What whoever reads a sequence's figures should know.
fn cautions(record: &Record, set: &Set, sequence: &Sequence) -> Vec<String> {
    let courses = record.courses(set, &sequence.name);
    let unvouched = courses.iter().filter_map(|course| {
        let why = unvouched(course, &sequence.what)?;
        Some(format!("{} counts for nothing: {why} in some of its readings", course.patch.name))
    });
    let doubtful = courses.iter().filter_map(|course| doubt(course, &sequence.what));
    unvouched
        .chain(doubtful)
        .chain(elsewhere(record, set, sequence))
        .chain(history::cautions(record, set, sequence))
        .chain(again::moved(record, set, sequence))
        .collect()
}

/// Which white a sequence is held against where none was measured as its patches are shown.
fn elsewhere(record: &Record, set: &Set, sequence: &Sequence) -> Option<String> {
    let is_relative = set.aim.transfer != Transfer::Pq;
    let is_held = matches!(
        sequence.what,
        What::Primaries | What::Saturation { .. } | What::Chart { .. } | What::NearBlack { .. }
    );
    if !is_relative || !is_held || record.patches(set, &sequence.name).is_empty() {
        return None;
    }
    let white = &grey(record, set, 1.0)?.patch;
    let alike = shown(record, set, 1.0, |patch| is_alike(patch, set, sequence));
    let percent = |background: [u16; 3]| 100.0 * set.coding.signal(background[0]);
    alike.is_none().then(|| {
        format!(
            "held against a white on {} % of the screen before {:.0} % of signal, where these are on {} % before {:.0} %: \
             a display that dims what is large may show another white there",
            white.window_percent,
            percent(white.background),
            sequence.window_percent,
            100.0 * sequence.background
        )
    })
}

fn notes(record: &Record) -> Vec<Noted> {
    let noted = |entry: &Entry| match entry {
        Entry::Note { at, words } => Some(Noted { at: *at, words: words.clone() }),
        _ => None,
    };
    record.entries.iter().filter_map(noted).collect()
}

#[cfg(test)]
pub(crate) mod tests;
