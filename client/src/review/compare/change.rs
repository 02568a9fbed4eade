//! What a difference comes to: whether it is real, and which of the two is better.

use schemars::JsonSchema;
use serde::Serialize;
use statrs::distribution::{ContinuousCDF, Normal};

use super::difference;
use crate::evaluate::figure::Figure;
use crate::review::figures::Tolerance;

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

/// Why two figures that differ are called neither better nor worse.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Why {
    /// There is no tolerance that says which is better.
    NoTolerance,
    /// Each is held against a tolerance of its own.
    OtherTolerance,
    /// What the meter is off by may be all of it: its calibration wasn't stated.
    Calibration,
    /// Both are as far off what is best, as far as the readings can tell.
    AsFarOff,
}

impl Why {
    /// Each, in the order in which they are told.
    pub const ALL: [Self; 4] = [Self::Calibration, Self::NoTolerance, Self::OtherTolerance, Self::AsFarOff];

    /// Of two figures that differ, held against these, where what the meter is off by may be open.
    pub(super) fn of(one: Option<&Tolerance>, other: Option<&Tolerance>, is_open: bool) -> Self {
        match (one, other) {
            (Some(one), Some(other)) if is_alike(one, other) => {
                if is_open {
                    Self::Calibration
                } else {
                    Self::AsFarOff
                }
            }
            (Some(_), Some(_)) => Self::OtherTolerance,
            _ => Self::NoTolerance,
        }
    }
}

/// Whether two tolerances are one, as far as either can tell: what one code value is worth goes by each display's own white and black.
pub(super) fn is_alike(one: &Tolerance, other: &Tolerance) -> bool {
    let near = |one: Option<f64>, other: Option<f64>| match (one, other) {
        (Some(one), Some(other)) => (one - other).abs() <= 0.05 * one.abs().max(other.abs()),
        (one, other) => one == other,
    };
    one.source == other.source && near(one.least, other.least) && near(one.most, other.most)
}

/// How many times as wide intervals are that hold `count` differences all at once.
pub(super) fn factor(count: usize) -> f64 {
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

/// What the second less the first comes to, by the tolerance that both share.
pub(super) fn change(a: &Figure, b: &Figure, tolerance: Option<&Tolerance>, factor: f64) -> Change {
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
