//! A chart of colours: each as it is meant to be beside what was measured, and how far the two are apart.

use std::collections::HashMap;

use super::view::{Shown, View, Words};
use crate::chart::picture::{Framed, framed};
use crate::chart::plane::{Axis, Plane};
use crate::chart::scene::{Anchor, Colour};
use crate::chart::{self, BLUE, GREEN, INK, SOFT, VERMILION};
use crate::evaluate::aim::{Aim, D65_XY, Primaries, Transfer};
use crate::evaluate::figure::{AT_ONCE, Figure};
use crate::report::Plot;
use crate::review::figures::chart::ChartFigures;
use crate::review::figures::distance_words;

/// The most swatches of one picture, so that it fits a page.
const MOST: usize = 204;
/// Fewer than this have room for larger ones.
const FEW: usize = 168;
/// Swatches beside each other: each has room for a difference with its interval below it.
const ACROSS: usize = 12;
/// How large the letters of a difference are, and how high its two lines.
const LETTERS: f64 = 9.0;
const LINES: f64 = 22.0;

/// Swatches, and differences from the worst on.
pub(super) fn plots(view: &View<'_>, figures: &ChartFigures) -> Result<Vec<Plot>, chart::Error> {
    let mut plots = vec![by_rank(view, figures)?];
    let shown = view.shown();
    let pictures = shown.chunks(MOST).enumerate();
    for (index, shown) in pictures {
        plots.push(swatches(view, figures, (index, shown))?);
    }
    Ok(plots)
}

fn by_rank(view: &View<'_>, figures: &ChartFigures) -> Result<Plot, chart::Error> {
    let name = figures.formula.name();
    let ranked: Vec<(f64, Figure)> =
        (1_u32..).map(f64::from).zip(figures.colours.iter().map(|colour| colour.figure)).collect();
    let count = ranked.len() as f64;
    let most = |subject| view.most(subject);
    let y = ranked.iter().map(|(_, figure)| figure.high).chain([0.0]);
    let y = y.chain(most("chart_worst")).chain(most("chart_mean"));
    let mut plane =
        Plane::new(Axis::even("colours, the worst first", (0.0, count + 1.0)), Axis::around(name, y), 240.0)
            .level("mean", "mean", INK, figures.mean.value);
    if let Some(most) = most("chart_mean") {
        plane = plane.level("tolerance", "mean at most", GREEN, most);
    }
    if let Some(most) = most("chart_worst") {
        plane = plane.level("tolerance", "each at most", VERMILION, most);
    }
    let plane = plane.figures("difference", name, BLUE, ranked);
    let worst = figures
        .colours
        .iter()
        .take(3)
        .map(|colour| format!("{} {}", colour.name, distance_words(&colour.figure)));
    let words = Words {
        title: format!("{name} of {} colours", figures.colours.len()),
        below: figures.formula.source().to_owned(),
        description: format!(
            "Mean {}, median {}, 95th percentile {}, largest {}. The worst: {}.",
            distance_words(&figures.mean),
            distance_words(&figures.median),
            distance_words(&figures.percentile_95),
            distance_words(&figures.worst),
            worst.collect::<Vec<_>>().join(", ")
        ),
        caption: format!(
            "Colour difference of each colour from its aim, the worst first. Bars or bands are {AT_ONCE}.{}{}",
            view.tolerance(&["chart_mean"]),
            view.tolerance(&["chart_worst"])
        ),
    };
    view.plot("differences", words, vec![plane])
}

