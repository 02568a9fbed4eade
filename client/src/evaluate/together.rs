//! Figures that are judged together: intervals that hold all of them at once, so that a sequence of many steps raises no more false alarms than
//! one of a few.
//!
//! Of twenty intervals that hold at 95 % each, one is expected not to. Here each figure's radius is widened by one factor, such that in 99 % of
//! the draws no figure at all is beyond its own: the maximum statistic, over draws of all lights together (JCGM 101 draws; Westfall and Young,
//! "Resampling-based multiple testing", 1993, 2, from memory, for the maximum). What figures share, such as the meter's calibration, widens nothing, as
//! Bonferroni's would.
//!
//! It is 99 % and not 95 as a review judges some ten sequences: of reviews of a display without fault fewer than 3 in 100 are to have anything beyond, however
//! noisy the meter. A figure that is judged by itself (white's colour, a fitted
//! gamma, the sum of the primaries, the room's light) is judged with 99 % too ([`judged`]).

use super::draws::{Draws, quantile};
use super::figure::{self, Figure};
use super::measured::{Measured, NORMAL_95};

/// How often all intervals hold at once.
pub const SHARE: f64 = figure::TOGETHER;
/// The share of draws that makes a figure's scale beside the others, which is its own interval: farther out a thousand draws tell less.
const SCALE: f64 = figure::ALONE;
/// A normal distribution's interval of 99 % over that of 95 %.
const WIDER: f64 = 2.575_829 / NORMAL_95;

/// A figure as it is judged: with an interval of 99 %, which one of several together has already.
#[must_use]
pub fn judged(figure: &Figure) -> Figure {
    let Figure { value, low, high, together, .. } = *figure;
    if together {
        return *figure;
    }
    let (below, above) = (WIDER * (value - low), WIDER * (high - value));
    Figure { low: value - below, high: value + above, coverage: SHARE, ..*figure }
}

/// How far each draw is from what was measured: a row a draw, a column a figure; not a number where a draw has no figure.
#[derive(Clone, Debug)]
pub struct Apart {
    rows: Vec<Vec<f64>>,
}

impl Apart {
    /// Of draws of `lights`: `apart` gives the columns, always as many, each 0 or more or not a number.
    pub fn gather(draws: &Draws, lights: &[Measured], apart: impl Fn(&[Measured]) -> Vec<f64>) -> Self {
        let mut rows = Vec::new();
        draws.each(lights, |drawn| rows.push(apart(drawn)));
        Self { rows }
    }

    /// The means of groups of columns, as columns of their own.
    #[must_use]
    pub fn means(&self, groups: &[Vec<usize>]) -> Self {
        let rows = self.rows.iter().map(|row| groups.iter().map(|group| mean(row, group)).collect());
        Self { rows: rows.collect() }
    }

    /// Some of the columns.
    fn columns(&self, columns: std::ops::Range<usize>) -> Self {
        let rows = self.rows.iter().map(|row| row.get(columns.clone()).unwrap_or_default().to_vec());
        Self { rows: rows.collect() }
    }

    /// The radius of each column, such that [`SHARE`] of the draws are within all of them, nothing where more than a twentieth of the draws are none; and how
    /// many times as wide as by itself with 95 % each is.
    #[must_use]
    pub fn radii(&self) -> (Vec<Option<f64>>, f64) {
        let width = self.rows.first().map_or(0, Vec::len);
        let alone: Vec<Option<f64>> = (0..width).map(|column| self.alone(column)).collect();
        let mut most: Vec<f64> = self.rows.iter().map(|row| widest(row, &alone)).collect();
        most.sort_by(f64::total_cmp);
        let factor = quantile(&most, SHARE);
        (alone.into_iter().map(|radius| radius.map(|radius| radius * factor)).collect(), factor)
    }

    /// The radius that [`SCALE`] of the draws of one column are within.
    fn alone(&self, column: usize) -> Option<f64> {
        let found = self.rows.iter().filter_map(|row| row.get(column).copied());
        let mut found: Vec<f64> = found.filter(|apart| apart.is_finite()).collect();
        found.sort_by(f64::total_cmp);
        let is_known = !found.is_empty() && found.len() >= self.rows.len() - self.rows.len() / 20;
        is_known.then(|| quantile(&found, SCALE))
    }
}

/// How often the widest of a row's columns holds its own radius.
fn widest(row: &[f64], alone: &[Option<f64>]) -> f64 {
    let ratios = row.iter().zip(alone).filter_map(|(apart, radius)| {
        let radius = radius.filter(|radius| *radius > 0.0)?;
        apart.is_finite().then_some(apart / radius)
    });
    ratios.fold(0.0, f64::max)
}

/// The mean of those of `group` that are numbers; not a number where none is.
#[expect(clippy::cast_precision_loss, reason = "a few hundred steps")]
#[must_use]
pub fn mean(row: &[f64], group: &[usize]) -> f64 {
    let known = group.iter().filter_map(|index| row.get(*index).copied().filter(|value| value.is_finite()));
    let (sum, count) = known.fold((0.0, 0_usize), |(sum, count), value| (sum + value, count + 1));
    sum / count as f64
}

/// Distances with their intervals: each ± its radius, and not below zero.
///
/// That holds since what was measured is no farther from the aim than the truth is, plus how far it is from the truth. Where the truth is well off
/// the aim it promises less than it could, as noise then goes either way; CIEDE2000 is no distance in the strict sense, and this its usual use.
#[must_use]
pub fn distances(values: &[f64], apart: &Apart) -> Vec<Option<Figure>> {
    let (radii, widened) = apart.radii();
    let figures = values.iter().zip(radii).map(|(value, radius)| {
        let radius = radius?;
        let figure = || Figure::between(*value, (value - radius).max(0.0), value + radius);
        value.is_finite().then(|| figure().held_together(widened))
    });
    figures.collect()
}

