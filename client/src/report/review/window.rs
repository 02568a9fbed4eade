//! White in windows of several sizes: the limiter's curve.

use super::view::{View, Words};
use crate::chart::plane::{Axis, DASHED, Plane};
use crate::chart::{self, BLUE, SOFT, VERMILION};
use crate::report::Plot;
use crate::review::figures::window::{LimiterFigures, WindowFigures};
use crate::show;

/// Luminance against area, with the curve that was fitted.
pub(super) fn plots(view: &View<'_>, figures: &WindowFigures) -> Result<Vec<Plot>, chart::Error> {
    let known = figures.windows.iter().map(|window| (window.percent, window.luminance));
    let known: Vec<_> = known.collect();
    let x = Axis::decades("lit area, % of the screen", known.iter().map(|(percent, _)| *percent));
    let y = known.iter().flat_map(|(_, figure)| [figure.low, figure.high]);
    let y = Axis::around("luminance, cd/m²", y.chain([0.0]));
    let ends = x.ends;
    let mut plane = Plane::new(x, y, 280.0);
    if let Some(curve) = &figures.curve {
        plane = plane.line("curve", "fitted", VERMILION, fitted(curve, ends), DASHED);
    }
    let plane =
        plane.level("peak", "highest", SOFT, figures.peak.value).figures("measured", "measured", BLUE, known);
    let fit = figures.curve.as_ref().map_or_else(String::new, |curve| {
        let knee = curve
            .knee_percent
            .map_or_else(String::new, |knee| format!(" from {} % of the area", knee.words()));
        format!(
            " From a plateau of {} cd/m² the curve falls with an exponent of {}{knee}; 1 is constant power.",
            curve.plateau.words(),
            curve.exponent.words()
        )
    });
    let words = Words {
        title: "white by area".to_owned(),
        below: "white windows of several sizes, each settled".to_owned(),
        description: format!(
            "{} windows: the highest luminance is {} cd/m² at {} %, that of {} % is {} cd/m².{fit}",
            figures.windows.len(),
            figures.peak.words(),
            show::number(figures.peak_percent),
            show::number(figures.largest_percent),
            figures.largest.words()
        ),
        caption: format!(
            "Luminance of white against the share of the screen that is lit, with 95 % intervals.{fit} No tolerance: it is told, not judged."
        ),
    };
    Ok(vec![view.plot("windows", words, vec![plane])?])
}

/// L = Lp·(A₀/A)^k beyond A₀; nothing where A₀ isn't known.
fn fitted(curve: &LimiterFigures, (from, to): (f64, f64)) -> Vec<(f64, f64)> {
    let Some(knee) = curve.knee_percent else { return Vec::new() };
    let at = |percent: f64| {
        let share = (knee.value / percent).min(1.0);
        (percent, curve.plateau.value * share.powf(curve.exponent.value))
    };
    let count = 80_u32;
    let between = (0..=count).map(|step| from * (to / from).powf(f64::from(step) / f64::from(count)));
    let mut points: Vec<f64> = between.chain([knee.value.clamp(from, to)]).collect();
    points.sort_by(f64::total_cmp);
    points.into_iter().map(at).collect()
}
