//! Two reviews side by side: two displays, or one before and after.
//!
//! Figures are compared by set, sequence and subject. The interval of a difference is made of the two figures' own, as of independent measurements
//! (method of variance estimates recovery: Zou and Donner, Statistics in Medicine 27, 2008, 1693–1702, from memory). What a calibration of one
//! meter leaves open is in both reviews alike and is left out where the same meter measured the same display twice: on two displays a filter meter is off by
//! different amounts, as their spectra differ; and on another scale where it was corrected otherwise. Where it counts and wasn't stated, nothing that rests on it is called better or worse.
//!
//! Intervals are those of 95 % that figures have by themselves: what is judged together with others within its review has a wider one there, which holds all of
//! them at once and would count twice here.
//!
//! Of fifty differences, each judged at 95 %, some would be called real by chance. That one is real is therefore said where an interval holds it that is
//! wider: such that with 95 % confidence no difference of the whole comparison is called real that is none (Bonferroni; of normal distributions).

use schemars::JsonSchema;
use serde::Serialize;
use settled_protocol::reading::Flag;

use super::evaluation::{Evaluation, Placed, Stated};
use super::figures::Standing;
use super::record::Record;
use crate::evaluate::draws::Calibration;
use crate::evaluate::figure::Figure;

mod alike;
mod change;
mod names;
pub mod words;

use alike::Alike;
pub use change::{Change, Why};
use change::{change, factor, is_alike};

/// The version of the comparison's form in JSON.
pub const FORM: u32 = 1;

/// Two reviews side by side.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct Comparison {
    /// [`FORM`].
    pub comparison: u32,
    /// The first.
    pub a: Side,
    /// The second.
    pub b: Side,
    /// Whether one meter measured both.
    pub same_meter: bool,
    /// Whether both are of one display, by its name. If the meter and its correction were the same too, its calibration is left out of the
    /// differences.
    pub same_display: bool,
    /// Whether all light of both went through one correction of the meter's, or none; absent where a record doesn't tell.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub same_correction: Option<bool>,
    /// What makes the two hard to compare, in words.
    pub cautions: Vec<String>,
    /// How many times as wide as a difference's own interval that is which decides whether it is real.
    pub factor: f64,
    /// The figures that both have.
    pub rows: Vec<Row>,
    /// Figures that only the first has: set, sequence and subject.
    pub only_a: Vec<[String; 3]>,
    /// Figures that only the second has.
    pub only_b: Vec<[String; 3]>,
}

/// One of the two.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Side {
    /// The display, in the words of whoever measured it.
    pub display: String,
    /// The meter's id.
    pub meter: String,
    /// The plan's title.
    pub title: String,
    /// UTC when it began.
    pub began: settled_protocol::time::Timestamp,
    /// What was stated of the meter's calibration.
    pub calibration: Stated,
    /// Cautions on any reading, simulated ones first.
    pub flags: Vec<Flag>,
}

/// A figure of both.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Row {
    /// The set's name.
    pub set: String,
    /// The sequence's name.
    pub sequence: String,
    /// The finding's stable name.
    pub subject: String,
    /// The figure's unit; a bare number if empty.
    pub unit: String,
    /// The first one's, with its interval of 95 % by itself, which also a figure has that is judged together with others.
    pub a: Figure,
    /// The second one's, likewise.
    pub b: Figure,
    /// Second less first, with its 95 % interval.
    pub difference: Figure,
    /// The same in per cent of the first, of luminances and contrasts; absent where the first may be none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub relative_percent: Option<Figure>,
    /// How the first stands.
    pub standing_a: Standing,
    /// How the second stands.
    pub standing_b: Standing,
    /// What the difference comes to.
    pub change: Change,
    /// Of one that differs: why it is neither better nor worse.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub why: Option<Why>,
}

impl Comparison {
    /// Of two records.
    #[must_use]
    pub fn of(a: &Record, b: &Record) -> Self {
        Self::with_evaluations(a, b).0
    }

    /// The same, with each of the two as it counts in the differences: evaluating takes most of the time.
    #[must_use]
    pub fn with_evaluations(a: &Record, b: &Record) -> (Self, [Evaluation; 2]) {
        let Alike { meter: same_meter, display: same_display, correction: same_correction } = Alike::of(a, b);
        let is_left_out = same_meter && same_display && same_correction == Some(true);
        let [first, second] = [a, b].map(|record| evaluated(record, is_left_out));
        let pairs: Vec<(&Placed, &Placed)> = first
            .findings
            .iter()
            .filter_map(|of_a| Some((of_a, second.findings.iter().find(|of_b| key(of_b) == key(of_a))?)))
            .filter(|(a, b)| a.finding.unit == b.finding.unit)
            .collect();
        let factor = factor(pairs.len());
        let rows: Vec<Row> = pairs.into_iter().filter_map(|(a, b)| row(a, b, factor, is_left_out)).collect();
        let comparison = Self {
            comparison: FORM,
            a: side(&first),
            b: side(&second),
            same_meter,
            same_display,
            same_correction,
            cautions: cautions([a, b], [&first, &second], rows.is_empty()),
            factor,
            rows,
            only_a: lacking(&first, &second),
            only_b: lacking(&second, &first),
        };
        (comparison, [first, second])
    }

    /// Whether what the meter's calibration leaves open is in both alike, and so in no interval of a difference.
    #[must_use]
    pub fn is_calibration_left_out(&self) -> bool {
        self.same_meter && self.same_display && self.same_correction == Some(true)
    }
}

fn evaluated(record: &Record, is_left_out: bool) -> Evaluation {
    if is_left_out { Evaluation::with(record, Calibration::default()) } else { Evaluation::of(record) }
}

