//! A number with its interval.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::show;

/// How often the interval of a figure by itself holds the truth.
pub const ALONE: f64 = 0.95;
/// How often intervals that hold together do so, all of them at once ([`super::together`]).
pub const TOGETHER: f64 = 0.99;
/// The same in words, of the figures of a review.
pub const COVERED: &str = "95 %, and 99 % for all at once where several figures are judged together";
/// What intervals are that hold together, in words.
pub const AT_ONCE: &str = "intervals of 99 % for all of them at once";
/// An interval whose parts below and above the figure differ by more than this share of the larger isn't written with a ±. Of a thousand draws the two differ by some
/// 6 % (standard deviation) where they are equal.
const SKEW: f64 = 0.25;

/// One figure of a review.
///
/// The interval is what repeatability leaves open (and the meter's calibration, where it was stated): so much of what the light may have been, `coverage`,
/// gives a figure within it. A figure whose interval holds a tolerance can't tell which side of it the display is on.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Figure {
    /// The figure.
    pub value: f64,
    /// The lower end of its interval.
    pub low: f64,
    /// The upper end.
    pub high: f64,
    /// How often such an interval holds the truth: 0.95 by itself, 0.99 together with others.
    #[serde(default = "alone")]
    pub coverage: f64,
    /// Whether `coverage` is of the intervals of all figures that this one is judged beside, at once.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub together: bool,
    /// How many times as wide the interval is as that which holds this figure by itself in 0.95: 1 unless it is one of several together.
    #[serde(default = "once", skip_serializing_if = "is_once")]
    pub widened: f64,
}

fn alone() -> f64 {
    ALONE
}

