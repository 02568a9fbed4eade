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
use statrs::distribution::{ContinuousCDF, Normal};

use super::evaluation::{Evaluation, Placed, Stated};
use super::figures::{Standing, Tolerance};
use super::record::Record;
use crate::evaluate::draws::Calibration;
use crate::evaluate::figure::Figure;

mod alike;
pub mod words;

use alike::Alike;

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
    /// How the first stands.
    pub standing_a: Standing,
    /// How the second stands.
    pub standing_b: Standing,
    /// What the difference comes to.
    pub change: Change,
}

/// What a difference comes to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Change {
    /// The readings can't tell the two apart.
    Alike,
    /// It differs, and neither is nearer to a tolerance's ideal, there is no tolerance that both share, or what the meter is off by may be all of it.
    Differs,
    /// The second is better.
    Better,
    /// The second is worse.
    Worse,
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
        let comparison = Self {
            comparison: FORM,
            a: side(&first),
            b: side(&second),
            same_meter,
            same_display,
            same_correction,
            cautions: cautions(a, b),
            factor,
            rows: pairs.into_iter().filter_map(|(a, b)| row(a, b, factor, is_left_out)).collect(),
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

/// What makes two records hard to compare.
fn cautions(a: &Record, b: &Record) -> Vec<String> {
    let mut found = alike::cautions(a, b);
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
    Some(Row {
        set: a.set.clone(),
        sequence: a.sequence.clone(),
        subject: a.finding.subject.clone(),
        unit: a.finding.unit.clone(),
        a: first,
        b: second,
        difference,
        standing_a: a.finding.standing,
        standing_b: b.finding.standing,
        change: change(&first, &second, shared, factor),
    })
}

/// Whether two tolerances are one, as far as either can tell: what one code value is worth goes by each display's own white and black.
fn is_alike(one: &Tolerance, other: &Tolerance) -> bool {
    let near = |one: Option<f64>, other: Option<f64>| match (one, other) {
        (Some(one), Some(other)) => (one - other).abs() <= 0.05 * one.abs().max(other.abs()),
        (one, other) => one == other,
    };
    one.source == other.source && near(one.least, other.least) && near(one.most, other.most)
}

/// The difference of two figures that were measured independently: second less first.
#[must_use]
pub fn difference(a: &Figure, b: &Figure) -> Figure {
    let ([a_below, a_above], [b_below, b_above]) = (halves(a), halves(b));
    let value = b.value - a.value;
    Figure::between(value, value - b_below.hypot(a_above), value + b_above.hypot(a_below))
}

/// How far an interval reaches below and above its figure. That of a distance ends at zero: its other half tells how far it would have reached.
fn halves(figure: &Figure) -> [f64; 2] {
    let (below, above) = (figure.value - figure.low, figure.high - figure.value);
    if figure.low == 0.0 { [below.max(above), above] } else { [below, above] }
}

/// How many times as wide intervals are that hold `count` differences all at once.
fn factor(count: usize) -> f64 {
    let quantile = |tail: f64| Normal::standard().inverse_cdf(1.0 - tail);
    #[expect(clippy::cast_precision_loss, reason = "some hundred")]
    let count = count.max(1) as f64;
    quantile(0.025 / count) / quantile(0.025)
}

fn is_real(difference: &Figure, factor: f64) -> bool {
    let Figure { value, low, high, .. } = difference;
    let (below, above) = ((value - low) * factor, (high - value) * factor);
    // What has no interval is told, never called real.
    (below > 0.0 || above > 0.0) && (value - below > 0.0 || value + above < 0.0)
}

fn change(a: &Figure, b: &Figure, tolerance: Option<&Tolerance>, factor: f64) -> Change {
    let apart = |a: &Figure, b: &Figure| {
        let difference = difference(a, b);
        is_real(&difference, factor).then_some(difference.value)
    };
    if apart(a, b).is_none() {
        return Change::Alike;
    }
    // By how much the second is farther off what is best: 0 or less, much, or the middle between two limits.
    let farther = match tolerance.map(|tolerance| (tolerance.least, tolerance.most)) {
        Some((None, Some(_))) => apart(a, b),
        Some((Some(_), None)) => apart(a, b).map(|difference| -difference),
        Some((Some(least), Some(most))) => {
            let off = |figure: &Figure| distance(figure, f64::midpoint(least, most));
            apart(&off(a), &off(b))
        }
        Some((None, None)) | None => None,
    };
    match farther {
        Some(farther) if farther > 0.0 => Change::Worse,
        Some(_) => Change::Better,
        None => Change::Differs,
    }
}

/// How far a figure is from `ideal`.
fn distance(figure: &Figure, ideal: f64) -> Figure {
    let [low, high] = [(figure.low - ideal).abs(), (figure.high - ideal).abs()];
    let nearest = if figure.holds(ideal) { 0.0 } else { low.min(high) };
    Figure::between((figure.value - ideal).abs(), nearest, low.max(high))
}

#[cfg(test)]
mod tests;
