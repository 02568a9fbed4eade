//! One field seen at several places: a map of the screen.

use super::view::View;
use crate::chart::picture::{Framed, framed};
use crate::chart::scene::Anchor;
use crate::chart::{self, BLUE, INK, ORANGE, SOFT};
use crate::evaluate::figure::AT_ONCE;
use crate::report::Plot;
use crate::review::figures::colour_words;
use crate::review::figures::uniformity::{Spot, Uniformity};

/// A difference of this share from the centre is drawn in the fullest colour.
const FULLEST: f64 = 0.25;
/// How high the map is beside its width: a common screen's shape. The record doesn't know the display's.
const SHAPE: f64 = 9.0 / 16.0;

/// The map.
pub(super) fn plots(view: &View<'_>, figures: &Uniformity) -> Result<Vec<Plot>, chart::Error> {
    let what = Framed {
        title: format!("{}: evenness", view.name()),
        below: format!(
            "luminance beside the centre's, and Δu′v′ from it; a field of {:.0} % of signal",
            100.0 * figures.signal
        ),
        caution: super::marks(view.evaluation).join(", "),
        height: (720.0 - 48.0) * SHAPE,
    };
    let (mut scene, room) = framed(&what)?;
    let (columns, rows) = (edges(figures, 0), edges(figures, 1));
    for spot in &figures.spots {
        let (Some(across), Some(down)) = (cell(&columns, spot.at[0]), cell(&rows, spot.at[1])) else {
            continue;
        };
        let x = across.map(|share| room.left + share * (room.right - room.left));
        let y = down.map(|share| room.top + share * what.height);
        let corners = vec![(x[0], y[0]), (x[1], y[0]), (x[1], y[1]), (x[0], y[1])];
        let off = spot.to_centre.value - 1.0;
        let colour = if off < 0.0 { BLUE } else { ORANGE };
        scene.area("spot", corners.clone(), colour, (off.abs() / FULLEST).clamp(0.0, 1.0) * 0.75);
        scene.line("frame", corners.iter().chain(corners.first()).copied().collect(), SOFT, 1.0, None);
        told(&mut scene, spot, (f64::midpoint(x[0], x[1]), f64::midpoint(y[0], y[1])), x[1] - x[0]);
    }
    scene.description = view.described(&described(figures));
    let caption = format!(
        "Luminance of each place in per cent of the centre's (blue is darker, orange brighter), with {AT_ONCE}, and Δu′v′ from the centre. Places lie as \
         they do on the screen, whose shape is not known: it is drawn 16 by 9.{}{}",
        view.tolerance(&["luminance", "luminance_shall"]),
        view.tolerance(&["colour"])
    );
    Ok(vec![view.plot_of("map", scene, caption)])
}

fn told(scene: &mut chart::scene::Scene, spot: &Spot, (x, y): (f64, f64), wide: f64) {
    let size = (wide / 9.0).clamp(7.0, 15.0);
    let percent = spot.to_centre.map(|share| 100.0 * share);
    scene.words("value", (x, y - 0.2 * size), &format!("{} %", percent.words()), (size, INK, Anchor::Middle));
    if let Some(colour) = spot.colour {
        let text = format!("Δu′v′ {}", colour_words(&colour));
        scene.words("value", (x, y + 1.2 * size), &text, (0.7 * size, INK, Anchor::Middle));
    }
}

/// Where cells begin and end along one side of the screen: half-way between places.
fn edges(figures: &Uniformity, side: usize) -> Vec<(f64, [f64; 2])> {
    let mut places: Vec<f64> = figures.spots.iter().filter_map(|spot| spot.at.get(side).copied()).collect();
    places.sort_by(f64::total_cmp);
    places.dedup_by(|one, other| (*one - *other).abs() < 1e-6);
    let between: Vec<f64> = places.windows(2).map(|pair| f64::midpoint(pair[0], pair[1])).collect();
    let from = std::iter::once(0.0).chain(between.iter().copied());
    let to = between.iter().copied().chain(std::iter::once(1.0));
    places.iter().copied().zip(from.zip(to).map(|(from, to)| [from, to])).collect()
}

fn cell(edges: &[(f64, [f64; 2])], at: f64) -> Option<[f64; 2]> {
    edges.iter().find(|(place, _)| (place - at).abs() < 1e-6).map(|(_, cell)| *cell)
}

fn described(figures: &Uniformity) -> String {
    let percent = |share: f64| 100.0 * share;
    let place = |[x, y]: [f64; 2]| format!("{:.0} % across and {:.0} % down", 100.0 * x, 100.0 * y);
    let colour = figures.worst_colour.zip(figures.worst_colour_at).map_or_else(String::new, |(worst, at)| {
        format!(" The largest Δu′v′ from the centre is {} at {}.", worst.words(), place(at))
    });
    format!(
        "{} places. The one farthest from the centre's luminance is {}: {} % off. The darkest has {} % of the brightest's luminance.{colour}",
        figures.spots.len(),
        place(figures.worst_at),
        figures.worst.map(percent).words(),
        figures.min_to_max.map(percent).words()
    )
}