fn once() -> f64 {
    1.0
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde asks so")]
fn is_once(widened: &f64) -> bool {
    (widened - 1.0).abs() < f64::EPSILON
}

impl Figure {
    /// A figure with its own interval of 95 %.
    #[must_use]
    pub fn between(value: f64, low: f64, high: f64) -> Self {
        Self { value, low, high, coverage: ALONE, together: false, widened: 1.0 }
    }

    /// Without uncertainty.
    #[must_use]
    pub fn exactly(value: f64) -> Self {
        Self::between(value, value, value)
    }

    /// A figure known to ± `u95`.
    #[must_use]
    pub fn around(value: f64, u95: f64) -> Self {
        Self::between(value, value - u95, value + u95)
    }

    /// The same interval as one of several that hold at once, so many times as wide as the figure's own would be.
    #[must_use]
    pub fn held_together(self, widened: f64) -> Self {
        Self { coverage: TOGETHER, together: true, widened: widened.max(1.0), ..self }
    }

    /// Of the same figure by another rule: value and both ends through `of`, which grows with what it is given.
    #[must_use]
    pub fn map(self, of: impl Fn(f64) -> f64) -> Self {
        Self { value: of(self.value), low: of(self.low), high: of(self.high), ..self }
    }

    /// Half the width of the interval, whatever it covers.
    #[must_use]
    pub fn half(&self) -> f64 {
        (self.high - self.low) / 2.0
    }

    /// Half the width of the interval of 95 % that the figure has by itself.
    #[must_use]
    pub fn u95(&self) -> f64 {
        self.by_itself().half()
    }

    /// With the interval of 95 % that it has by itself. One that was cut off where there is nothing, as a distance's is at zero, reaches as far on that side as on
    /// the other, and is cut off there too.
    #[must_use]
    pub fn by_itself(&self) -> Self {
        if !self.together {
            return *self;
        }
        let radius = self.farther() / self.widened;
        let (low, high) = ((self.value - radius).max(self.low), (self.value + radius).min(self.high));
        Self::between(self.value, low, high)
    }

    /// Whether the interval holds `value`.
    #[must_use]
    pub fn holds(&self, value: f64) -> bool {
        (self.low..=self.high).contains(&value)
    }

    /// How far the interval reaches from the figure on the side where it reaches farther.
    #[must_use]
    pub fn farther(&self) -> f64 {
        (self.value - self.low).max(self.high - self.value)
    }

    /// Whether the interval reaches so much farther on one side that no ± tells it.
    #[must_use]
    pub fn is_lopsided(&self) -> bool {
        let (below, above) = (self.value - self.low, self.high - self.value);
        (below - above).abs() > SKEW * below.max(above)
    }

    /// The figure and its uncertainty in words: `2.214 ± 0.012`; where its interval is lopsided with both ends, rounded outwards: `0.50 (0 to 1.50)`.
    #[must_use]
    pub fn words(&self) -> String {
        if self.half() <= 0.0 {
            show::number(self.value)
        } else if self.is_lopsided() {
            let [value, low, high] = show::between(self.value, self.low, self.high);
            format!("{value} ({low} to {high})")
        } else {
            show::uncertain(self.value, self.farther())
        }
    }

    /// The same with a sign before what is above zero: `+18 ± 4`, `-43 (-100 to +125)`.
    #[must_use]
    pub fn signed(&self) -> String {
        let sign = |value: f64| if value > 0.0 { "+" } else { "" };
        if self.half() > 0.0 && self.is_lopsided() {
            let [value, low, high] = show::between(self.value, self.low, self.high);
            let [of_value, of_low, of_high] = [self.value, self.low, self.high].map(sign);
            return format!("{of_value}{value} ({of_low}{low} to {of_high}{high})");
        }
        format!("{}{}", sign(self.value), self.words())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_interval_that_is_cut_off_is_told_by_both_ends() {
        assert_eq!(Figure::between(0.5, 0.0, 1.5).words(), "0.50 (0 to 1.50)");
        assert_eq!(Figure::between(10.0, 9.412, 14.001).words(), "10.00 (9.41 to 14.01)");
        assert_eq!(Figure::between(0.5, 0.0, 1.5).signed(), "+0.50 (0 to +1.50)");
        assert_eq!(Figure::between(-43.0, -100.0, 125.0).signed(), "-43 (-100 to +125)");
        assert_eq!(Figure::between(99.97, 98.0, 100.0).words(), "99.97 (98.00 to 100.00)");
    }

    #[test]
    fn where_both_sides_are_nearly_alike_the_wider_is_told() {
        assert_eq!(Figure::between(10.0, 9.5, 10.6).words(), "10.00 ± 0.60");
        assert_eq!(Figure::around(2.214, 0.012).words(), "2.214 ± 0.012");
        assert_eq!(Figure::exactly(2.0).words(), "2.0000");
    }

    #[test]
    fn an_interval_of_several_tells_that_of_the_figure_by_itself() {
        let together = Figure::around(10.0, 3.6).held_together(1.8);
        assert_eq!((together.coverage, together.together), (0.99, true));
        assert!((together.u95() - 2.0).abs() < 1e-12 && (together.half() - 3.6).abs() < 1e-12);
        assert_eq!(together.by_itself(), Figure::around(10.0, 2.0));
        // Cut off at zero: 0.5 ± 1.0, and ± 0.5 by itself.
        let cut = Figure::between(0.5, 0.0, 1.5).held_together(2.0);
        assert_eq!(cut.by_itself(), Figure::between(0.5, 0.0, 1.0));
        assert_eq!(Figure::around(1.0, 0.5).by_itself(), Figure::around(1.0, 0.5));
    }

    #[test]
    fn json_tells_what_an_interval_covers() {
        let told = serde_json::to_value(Figure::around(1.0, 0.5)).unwrap();
        assert_eq!(told, serde_json::json!({ "value": 1.0, "low": 0.5, "high": 1.5, "coverage": 0.95 }));
        let told = serde_json::to_value(Figure::around(1.0, 0.5).held_together(1.75)).unwrap();
        assert_eq!(
            (&told["coverage"], &told["together"], &told["widened"]),
            (&0.99.into(), &true.into(), &1.75.into())
        );
    }
}
