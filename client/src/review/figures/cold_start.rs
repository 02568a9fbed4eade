//! A display watched as it warms up, from when it first shows something.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::quantity::Quantities;
use super::trend::{self, Constant, Draw, Trend, constants_in_words};
use super::words::{change, colour, luminance, plain, surely_not_zero, told};
use super::{Figures, Finding, Quantity, Scene, Table};
use crate::evaluate::figure::Figure;
use crate::review::record::Course;
use crate::show;

/// The end is reached where no more than this share is left to go, beyond doubt.
const REACHED: f64 = 0.005;
/// What share of the readings a chromaticity is averaged over, at the beginning and at the end: one in so many.
const STRETCH: usize = 20;

/// Figures of a cold start.
///
/// The limit is what the trend ([`crate::evaluate::decay`]) goes to, if it goes on as it did. A change that is much slower than the watch isn't in it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ColdStart {
    /// The first reading, in s since the stimulus was shown.
    pub first_s: f64,
    /// The last.
    pub end_s: f64,
    /// Luminance at the first reading, in cd/m².
    pub first: Figure,
    /// Luminance at the last reading, in cd/m².
    pub end: Figure,
    /// Relative change from the first reading to the last.
    pub change: Figure,
    /// Whether it got to within 0.5 % of its limit, beyond doubt.
    pub reached: bool,
    /// What was left to go at the end, over the limit; positive where the light still falls. Absent where the watch was too short to tell.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub left: Option<Figure>,
    /// From when on it stays within 1 % of its limit, in s. Absent where the end isn't reached.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub within_1_percent_s: Option<Figure>,
    /// The same of 0.5 %.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub within_half_percent_s: Option<Figure>,
    /// Time constants, the quickest first; none where it stands still.
    pub constants: Vec<Constant>,
    /// Relative change an hour at the end; absent where it stands still.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub end_rate_per_h: Option<Figure>,
    /// Δu′v′ from the first twentieth of the readings to the last.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub white_drift: Option<Figure>,
}

impl ColdStart {
    /// Of a course since the stimulus was shown; nothing with fewer than three readings.
    #[must_use]
    pub fn evaluate(scene: &Scene, course: &Course) -> Option<Self> {
        let trend = Trend::of(course)?;
        let drawn = trend.drawn(&scene.draws, &[])?;
        let (first_s, end_s) = (trend.first_s, trend.end_s);
        let at = |t_s: f64| drawn.figure(|draw| Some(draw.curve.at(t_s)));
        let change = drawn.figure(|draw| Some(draw.change))?;
        let level = trend.chosen.curve.terms.is_empty();
        let left =
            drawn.figure(|draw| Some(draw.curve.at(end_s) / draw.curve.limit - 1.0)).filter(|_| !level);
        let doubt = left.unwrap_or(change);
        let reached = (level || left.is_some()) && doubt.low > -REACHED && doubt.high < REACHED;
        let within = |share: f64| {
            let stays = |draw: &Draw| {
                draw.curve.stays_within(share * draw.curve.limit, draw.curve.limit, first_s, end_s)
            };
            reached.then(|| drawn.figure(stays))?
        };
        let stretch = (course.points.len() / STRETCH).max(3);
        let inflation = trend.chosen.inflation();
        let count = course.points.len();
        let begun = trend::colour(course, 0..stretch, inflation);
        let ended = trend::colour(course, count.saturating_sub(stretch)..count, inflation);
        let per_h = |rate: Figure| rate.map(|rate| 3600.0 * rate);
        Some(Self {
            first_s,
            end_s,
            first: at(first_s)?,
            end: at(end_s)?,
            change,
            reached,
            left,
            within_1_percent_s: within(0.01),
            within_half_percent_s: within(0.005),
            constants: trend.constants(&drawn),
            end_rate_per_h: trend.end_rate(&drawn).map(per_h),
            white_drift: begun
                .zip(ended)
                .and_then(|(begun, ended)| trend::colour_change(&scene.draws, begun, ended)),
        })
    }

