//! Figures that are judged together: intervals that hold all of them at once.
//!
//! Of twenty figures with an interval of 95 % each, one lies outside by chance alone. A sequence is therefore judged by intervals that are
//! simultaneous: each figure's standard deviation over the draws is widened by one factor, such that in 99 % of the draws no figure of the sequence lies
//! farther from what was measured. (The largest of the studentised deviations; Westfall and Young 1993, 2, from memory.) Unlike Bonferroni's
//! it counts what the figures share, a common white say, and costs less. It is 99 % and not 95 as a review judges several sequences: of
//! reviews of a display without fault fewer than 3 in 100 are to have anything beyond.

use super::draws::Draws;
use super::figure::Figure;
use super::measured::Measured;

/// How often all intervals hold at once.
pub const SHARE: f64 = 0.99;

/// A normal distribution's interval of 99 % over that of 95 %.
const WIDER: f64 = 2.575_829 / 1.959_964;

/// A single figure of 95 % as it is judged beside such a sequence: with an interval of 99 %.
#[must_use]
pub fn alone(figure: &Figure) -> Figure {
    let Figure { value, low, high } = *figure;
    Figure { value, low: value - WIDER * (value - low), high: value + WIDER * (high - value) }
}

/// `figures` of `lights`, always as many, with intervals that hold all of them at once. Nothing where any isn't finite for the lights themselves, or
/// more than a twentieth of the draws has none.
pub fn figures(
    draws: &Draws,
    lights: &[Measured],
    figures: impl Fn(&[Measured]) -> Option<Vec<f64>>,
) -> Option<Vec<Figure>> {
    let finite = |values: &Vec<f64>| values.iter().all(|value| value.is_finite());
    let values = figures(lights).filter(finite)?;
    let mut all = 0;
    let mut drawn: Vec<Vec<f64>> = Vec::new();
    draws.each(lights, |lights| {
        all += 1;
        drawn.extend(figures(lights).filter(finite).filter(|figures| figures.len() == values.len()));
    });
    if drawn.len() < all - all / 20 {
        return None;
    }
    let spreads: Vec<f64> = (0..values.len()).map(|index| spread(&drawn, index, values[index])).collect();
    let factor = factor(&drawn, &values, &spreads);
    Some(
        values
            .into_iter()
            .zip(spreads)
            .map(|(value, spread)| Figure::around(value, factor * spread))
            .collect(),
    )
}

/// Root mean square of a figure's deviations from what was measured.
#[expect(clippy::cast_precision_loss, reason = "some thousands at most")]
fn spread(drawn: &[Vec<f64>], index: usize, value: f64) -> f64 {
    let squares: f64 =
        drawn.iter().filter_map(|figures| figures.get(index)).map(|figure| (figure - value).powi(2)).sum();
    (squares / drawn.len().max(1) as f64).sqrt()
}

/// How many spreads all figures are within in [`SHARE`] of the draws.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss,
    reason = "an index among some thousands"
)]
fn factor(drawn: &[Vec<f64>], values: &[f64], spreads: &[f64]) -> f64 {
    let mut largest: Vec<f64> = drawn
        .iter()
        .map(|figures| {
            figures
                .iter()
                .zip(values)
                .zip(spreads)
                .filter(|(_, spread)| **spread > 0.0)
                .map(|((figure, value), spread)| ((figure - value) / spread).abs())
                .fold(0.0, f64::max)
        })
        .collect();
    largest.sort_by(f64::total_cmp);
    let index = (SHARE * largest.len() as f64) as usize;
    largest.get(index.min(largest.len().saturating_sub(1))).copied().unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::evaluate::draws::Calibration;

    fn factor_of(count: usize) -> f64 {
        let light = Measured { luminance_u: 1.0, ..Measured::exactly(100.0, None) };
        let luminances = |lights: &[Measured]| Some(lights.iter().map(|light| light.luminance).collect());
        let found = figures(&Draws::new(Calibration::default()), &vec![light; count], luminances).unwrap();
        found[0].u95()
    }

    #[test]
    fn of_independent_figures_the_factor_is_sidaks() {
        // Šidák 1967: the normal quantile at (1 + 0.99^(1/n))/2: 2.576 of one figure and 3.478 of twenty.
        assert!((factor_of(1) / 2.576 - 1.0).abs() < 0.1, "{}", factor_of(1));
        assert!((factor_of(20) / 3.478 - 1.0).abs() < 0.1, "{}", factor_of(20));
    }

    #[test]
    fn figures_that_are_one_and_the_same_cost_nothing() {
        let light = Measured { luminance_u: 1.0, ..Measured::exactly(100.0, None) };
        let same = |lights: &[Measured]| Some(vec![lights[0].luminance; 20]);
        let found = figures(&Draws::new(Calibration::default()), &[light], same).unwrap();
        assert!((found[0].u95() / 2.576 - 1.0).abs() < 0.1, "{found:?}");
    }
}