/// The means of groups of distances, with their intervals, which hold at once.
#[must_use]
pub fn means(values: &[f64], apart: &Apart, groups: &[Vec<usize>]) -> Vec<Option<Figure>> {
    let values: Vec<f64> = groups.iter().map(|group| mean(values, group)).collect();
    distances(&values, &apart.means(groups))
}

/// Figures above and below zero, in kinds of `steps` each, with intervals that hold at once for all steps of a kind. `figures` gives all kinds one
/// after the other; not a number is none.
pub fn signed(
    draws: &Draws,
    lights: &[Measured],
    steps: usize,
    figures: impl Fn(&[Measured]) -> Vec<f64>,
) -> Vec<Vec<Option<Figure>>> {
    let values = figures(lights);
    let apart = Apart::gather(draws, lights, |drawn| {
        values.iter().zip(figures(drawn)).map(|(value, drawn)| (drawn - value).abs()).collect()
    });
    let kinds = (0..values.len()).step_by(steps.max(1)).map(|first| {
        let (radii, widened) = apart.columns(first..first + steps.max(1)).radii();
        let values = values.get(first..).unwrap_or_default();
        let around = |(value, radius): (&f64, Option<f64>)| {
            let figure = |radius| Figure::around(*value, radius).held_together(widened);
            radius.filter(|_| value.is_finite()).map(figure)
        };
        values.iter().zip(radii).map(around).collect()
    });
    kinds.collect()
}

/// Figures with intervals that hold all of them at once; not a number is none.
pub fn figures(
    draws: &Draws,
    lights: &[Measured],
    figures: impl Fn(&[Measured]) -> Vec<f64>,
) -> Vec<Option<Figure>> {
    let count = figures(lights).len();
    signed(draws, lights, count, figures).pop().unwrap_or_default()
}

/// A quantile of figures whose intervals hold at once: as it is the greater, the greater any of them is, its interval goes from the quantile of
/// the lower ends to that of the upper ends.
#[must_use]
pub fn quantile_of(figures: &[Option<Figure>], share: f64) -> Option<Figure> {
    let of = |end: fn(&Figure) -> f64| {
        let mut ends: Vec<f64> = figures.iter().flatten().map(end).collect();
        ends.sort_by(f64::total_cmp);
        (!ends.is_empty()).then(|| quantile(&ends, share))
    };
    let first = figures.iter().flatten().next()?;
    Some(Figure { value: of(|f| f.value)?, low: of(|f| f.low)?, high: of(|f| f.high)?, ..*first })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::evaluate::draws::Calibration;

    fn lights(count: usize) -> Vec<Measured> {
        vec![Measured { luminance_u: 1.0, ..Measured::exactly(100.0, None) }; count]
    }

    fn luminances(lights: &[Measured]) -> Vec<f64> {
        lights.iter().map(|light| light.luminance).collect()
    }

    #[test]
    fn intervals_of_many_lights_are_those_of_the_largest_of_so_many_normals() {
        // Šidák 1967: of 20 normals the greatest is within ±z in 99 %: Φ(z) = (1 + 0.99^(1/20))/2, z = 3.478; of one 2.576 (tables of the normal).
        let draws = Draws::new(Calibration::default());
        for (count, expected) in [(1, 2.576), (20, 3.478)] {
            let kinds = signed(&draws, &lights(count), count, luminances);
            assert_eq!(kinds.len(), 1);
            let mean: f64 = kinds[0].iter().map(|figure| figure.unwrap().half()).sum::<f64>() / count as f64;
            assert!((mean / expected - 1.0).abs() < 0.1, "{count}: {mean}");
        }
    }

    #[test]
    fn what_all_lights_share_widens_nothing() {
        let draws = Draws::new(Calibration { luminance_u: 0.01, chromaticity_u: 0.0 });
        let exact = vec![Measured::exactly(100.0, None); 20];
        let kinds = signed(&draws, &exact, 20, luminances);
        assert!(kinds[0].iter().all(|figure| (figure.unwrap().half() / 2.576 - 1.0).abs() < 0.1));
    }

    #[test]
    fn kinds_are_apart_and_what_is_no_number_is_none() {
        let draws = Draws::new(Calibration::default());
        let kinds = signed(&draws, &lights(2), 2, |lights| {
            vec![lights[0].luminance, f64::NAN, 1000.0 * lights[0].luminance, 1.0]
        });
        assert_eq!(kinds.len(), 2);
        assert!(kinds[0][0].is_some() && kinds[0][1].is_none());
        assert_eq!(kinds[1][1], Some(Figure::exactly(1.0).held_together(kinds[1][1].unwrap().widened)));
    }

    #[test]
    fn means_leave_out_what_is_none_and_quantiles_go_by_the_ends() {
        let apart = Apart { rows: vec![vec![1.0, 3.0, f64::NAN]; 100] };
        let groups = [vec![0, 1, 2], vec![2]];
        let found = means(&[2.0, 4.0, f64::NAN], &apart, &groups);
        assert_eq!(found, [Some(Figure::between(3.0, 1.0, 5.0).held_together(1.0)), None]);
        let figures = [(1.0, 0.5), (3.0, 4.0), (2.0, 0.1)].map(|(value, u)| Some(Figure::around(value, u)));
        assert_eq!(quantile_of(&figures, 0.5), Some(Figure::between(2.0, 0.5, 2.1)));
        assert_eq!(quantile_of(&figures, 1.0), Some(Figure::between(3.0, 1.9, 7.0)));
    }
}
