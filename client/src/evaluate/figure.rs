//! A number with its 95 % interval and unit.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// One figure of a review.
///
/// The interval is what repeatability leaves open (and the meter's calibration, where it was stated): 95 % of what the light may have been
/// gives a figure within it. A figure whose interval holds a tolerance can't tell which side of it the display is on.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Figure {
    /// The figure.
    pub value: f64,
    /// The lower end of its 95 % interval.
    pub low: f64,
    /// The upper end.
    pub high: f64,
}

impl Figure {
    /// Without uncertainty.
    #[must_use]
    pub fn exactly(value: f64) -> Self {
        Self { value, low: value, high: value }
    }

    /// A figure known to ± `u95`.
    #[must_use]
    pub fn around(value: f64, u95: f64) -> Self {
        Self { value, low: value - u95, high: value + u95 }
    }

    /// Half the width of the interval.
    #[must_use]
    pub fn u95(&self) -> f64 {
        (self.high - self.low) / 2.0
    }

    /// Whether the interval holds `value`.
    #[must_use]
    pub fn holds(&self, value: f64) -> bool {
        (self.low..=self.high).contains(&value)
    }

    /// The figure and its uncertainty in words: `2.214 ± 0.012`.
    #[must_use]
    pub fn words(&self) -> String {
        if self.u95() > 0.0 {
            crate::show::uncertain(self.value, self.u95())
        } else {
            crate::show::number(self.value)
        }
    }
}