fn side(evaluation: &Evaluation) -> Side {
    Side {
        display: evaluation.display.clone(),
        meter: evaluation.meter.clone(),
        title: evaluation.title.clone(),
        began: evaluation.began,
        calibration: evaluation.calibration,
        flags: evaluation.flags.clone(),
    }
}

fn key(placed: &Placed) -> [&str; 3] {
    [&placed.set, &placed.sequence, &placed.finding.subject]
}

/// Figures that `these` have, and `those` have not.
fn lacking(these: &Evaluation, those: &Evaluation) -> Vec<[String; 3]> {
    let has_figure = |placed: &&Placed| placed.finding.figure.is_some();
    let keys: Vec<[&str; 3]> = those.findings.iter().filter(has_figure).map(key).collect();
    let missing = these.findings.iter().filter(has_figure).map(key).filter(|key| !keys.contains(key));
    missing.map(|key| key.map(str::to_owned)).collect()
}

/// What makes two records hard to compare, first of all that there is nothing to: of a record beside itself no more than that.
fn cautions([a, b]: [&Record; 2], evaluations: [&Evaluation; 2], is_empty: bool) -> Vec<String> {
    let mut found: Vec<String> = alike::nothing_to_compare(a, b, is_empty).into_iter().collect();
    if a == b {
        return found;
    }
    let sides = ["A", "B"].into_iter().zip(evaluations);
    found.extend(sides.filter_map(|(letter, evaluation)| unsettled(letter, evaluation)));
    found.extend(alike::cautions(a, b));
    let words = "how the meter was put down, how warm the display and the meter were, and what the meter drifted from one date to the other are in no interval";
    found.push(words.to_owned());
    found.extend(shown_otherwise(a, b));
    for set in &a.header.plan.sets {
        let Some(other) = b.header.plan.sets.iter().find(|other| other.name == set.name) else { continue };
        if other.aim != set.aim {
            found.push(format!("{}: the two were held against different aims", set.name));
        }
        for sequence in &set.sequences {
            let same = other.sequences.iter().find(|other| other.name == sequence.name);
            if same.is_some_and(|same| same != sequence) {
                found.push(format!("{}, {}: the plans differ", set.name, sequence.name));
            }
        }
    }
    found
}

/// That figures of one of the two rest on light that had not settled, where they do: which stimuli, sequence by sequence.
fn unsettled(letter: &str, evaluation: &Evaluation) -> Option<String> {
    Some(format!("in {letter} {}", evaluation.rests_on_unsettled()?))
}

/// How stimuli were shown last, where that isn't the same in both and both tell.
fn shown_otherwise(a: &Record, b: &Record) -> Option<String> {
    let last = |record: &Record| record.shown().last().map(|shown| shown.means.words());
    let (of_a, of_b) = (last(a)?, last(b)?);
    (of_a != of_b).then(|| format!("the first was {of_a}; the second was {of_b}"))
}

fn row(a: &Placed, b: &Placed, factor: f64, is_left_out: bool) -> Option<Row> {
    let [first, second] = [a.finding.figure?, b.finding.figure?].map(|figure| figure.by_itself());
    let difference = difference(&first, &second);
    let tolerance = a.finding.tolerance.as_ref().zip(b.finding.tolerance.as_ref());
    let tolerance = tolerance.filter(|(one, other)| is_alike(one, other)).map(|(one, _)| one);
    // Nobody knows which of two is nearer to what is no display's own, by a meter of which nobody knows how exact it is.
    let is_open = !is_left_out && (a.repeatability_alone || b.repeatability_alone);
    let shared = tolerance.filter(|_| !is_open);
    let change = change(&first, &second, shared, factor);
    let why = || Why::of(a.finding.tolerance.as_ref(), b.finding.tolerance.as_ref(), is_open);
    Some(Row {
        set: a.set.clone(),
        sequence: a.sequence.clone(),
        subject: a.finding.subject.clone(),
        unit: a.finding.unit.clone(),
        a: first,
        b: second,
        difference,
        relative_percent: relative(a, &first, &second),
        standing_a: a.finding.standing,
        standing_b: b.finding.standing,
        change,
        why: (change == Change::Differs).then(why),
    })
}

/// The difference of two figures that were measured independently: second less first.
#[must_use]
pub fn difference(a: &Figure, b: &Figure) -> Figure {
    let ([a_below, a_above], [b_below, b_above]) = (halves(a), halves(b));
    let value = b.value - a.value;
    Figure::between(value, value - b_below.hypot(a_above), value + b_above.hypot(a_below))
}

/// Second less first in per cent of the first, of what is told in cd/m² and of contrasts. The interval is that of a ratio of independent measurements, by the same
/// rule on a scale of logarithms.
fn relative(of: &Placed, a: &Figure, b: &Figure) -> Option<Figure> {
    let is_ratio = of.finding.unit == "cd/m²" || of.finding.subject == "contrast";
    if !is_ratio || a.low <= 0.0 || b.low <= 0.0 {
        return None;
    }
    let ratio = difference(&a.map(f64::ln), &b.map(f64::ln));
    Some(ratio.map(|logarithm| 100.0 * logarithm.exp_m1()))
}

/// How far an interval reaches below and above its figure. That of a distance ends at zero: its other half tells how far it would have reached.
fn halves(figure: &Figure) -> [f64; 2] {
    let (below, above) = (figure.value - figure.low, figure.high - figure.value);
    if figure.low == 0.0 { [below.max(above), above] } else { [below, above] }
}

#[cfg(test)]
mod tests;
