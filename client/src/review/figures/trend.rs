//! The trend of a course: a curve through its readings, and figures of it with their intervals.
//!
//! The readings are drawn anew about what was measured, in blocks that grow with time, and the curve is fitted again to each draw; so a time constant has the lopsided
//! interval that few readings or a short watch leave it. How many terms the curve has is decided once. The meter's own drift is part of what is seen: nothing here tells it from
//! the display's.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Table;
use super::quantity::Quantities;
use crate::evaluate::decay::{self, Chosen, Curve, Sample};
use crate::evaluate::draws::{Draws, interval};
use crate::evaluate::figure::Figure;
use crate::evaluate::measured::Measured;
use crate::review::record::{Course, Point};
use crate::show;

/// A time constant whose interval ends above this many times the watch is not known from above.
const OPEN: f64 = 3.0;

/// One exponential term of a trend.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Constant {
    /// τ, in s.
    pub constant_s: Figure,
    /// What the term had left to go at the first reading, over the luminance at the end: 0.02 falls by 2 %.
    pub share: Figure,
    /// Whether the watch was too short for an upper end of τ.
    pub open: bool,
}

impl Constant {
    /// τ in words.
    #[must_use]
    pub fn words(&self) -> String {
        if self.open {
            format!("more than {}", show::span(self.constant_s.low))
        } else {
            format!("{} s", self.constant_s.words())
        }
    }
}

/// Time constants in words: `8.1 ± 0.4 s and 75 ± 5 s`.
pub(super) fn constants_in_words(constants: &[Constant]) -> String {
    let words: Vec<String> = constants.iter().map(Constant::words).collect();
    words.join(" and ")
}

/// Figures of a trend and its terms for people, a row each that is known.
pub(super) fn table<const N: usize>(
    title: &str,
    figures: [(&str, Option<String>); N],
    constants: &[Constant],
) -> Table {
    let figures = figures.into_iter().filter_map(|(name, cell)| Some(vec![name.to_owned(), cell?]));
    let terms = constants.iter().zip(1_u32..).flat_map(|(constant, term)| {
        let share = constant.share.map(|share| 100.0 * share).words();
        [
            vec![format!("time constant of term {term}"), constant.words()],
            vec![format!("share of term {term}"), format!("{share} %")],
        ]
    });
    let columns = ["", "figure"].map(str::to_owned).to_vec();
    Table { title: title.to_owned(), columns, rows: figures.chain(terms).collect() }
}

/// Time constants, counted from the quickest.
pub(super) fn quantities(listed: Quantities, constants: &[Constant]) -> Quantities {
    listed.each(constants.iter().enumerate(), |listed, (index, constant)| {
        let of = format!("term {}", index + 1);
        listed.of(&of, "constant_s", "s", constant.constant_s).of(&of, "share", "", constant.share)
    })
}

/// The trend of a course.
#[derive(Clone, Debug)]
pub(super) struct Trend {
    pub(super) chosen: Chosen,
    /// Time of the first reading, in s since the stimulus.
    pub(super) first_s: f64,
    /// Time of the last.
    pub(super) end_s: f64,
}

impl Trend {
    /// Of a course with at least three readings.
    pub(super) fn of(course: &Course) -> Option<Self> {
        let finite = |point: &&Point| point.t_s.is_finite() && point.luminance_cd_m2.is_finite();
        let sample = |point: &Point| Sample { t_s: point.t_s, value: point.luminance_cd_m2, count: 1.0 };
        let readings: Vec<Sample> = course.points.iter().filter(finite).map(sample).collect();
        let (first_s, end_s) = (readings.first()?.t_s, readings.last()?.t_s);
        Some(Self { chosen: decay::choose(&readings)?, first_s, end_s })
    }

    /// Draws of the trend, and of `others`, which the same meter saw.
    pub(super) fn drawn(&self, draws: &Draws, others: &[Measured]) -> Option<Drawn> {
        let blocks = &self.chosen.blocks;
        let light = |block: &Sample| Measured {
            luminance_u: self.chosen.uncertainty(block.count),
            ..Measured::exactly(block.value, None)
        };
        let lights: Vec<Measured> = blocks.iter().map(light).chain(others.iter().copied()).collect();
        let draw = |lights: &[Measured], curve: Option<Curve>| {
            let (own, others) = lights.split_at_checked(blocks.len())?;
            let drawn = |(block, light): (&Sample, &Measured)| Sample { value: light.luminance, ..*block };
            let drawn: Vec<Sample> = blocks.iter().zip(own).map(drawn).collect();
            let curve = curve.or_else(|| self.chosen.curve.refit(&drawn))?;
            let change = self.change(&curve, &drawn)?;
            Some(Draw { curve, change, others: others.to_vec() })
        };
        let own = draw(&lights, Some(self.chosen.curve.clone()))?;
        let mut drawn = Drawn { own, all: Vec::new(), asked: 0 };
        draws.each(&lights, |lights| {
            drawn.asked += 1;
            drawn.all.extend(draw(lights, None));
        });
        Some(drawn)
    }

