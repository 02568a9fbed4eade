//! Image retention: what a bright window that was held leaves behind in a grey.
//!
//! The contrast of the ghost is the grey's luminance afterwards over that before, less 1; the meter's calibration goes out of it. Both are seen in the same place, where the window was,
//! so whatever the hold does to the light there is in it: heat, and a display that hadn't settled, look like retention. What fades is told with its time
//! constant, and what doesn't fade within the watch is said to be there.
//! (IEC 62341-6-3, from memory, compares two areas of a chequerboard after the hold, which leaves out what the whole panel does; a meter that stays where it is can't.)

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::quantity::Quantities;
use super::sentence::{change, colour, plain, surely_not_zero, told};
use super::trend::{self, Constant, Drawn, Trend, constants_in_words};
use super::usable::usable;
use super::{Figures, Finding, Quantity, Scene, Table};
use crate::evaluate::figure::Figure;
use crate::evaluate::measured::Measured;
use crate::review::record::{Course, Measurement};
use crate::show;

/// A ghost of less contrast than this is called gone: about what is seen at an edge (common practice, no source).
const GONE: f64 = 0.005;
/// When the contrast is told, in s since the grey was shown again.
const TIMES_S: [f64; 8] = [10.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1200.0, 1800.0];
/// How many of the first readings the ghost's colour is averaged over.
const FIRST: usize = 5;

/// Figures of a ghost.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Retention {
    /// The grey before, in cd/m².
    pub grey: Figure,
    /// How long the window was held, in s, where that was recorded.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub held_s: Option<f64>,
    /// The first reading of the grey afterwards, in s since it was shown again.
    pub first_s: f64,
    /// The last.
    pub end_s: f64,
    /// Contrast at the first reading: -0.01 is 1 % darker than before.
    pub first: Figure,
    /// Contrast at some times.
    pub course: Vec<Ghost>,
    /// Contrast at the last reading.
    pub end: Figure,
    /// Time constants of what fades, the quickest first; none where nothing is seen to fade.
    pub constants: Vec<Constant>,
    /// From when on the contrast stays below 0.5 %, in s; the first reading where it always is, absent where it isn't within the watch.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gone_s: Option<Figure>,
    /// Δu′v′ of the first readings from the grey before.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub colour: Option<Figure>,
}

/// The contrast of a ghost at a time.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Ghost {
    /// In s since the grey was shown again.
    pub t_s: f64,
    /// The grey over that before, less 1.
    pub contrast: Figure,
}

impl Retention {
    /// Of the grey before (a patch, step 0), the hold (a course, step 1, which may be missing) and the grey afterwards (a course, step 2); nothing without both greys.
    #[must_use]
    pub fn evaluate(scene: &Scene, patches: &[&Measurement], courses: &[&Course]) -> Option<Self> {
        let before = usable(patches.iter().find(|patch| patch.place.step == 0)?)?;
        let held = courses.iter().find(|course| course.place.step == 1);
        let after = courses.iter().find(|course| course.place.step == 2)?;
        let trend = Trend::of(after)?;
        let drawn = trend.drawn(&scene.draws, &[before])?;
        let (first_s, end_s) = (trend.first_s, trend.end_s);
        let watched = TIMES_S.into_iter().filter(|t_s| (first_s..=end_s).contains(t_s));
        let ghost = |t_s: f64| Some(Ghost { t_s, contrast: contrast(&drawn, t_s)? });
        let gone = |before: f64, curve: &crate::evaluate::decay::Curve| {
            curve.stays_within(GONE * before, before, first_s, end_s)
        };
        let first_colour = trend::colour(after, 0..FIRST.min(after.points.len()), trend.chosen.inflation());
        Some(Self {
            grey: scene.draws.figure(&[before], |lights| Some(lights.first()?.luminance))?,
            held_s: held.and_then(|course| course.points.last()).map(|point| point.t_s),
            first_s,
            end_s,
            first: contrast(&drawn, first_s)?,
            course: watched.filter_map(ghost).collect(),
            end: contrast(&drawn, end_s)?,
            constants: trend.constants(&drawn),
            gone_s: drawn.figure(|draw| gone(draw.others.first()?.luminance, &draw.curve)),
            colour: colour_of(scene, before, first_colour),
        })
    }