    fn warms(&self) -> Finding {
        let watched = show::span(self.end_s);
        let (first, end, change) = (luminance(&self.first), luminance(&self.end), change(&self.change));
        let words = if self.constants.is_empty() {
            format!(
                "from {} to {watched} after it was shown the light stays at {end} ({change})",
                show::span(self.first_s)
            )
        } else {
            let constants = constants_in_words(&self.constants);
            format!(
                "warming up takes the light from {first} to {end} ({change}), with time constants of {constants}"
            )
        };
        told("warm_up", words, self.change, "")
    }

    fn ready(&self, share: &str, subject: &str, figure: Option<Figure>) -> Option<Finding> {
        let figure = figure?;
        let words = if figure.value <= self.first_s {
            format!("within {share} of its limit from the first reading on, {}", show::span(self.first_s))
        } else {
            format!("within {share} of its limit after {} s, and stays so", figure.words())
        };
        Some(told(subject, words, figure, "s"))
    }

    fn unfinished(&self) -> Option<Finding> {
        if self.reached {
            return None;
        }
        let watched = show::span(self.end_s);
        let (words, figure, unit) = match (self.left, self.end_rate_per_h) {
            (Some(left), _) if left.u95() < 0.5 * left.value.abs() => {
                let words = format!("the light is {} from where it goes", change(&left));
                (words, left, "")
            }
            (_, Some(rate)) => {
                let words = format!("nor can be told where it goes: {} an hour at the end", change(&rate));
                (words, rate, "1/h")
            }
            _ => (format!("or it can't be told: {} meanwhile", change(&self.change)), self.change, ""),
        };
        let words = format!("the end isn't reached within {watched}: {words}")
            .replace(": nor", ", nor")
            .replace(": or", ", or");
        Some(told("not_reached", words, figure, unit))
    }
}

impl Figures for ColdStart {
    fn verdicts(&self) -> Vec<Finding> {
        let mut verdicts = vec![self.warms()];
        verdicts.extend(self.unfinished());
        verdicts.extend(self.ready("1 %", "within_1_percent", self.within_1_percent_s));
        verdicts.extend(self.ready("0.5 %", "within_half_percent", self.within_half_percent_s));
        if let Some(drift) = self.white_drift {
            let words = if surely_not_zero(&drift) {
                format!("its colour moves by Δu′v′ {} meanwhile", colour(&drift))
            } else {
                format!("its colour isn't seen to move: Δu′v′ {}", colour(&drift))
            };
            verdicts.push(told("white_drift", words, drift, ""));
        }
        verdicts
    }

    fn tables(&self) -> Vec<Table> {
        let when = |time: Figure| if time.u95() > 0.0 { time.words() } else { plain(time.value) };
        let rows = [
            ("first reading, cd/m²", Some(self.first.words())),
            ("end, cd/m²", Some(self.end.words())),
            ("from the first reading to the end", Some(change(&self.change))),
            ("left to go", self.left.map(|left| change(&left))),
            ("within 1 % after, s", self.within_1_percent_s.map(when)),
            ("within 0.5 % after, s", self.within_half_percent_s.map(when)),
            ("change at the end, an hour", self.end_rate_per_h.map(|rate| change(&rate))),
            ("Δu′v′", self.white_drift.map(|drift| colour(&drift))),
        ];
        vec![trend::table("Cold start", rows, &self.constants)]
    }

    fn quantities(&self) -> Vec<Quantity> {
        let listed = Quantities::default()
            .whole("first", "cd/m²", self.first)
            .whole("end", "cd/m²", self.end)
            .whole("change", "", self.change)
            .whole("left", "", self.left)
            .whole("within_1_percent_s", "s", self.within_1_percent_s)
            .whole("within_half_percent_s", "s", self.within_half_percent_s)
            .whole("end_rate_per_h", "1/h", self.end_rate_per_h)
            .whole("white_drift", "", self.white_drift);
        trend::quantities(listed, &self.constants).all()
    }
}

#[cfg(test)]
mod tests;