fn swatches(
    view: &View<'_>,
    figures: &ChartFigures,
    (index, shown): (usize, &[Shown<'_>]),
) -> Result<Plot, chart::Error> {
    let name = figures.formula.name();
    let differences: HashMap<&str, Figure> =
        figures.colours.iter().map(|colour| (colour.name.as_str(), colour.figure)).collect();
    let count = shown.len();
    let high = if count <= FEW { 62.0 } else { 52.0 };
    let rows = count.div_ceil(ACROSS);
    let what = Framed {
        title: format!("{}: the colours themselves", view.name()),
        below: "left of each pair what is meant, right of it what was measured; a preview in sRGB".to_owned(),
        caution: super::marks(view.evaluation).join(", "),
        height: high * rows as f64 + 6.0,
    };
    let (mut scene, room) = framed(&what)?;
    let wide = (room.right - room.left) / ACROSS as f64;
    for (place, shown) in shown.iter().enumerate() {
        let (column, row) = (place % ACROSS, place / ACROSS);
        let (x, y) = (room.left + wide * column as f64, room.top + high * row as f64);
        let (middle, end, bottom) = (x + wide / 2.0 - 3.0, x + wide - 6.0, y + high - LINES - 5.0);
        let half = |from: f64, to: f64| vec![(from, y), (to, y), (to, bottom), (from, bottom)];
        if let Some(aim) = shown.aim {
            scene.area("swatch", half(x, middle), preview(view, aim), 1.0);
        }
        if let Some(measured) = shown.light.xyz() {
            scene.area("swatch", half(middle, end), preview(view, measured), 1.0);
        }
        if let Some(figure) = differences.get(shown.patch.patch.name.as_str()) {
            let lines = (1_u32..).map(f64::from).zip(in_lines(figure));
            for (line, text) in lines.filter(|(_, text)| !text.is_empty()) {
                let at = (middle, bottom + line * (LETTERS + 1.0));
                scene.words("difference", at, &text, (LETTERS, SOFT, Anchor::Middle));
            }
        }
    }
    scene.description = view.described(&format!(
        "{count} pairs of swatches in the order of the plan, each with its {name}: mean {}, largest {} ({}).",
        distance_words(&figures.mean),
        distance_words(&figures.worst),
        figures.colours.first().map_or("", |colour| colour.name.as_str())
    ));
    let caption = format!(
        "Each colour as it is meant to be (left) and as it was measured (right), in the order of the plan, with its {name}, {AT_ONCE}. It is a preview: light beside the display's white as sRGB has it, cut \
         off where sRGB ends, on a screen that nobody has measured."
    );
    let kind = if index == 0 { "swatches".to_owned() } else { format!("swatches-{}", index + 1) };
    Ok(view.plot_of(&kind, scene, caption))
}

/// A difference, and below it how sure: `1.23` and `± 0.15`, or `at most` and `0.38`.
fn in_lines(figure: &Figure) -> [String; 2] {
    let words = distance_words(figure);
    let (first, second) = match words.split_once(" (").or_else(|| words.split_once(" ±")) {
        Some((value, ends)) if ends.ends_with(')') => (value, ends.trim_end_matches(')').to_owned()),
        Some((value, half)) => (value, format!("±{half}")),
        None => match words.strip_prefix("at most ") {
            Some(bound) => ("at most", bound.to_owned()),
            None => (words.as_str(), String::new()),
        },
    };
    [first.to_owned(), second]
}

/// X, Y and Z beside the display's white as the nearest colour of sRGB (IEC 61966-2-1).
fn preview(view: &View<'_>, xyz: [f64; 3]) -> Colour {
    let srgb = Aim { transfer: Transfer::Srgb, primaries: Primaries::Bt709, white: Some(D65_XY) };
    let white = view.scene.white.map_or(1.0, |white| white.luminance);
    let matrix = srgb.rgb_to_xyz().and_then(|matrix| matrix.inverse());
    let linear = matrix.map_or([0.0; 3], |matrix| matrix.times(xyz.map(|value| value / white)));
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "from 0 to 255")]
    let [red, green, blue] = linear.map(|light| (255.0 * signal(light.clamp(0.0, 1.0))).round() as u8);
    Colour(red, green, blue)
}

/// From light to signal (IEC 61966-2-1).
fn signal(light: f64) -> f64 {
    if light <= 0.003_130_8 { 12.92 * light } else { 1.055 * light.powf(1.0 / 2.4) - 0.055 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_signal_comes_back_through_the_transfer_function_that_it_went_through() {
        for code in 0..=255_u8 {
            let wanted = f64::from(code) / 255.0;
            let light = Transfer::Srgb.luminance(wanted, 1.0, 0.0);
            assert!((signal(light) - wanted).abs() < 1e-4, "{code}");
        }
    }
}