    /// Relative change from the first reading to the last: the curve's, or that of a straight line where the curve is level, so that "no change" has an interval too.
    fn change(&self, curve: &Curve, samples: &[Sample]) -> Option<f64> {
        if !curve.terms.is_empty() {
            return Some(curve.at(self.end_s) / curve.at(self.first_s) - 1.0);
        }
        let weight: f64 = samples.iter().map(|sample| sample.count).sum();
        let middle = samples.iter().map(|sample| sample.count * sample.t_s).sum::<f64>() / weight;
        let (mut squares, mut products) = (0.0, 0.0);
        for sample in samples {
            squares += sample.count * (sample.t_s - middle).powi(2);
            products += sample.count * (sample.t_s - middle) * (sample.value - curve.limit);
        }
        (squares > 0.0).then(|| products / squares * (self.end_s - self.first_s) / curve.limit)
    }

    /// Time constants with their intervals, the quickest first.
    pub(super) fn constants(&self, drawn: &Drawn) -> Vec<Constant> {
        let watched = self.end_s - self.first_s;
        let constant = |row: usize| {
            let constant_s = drawn.figure(|draw| draw.curve.terms.get(row).map(|term| term.constant_s))?;
            let share = drawn.figure(|draw| {
                draw.curve.terms.get(row).map(|term| term.amplitude / draw.curve.at(self.end_s))
            })?;
            Some(Constant { constant_s, share, open: constant_s.high > OPEN * watched })
        };
        (0..self.chosen.curve.terms.len()).filter_map(constant).collect()
    }

    /// Relative change a second at the end of the watch; nothing where the curve is level.
    pub(super) fn end_rate(&self, drawn: &Drawn) -> Option<Figure> {
        (!self.chosen.curve.terms.is_empty())
            .then(|| drawn.figure(|draw| Some(draw.curve.rate(self.end_s) / draw.curve.at(self.end_s))))?
    }
}

/// One draw of a trend and of the lights beside it.
#[derive(Clone, Debug)]
pub(super) struct Draw {
    pub(super) curve: Curve,
    /// Relative change from the first reading to the last.
    pub(super) change: f64,
    pub(super) others: Vec<Measured>,
}

/// A trend as it was measured, and drawn anew.
#[derive(Clone, Debug)]
pub(super) struct Drawn {
    own: Draw,
    all: Vec<Draw>,
    asked: usize,
}

impl Drawn {
    /// A figure of the trend with its 95 % interval; nothing where it has none, or not in more than a twentieth of the draws.
    pub(super) fn figure(&self, of: impl Fn(&Draw) -> Option<f64>) -> Option<Figure> {
        let value = of(&self.own).filter(|value| value.is_finite())?;
        let all: Vec<f64> = self.all.iter().filter_map(of).filter(|value| value.is_finite()).collect();
        (all.len() >= self.asked - self.asked / 20).then(|| interval(value, all))
    }
}

/// Mean chromaticity of some neighbouring readings of a course. Its standard uncertainty is from the differences of successive readings of the whole course (von Neumann 1941: half
/// their mean square is the variance), which a drift hardly touches, times √`inflation` for what neighbours have in common.
pub(super) fn colour(course: &Course, among: std::ops::Range<usize>, inflation: f64) -> Option<Measured> {
    let coordinates = |point: &Point| point.chromaticity.map(|colour| [colour.u_prime(), colour.v_prime()]);
    let all: Vec<[f64; 2]> = course.points.iter().filter_map(coordinates).collect();
    let squares = all.windows(2).filter_map(|pair| {
        let [[u, v], [next_u, next_v]] = *pair else { return None };
        Some((next_u - u).powi(2) + (next_v - v).powi(2))
    });
    // Two coordinates, each with twice its variance in a difference.
    let variance = squares.sum::<f64>() / (4.0 * all.len().checked_sub(1).filter(|pairs| *pairs > 0)? as f64);
    let some = course.points.get(among)?;
    let found: Vec<[f64; 2]> = some.iter().filter_map(coordinates).collect();
    let count = found.len() as f64;
    let [u, v] = found.iter().fold([0.0; 2], |sum, at| [sum[0] + at[0] / count, sum[1] + at[1] / count]);
    let chromaticity = settled_protocol::quantity::Chromaticity::from_uv(u, v).ok()?;
    let luminance = some.iter().map(|point| point.luminance_cd_m2).sum::<f64>() / some.len() as f64;
    let chromaticity_u = (variance * inflation / count).sqrt();
    Some(Measured { chromaticity_u, ..Measured::exactly(luminance, Some(chromaticity)) })
}

/// Δu′v′ between two lights, with its interval.
pub(super) fn colour_change(draws: &Draws, from: Measured, to: Measured) -> Option<Figure> {
    let apart = |lights: &[Measured]| {
        let [from, to] = [lights.first()?.chromaticity?, lights.last()?.chromaticity?];
        Some([to.u_prime() - from.u_prime(), to.v_prime() - from.v_prime()])
    };
    draws.distance(
        &[from, to],
        |lights| apart(lights).map(|[u, v]| u.hypot(v)),
        |lights, drawn| apart(lights).zip(apart(drawn)).map(|([u, v], [du, dv])| (du - u).hypot(dv - v)),
    )
}
