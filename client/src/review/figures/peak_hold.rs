//! White held in a window: how its peak creeps and sags.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::quantity::Quantities;
use super::trend::{self, Constant, Trend, constants_in_words};
use super::words::{change, luminance, surely_not_zero, told};
use super::{Figures, Finding, Quantity, Scene, Table};
use crate::evaluate::figure::Figure;
use crate::review::record::Course;
use crate::show;

/// Figures of a peak that was held.
///
/// All are of the trend, a level with no, one or two exponential terms ([`crate::evaluate::decay`]), not of single readings.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PeakHold {
    /// How many readings it rests on.
    pub readings: usize,
    /// The first of them, in s since the window was shown.
    pub first_s: f64,
    /// The last.
    pub end_s: f64,
    /// Luminance at the first reading, in cd/m².
    pub first: Figure,
    /// The highest luminance, in cd/m².
    pub peak: Figure,
    /// Luminance after 30 s, where it was watched then, in cd/m².
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at_30_s: Option<Figure>,
    /// Luminance after 60 s, in cd/m².
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at_60_s: Option<Figure>,
    /// Luminance at the last reading, in cd/m².
    pub end: Figure,
    /// Relative change from the first reading to the last: -0.03 is 3 % less.
    pub creep: Figure,
    /// The end over the peak, less 1.
    pub sag: Figure,
    /// Time constants, the quickest first; none where no creep is seen.
    pub constants: Vec<Constant>,
    /// Relative change a minute at the end; absent where no creep is seen.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub end_rate_per_min: Option<Figure>,
}

impl PeakHold {
    /// Of a course of white; nothing with fewer than three readings.
    #[must_use]
    pub fn evaluate(scene: &Scene, course: &Course) -> Option<Self> {
        let trend = Trend::of(course)?;
        let drawn = trend.drawn(&scene.draws, &[])?;
        let (first_s, end_s) = (trend.first_s, trend.end_s);
        let at = |t_s: f64| {
            (first_s..=end_s).contains(&t_s).then(|| drawn.figure(|draw| Some(draw.curve.at(t_s))))?
        };
        let per_min = |rate: Figure| rate.map(|rate| 60.0 * rate);
        Some(Self {
            readings: course.points.len(),
            first_s,
            end_s,
            first: at(first_s)?,
            peak: drawn.figure(|draw| Some(draw.curve.peak(first_s, end_s)))?,
            at_30_s: at(30.0),
            at_60_s: at(60.0),
            end: at(end_s)?,
            creep: drawn.figure(|draw| Some(draw.change))?,
            sag: drawn.figure(|draw| Some(draw.curve.at(end_s) / draw.curve.peak(first_s, end_s) - 1.0))?,
            constants: trend.constants(&drawn),
            end_rate_per_min: trend.end_rate(&drawn).map(per_min),
        })
    }

    fn creeps(&self) -> Finding {
        let watched = show::span(self.end_s - self.first_s);
        let (first, end, creep) = (luminance(&self.first), luminance(&self.end), change(&self.creep));
        let words = if self.constants.is_empty() {
            format!("the peak holds {end} over {watched}: no creep is seen ({creep})")
        } else {
            let constants = constants_in_words(&self.constants);
            format!(
                "the peak goes from {first} to {end} within {watched}: {creep}, with time constants of {constants}"
            )
        };
        told("creep", words, self.creep, "")
    }
}

impl Figures for PeakHold {
    fn verdicts(&self) -> Vec<Finding> {
        let mut verdicts = vec![self.creeps()];
        if let Some(rate) = self.end_rate_per_min.filter(surely_not_zero) {
            let words = format!("at the end it still changes by {} a minute", change(&rate));
            verdicts.push(told("end_rate", words, rate, "1/min"));
        }
        verdicts
    }

    fn tables(&self) -> Vec<Table> {
        let words = |figure: Figure| figure.words();
        let rows = [
            ("first reading, cd/m²", Some(self.first.words())),
            ("peak, cd/m²", Some(self.peak.words())),
            ("after 30 s, cd/m²", self.at_30_s.map(words)),
            ("after 60 s, cd/m²", self.at_60_s.map(words)),
            ("end, cd/m²", Some(self.end.words())),
            ("from the first reading to the end", Some(change(&self.creep))),
            ("from the peak to the end", Some(change(&self.sag))),
            ("change at the end, a minute", self.end_rate_per_min.map(|rate| change(&rate))),
        ];
        vec![trend::table("Peak held", rows, &self.constants)]
    }

    fn quantities(&self) -> Vec<Quantity> {
        let listed = Quantities::default()
            .whole("first", "cd/m²", self.first)
            .whole("peak", "cd/m²", self.peak)
            .whole("at_30_s", "cd/m²", self.at_30_s)
            .whole("at_60_s", "cd/m²", self.at_60_s)
            .whole("end", "cd/m²", self.end)
            .whole("creep", "", self.creep)
            .whole("sag", "", self.sag)
            .whole("end_rate_per_min", "1/min", self.end_rate_per_min);
        trend::quantities(listed, &self.constants).all()
    }
}

#[cfg(test)]
mod tests;