    /// Whether the grey afterwards differs from that before, beyond doubt.
    #[must_use]
    pub fn seen(&self) -> bool {
        surely_not_zero(&self.first)
    }

    fn ghost(&self) -> Finding {
        let first = change(&self.first);
        let hold =
            self.held_s.map(|held| format!(" after a hold of {}", show::span(held))).unwrap_or_default();
        let words = if !self.seen() {
            format!("no ghost is seen{hold}: {first} at the first reading, {}", show::span(self.first_s))
        } else if self.constants.is_empty() {
            format!(
                "where the window was the grey is {first} off{hold}, and that isn't seen to fade within {}",
                show::span(self.end_s)
            )
        } else {
            let kind = if self.first.value < 0.0 { "darker" } else { "lighter" };
            let constants = constants_in_words(&self.constants);
            format!(
                "a {kind} ghost of {first}{hold}, which fades with {constants} (what the place crept and sagged meanwhile is part of it)"
            )
        };
        told("ghost", words, self.first, "")
    }

    fn fades(&self) -> Finding {
        let limit = format!("{} %", 100.0 * GONE);
        match self.gone_s {
            Some(gone) if gone.value <= self.first_s => {
                told("gone", format!("below {limit} from the first reading on"), gone, "s")
            }
            Some(gone) => told("gone", format!("gone (below {limit}) after {} s", gone.words()), gone, "s"),
            None => {
                let end = change(&self.end);
                let words = format!(
                    "{end} at the end of the watch, {}: not gone (below {limit}) beyond doubt",
                    show::span(self.end_s)
                );
                told("gone", words, self.end, "")
            }
        }
    }
}

fn contrast(drawn: &Drawn, t_s: f64) -> Option<Figure> {
    drawn.figure(|draw| {
        let before = draw.others.first()?.luminance;
        (before > 0.0).then(|| draw.curve.at(t_s) / before - 1.0)
    })
}

fn colour_of(scene: &Scene, before: Measured, after: Option<Measured>) -> Option<Figure> {
    before.chromaticity?;
    trend::colour_change(&scene.draws, before, after?)
}

impl Figures for Retention {
    fn verdicts(&self) -> Vec<Finding> {
        let mut verdicts = vec![self.ghost(), self.fades()];
        if let Some(off) = self.colour {
            let words = if surely_not_zero(&off) {
                format!("the ghost is coloured: Δu′v′ {}", colour(&off))
            } else {
                format!("no colour of a ghost is seen: Δu′v′ {}", colour(&off))
            };
            verdicts.push(told("ghost_colour", words, off, ""));
        }
        verdicts
    }

    fn tables(&self) -> Vec<Table> {
        let first = Ghost { t_s: self.first_s, contrast: self.first };
        let end = Ghost { t_s: self.end_s, contrast: self.end };
        let all = std::iter::once(&first).chain(&self.course).chain(std::iter::once(&end));
        let rows = all.map(|ghost| vec![plain(ghost.t_s), change(&ghost.contrast)]).collect();
        let columns = ["after, s", "contrast to the grey before"].map(str::to_owned).to_vec();
        vec![Table { title: "Image retention".to_owned(), columns, rows }]
    }

    fn quantities(&self) -> Vec<Quantity> {
        let listed = Quantities::default()
            .whole("grey", "cd/m²", self.grey)
            .whole("first", "", self.first)
            .whole("end", "", self.end)
            .whole("gone_s", "s", self.gone_s)
            .whole("colour", "", self.colour);
        let ghost = |listed: Quantities, ghost: &Ghost| {
            listed.of(&format!("{} s", plain(ghost.t_s)), "contrast", "", ghost.contrast)
        };
        trend::quantities(listed, &self.constants).each(&self.course, ghost).all()
    }
}

#[cfg(test)]
mod tests;
