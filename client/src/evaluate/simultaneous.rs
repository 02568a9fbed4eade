//! Intervals of several figures that hold all at once.
//!
//! Of twenty figures judged at 95 % each, one is off by chance in most reviews. Here the interval of each is as many of its own standard uncertainties wide as
//! the largest of all of a draw's deviations is in 95 % of the draws (the maximum statistic; Scheffé's and Tukey's idea, for any dependence): with 95 %
//! confidence every one of them holds its truth.

use super::draws::Draws;
use super::figure::Figure;
use super::measured::Measured;

/// Several figures of the same lights, each with an interval such that all hold at once; nothing as for [`Draws::figures`].
pub fn figures(
    draws: &Draws,
    lights: &[Measured],
    figures: impl Fn(&[Measured]) -> Option<Vec<f64>>,
) -> Option<Vec<Figure>> {
    let values = figures(lights)?;
    let apart = |drawn: &[Measured]| {
        let drawn = figures(drawn)?;
        Some(values.iter().zip(drawn).map(|(value, drawn)| (drawn - value).abs()).collect())
    };
    let widths = radii(draws, lights, values.len(), apart)?;
    let figures = values.iter().zip(widths).map(|(value, width)| Figure::around(*value, width));
    Some(figures.collect())
}

/// How far each of `count` things may be off, all at once, `apart` being how far each of a draw is from what was measured, 0 or more.
pub fn radii(
    draws: &Draws,
    lights: &[Measured],
    count: usize,
    apart: impl Fn(&[Measured]) -> Option<Vec<f64>>,
) -> Option<Vec<f64>> {
    let mut drawn: Vec<Vec<f64>> = Vec::new();
    let mut all = 0_usize;
    draws.each(lights, |lights| {
        all += 1;
        let whole = |apart: &Vec<f64>| apart.len() == count && apart.iter().all(|apart| apart.is_finite());
        drawn.extend(apart(lights).filter(whole));
    });
    if drawn.len() < all - all / 20 || drawn.is_empty() {
        return None;
    }
    let mut scales = vec![0.0; count];
    for row in &drawn {
        for (scale, apart) in scales.iter_mut().zip(row) {
            *scale += apart * apart / drawn.len() as f64;
        }
    }
    let scales: Vec<f64> = scales.into_iter().map(f64::sqrt).collect();
    let most = |row: &Vec<f64>| {
        let shares = row.iter().zip(&scales).filter(|(_, scale)| **scale > 0.0);
        shares.map(|(apart, scale)| apart / scale).fold(0.0, f64::max)
    };
    let mut most: Vec<f64> = drawn.iter().map(most).collect();
    most.sort_by(f64::total_cmp);
    let factor = *most.get((most.len() * 19 / 20).min(most.len() - 1))?;
    Some(scales.into_iter().map(|scale| factor * scale).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::evaluate::draws::Calibration;

    #[test]
    fn twenty_independent_figures_have_the_factor_that_tables_give() {
        // Half-width of simultaneous 95 % intervals of 20 independent normals: the quantile at (1 + 0.95^(1/20))/2 of the standard normal, 3.016 (Šidák 1967).
        let lights = vec![Measured { luminance_u: 2.0, ..Measured::exactly(100.0, None) }; 20];
        let draws = Draws::new(Calibration::default());
        let all =
            figures(&draws, &lights, |lights| Some(lights.iter().map(|light| light.luminance).collect()));
        for figure in all.unwrap() {
            assert!((figure.u95() / (2.0 * 3.016) - 1.0).abs() < 0.1, "{figure:?}");
        }
    }

    #[test]
    fn what_has_no_uncertainty_is_exact_beside_what_has() {
        let lights =
            [Measured::exactly(1.0, None), Measured { luminance_u: 0.1, ..Measured::exactly(1.0, None) }];
        let draws = Draws::new(Calibration::default());
        let all =
            figures(&draws, &lights, |lights| Some(lights.iter().map(|light| light.luminance).collect()))
                .unwrap();
        assert!(all[0].u95() < 1e-12 && (all[1].u95() / 0.196 - 1.0).abs() < 0.1, "{all:?}");
    }
}
