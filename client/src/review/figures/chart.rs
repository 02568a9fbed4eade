//! A chart of colours: how far all of them are from what they are meant to be.
//!
//! The interval of a colour's difference is the difference ± how far the draws of its light are from what was measured, as noise alone makes
//! differences and never takes any away. These intervals hold at once for all colours, so that of a perfect display, however large the chart,
//! one colour or more is called off in no more than one review of a hundred (and then by next to nothing). Median, 95th percentile and maximum go by
//! the lower and the upper ends of these.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::against::{Against, Differences};
use super::quantity::Quantities;
use super::words::{self, Named, held, of_several, told};
use super::{Figures, Finding, Quantity, Scene, Standing, Table};
use crate::evaluate::difference::Formula;
use crate::evaluate::figure::Figure;
use crate::evaluate::together;
use crate::review::record::Measurement;

/// A very close match: the mean is no more than this,
const CLOSE_MEAN: f64 = 1.0;
/// and no colour more than this (common practice, no source).
const CLOSE_WORST: f64 = 2.0;
/// So many of the worst are named.
const NAMED: usize = 5;

/// Colour differences of a chart.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ChartFigures {
    /// CIEDE2000 for SDR, ΔE ITP for HDR.
    pub formula: Formula,
    /// The mean.
    pub mean: Figure,
    /// The median.
    pub median: Figure,
    /// The 95th percentile.
    pub percentile_95: Figure,
    /// The largest.
    pub worst: Figure,
    /// By CIELUV, where signals are relative to white.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub luv: Option<LuvFigures>,
    /// Every colour, the worst first.
    pub colours: Vec<Named>,
    /// Colours that have no light, or none that has a colour.
    pub left_out: Vec<String>,
}

/// The differences of a chart by CIELUV: ΔE*uv of 1976 (ISO/CIE 11664-5).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LuvFigures {
    /// The mean.
    pub mean: Figure,
    /// The largest, and of which colour.
    pub worst: Named,
}

/// Figures of a chart's patches; nothing where white wasn't measured, or no patch has a colour.
#[must_use]
pub fn evaluate(scene: &Scene, patches: &[&Measurement]) -> Option<ChartFigures> {
    let against = Against::new(scene, patches)?;
    let all: [Vec<usize>; 1] = [(0..against.points.len()).collect()];
    let found = Differences::of(&against, &all);
    let names = against.points.iter().map(|point| point.name.clone());
    let formula = against.difference.formula();
    let luv = (formula == Formula::De2000).then(|| luv(&against.in_luv(), &all)).flatten();
    let mut colours: Vec<Named> = names
        .zip(&found.each)
        .filter_map(|(name, figure)| Some(Named { name, figure: (*figure)? }))
        .collect();
    colours.sort_by(|one, other| other.figure.value.total_cmp(&one.figure.value));
    let unknown = against.points.iter().zip(&found.each).filter(|(_, figure)| figure.is_none());
    let unknown: Vec<String> = unknown.map(|(point, _)| point.name.clone()).collect();
    Some(ChartFigures {
        formula,
        luv,
        mean: found.means.first().copied().flatten()?,
        median: together::quantile_of(&found.each, 0.5)?,
        percentile_95: together::quantile_of(&found.each, 0.95)?,
        worst: together::quantile_of(&found.each, 1.0)?,
        colours,
        left_out: against.left_out.into_iter().chain(unknown).collect(),
    })
}

/// Mean and largest of the differences of some patches, which are by CIELUV.
fn luv(against: &Against<'_>, all: &[Vec<usize>]) -> Option<LuvFigures> {
    let found = Differences::of(against, all);
    let names = against.points.iter().map(|point| point.name.as_str());
    let worst = words::largest(names.zip(found.each.iter().copied()))?;
    Some(LuvFigures { mean: found.means.first().copied().flatten()?, worst })
}

impl Figures for ChartFigures {
    fn verdicts(&self) -> Vec<Finding> {
        let name = self.formula.name();
        let mean = words::distance(&self.mean);
        let worst = words::distance(&self.worst);
        let count = self.colours.len();
        let whose = self.colours.first().map_or("", |colour| colour.name.as_str());
        let left_out = words::left_out(&self.left_out, "without a colour");
        let mean_words = format!("mean {name} of {count} colours is {mean}{left_out}");
        let worst_words = format!("the largest {name} is {worst} ({whose})");
        let mut findings = if self.formula == Formula::De2000 {
            let all = count + self.left_out.len();
            let mut found = vec![
                of_several(held("chart_mean", mean_words, self.mean, CLOSE_MEAN), count, all),
                of_several(held("chart_worst", worst_words, self.worst, CLOSE_WORST), count, all),
            ];
            let match_words = match (found.first().map(|f| f.standing), found.last().map(|f| f.standing)) {
                (Some(Standing::Within), Some(Standing::Within)) => "a very close match: ",
                (Some(Standing::Beyond), _) | (_, Some(Standing::Beyond)) => "not a very close match: ",
                _ => "the readings can't tell whether this is a very close match: ",
            };
            if let Some(first) = found.first_mut() {
                first.words.insert_str(0, match_words);
            }
            found
        } else {
            vec![
                told("chart_mean", mean_words, Some(self.mean), ""),
                told("chart_worst", worst_words, Some(self.worst), ""),
            ]
        };
        let (median, high) = (words::distance(&self.median), words::distance(&self.percentile_95));
        let spread = format!("half of the colours are within {name} {median}, 95 % within {high}");
        findings.push(told("chart_spread", spread, Some(self.percentile_95), ""));
        findings.extend(self.luv.as_ref().map(|luv| {
            let (mean, worst) = (words::distance(&luv.mean), words::distance(&luv.worst.figure));
            let text =
                format!("by CIELUV the mean ΔE*uv is {mean}, the largest {worst} ({})", luv.worst.name);
            told("chart_luv", text, Some(luv.mean), "")
        }));
        findings
    }

    fn tables(&self) -> Vec<Table> {
        let rows = self.colours.iter().take(NAMED).map(|colour| {
            let Figure { low, high, .. } = colour.figure;
            vec![colour.name.clone(), words::distance(&colour.figure), format!("{low:.2} to {high:.2}")]
        });
        vec![Table {
            title: "The worst colours".to_owned(),
            columns: ["colour", self.formula.name(), "all at once, 99 %"].map(str::to_owned).to_vec(),
            rows: rows.collect(),
        }]
    }

    fn quantities(&self) -> Vec<Quantity> {
        Quantities::default()
            .whole("mean", "", self.mean)
            .whole("median", "", self.median)
            .whole("percentile_95", "", self.percentile_95)
            .whole("worst", "", self.worst)
            .each(&self.luv, |listed, luv| {
                listed.whole("luv_mean", "", luv.mean).whole("luv_worst", "", luv.worst.figure)
            })
            .each(&self.colours, |listed, colour| listed.of(&colour.name, "difference", "", colour.figure))
            .all()
    }
}

#[cfg(test)]
mod tests;
