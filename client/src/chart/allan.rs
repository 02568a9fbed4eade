//! The picture of an Allan deviation: how steady means are, by how long they are taken over.

use settled_protocol::reading::Flag;
use settled_protocol::statistics::{Deviation, Noise, Statistics};

use super::face::Face;
use super::panel::{Panel, SMALL, heading};
use super::scale::{decades, spans};
use super::scene::{Anchor, Scene};
use super::{BLUE, Error, INK, SOFT};
use crate::show;

/// Room above the panel and below it.
const TOP: f64 = 72.0;
const BOTTOM: f64 = 56.0;

/// Draws the Allan deviation of luminance or illuminance; nothing where there are too few readings for one.
///
/// # Errors
/// [`Error::Typeface`] if words can't be measured.
pub fn allan(name: &str, statistics: &Statistics, size: (f64, f64)) -> Result<Option<Scene>, Error> {
    let face = Face::new()?;
    let points: Vec<&Deviation> =
        statistics.value.allan.iter().filter(|point| point.tau_s > 0.0 && point.low > 0.0).collect();
    let (Some(first), Some(last)) = (points.first(), points.last()) else { return Ok(None) };
    let mut scene = Scene::new(size, format!("{name}: Allan deviation"));
    let unit = statistics.quantity.unit();
    let below = format!(
        "{} from {}; bars hold it with 95 %; by NIST SP 1065, overlapping",
        show::counted(statistics.count, "reading", "readings"),
        show::moment(statistics.since)
    );
    let words = [(Flag::Simulated, "SIMULATED"), (Flag::Replayed, "REPLAYED")];
    let unreal: Vec<&str> =
        words.into_iter().filter(|(flag, _)| statistics.flags.contains(flag)).map(|(_, word)| word).collect();
    let title = scene.title.clone();
    heading(&mut scene, &face, &title, &below, &unreal.join(", "));
    let low = points.iter().map(|point| point.low).fold(f64::INFINITY, f64::min).log10();
    let high = points.iter().map(|point| point.high).fold(0.0, f64::max).log10();
    let (room_x, room_y) = (0.1, 0.1 + 0.05 * (high - low));
    let x = (first.tau_s.log10() - room_x, last.tau_s.log10() + room_x);
    let panel = Panel::new(&scene, (TOP, size.1 - BOTTOM), x, (low - room_y, high + room_y));
    let times = spans(panel.x.values);
    panel.lower_grid(&mut scene, &times);
    panel.left_axis(&mut scene, &decades(panel.y.values, plain), &format!("deviation, {unit}"));
    draw(&mut scene, &points, &panel);
    panel.frame(&mut scene);
    panel.lower_axis(&mut scene, &face, &times, "averaging time");
    scene.description = described(statistics, &points, &unreal);
    Ok(Some(scene))
}

fn draw(scene: &mut Scene, points: &[&Deviation], panel: &Panel) {
    let along = points.iter().map(|point| panel.at(point.tau_s.log10(), point.deviation.log10()));
    scene.line("deviation", along.clone().collect(), BLUE, 1.2, None);
    for (point, at) in points.iter().zip(along) {
        let (low, high) = (panel.y.at(point.low.log10()), panel.y.at(point.high.log10()));
        scene.line("interval", vec![(at.0, low), (at.0, high)], BLUE, 1.2, None);
        for end in [low, high] {
            scene.line("interval", vec![(at.0 - 3.0, end), (at.0 + 3.0, end)], BLUE, 1.2, None);
        }
        scene.dot("point", at, BLUE, 3.0);
    }
    // The noise of each stretch of averaging times, above its points.
    let top = panel.ends().0;
    for (index, alike) in points.chunk_by(|one, other| one.noise == other.noise).enumerate() {
        let (Some(first), Some(last)) = (alike.first(), alike.last()) else { continue };
        let (from, to) = (panel.x.at(first.tau_s.log10()), panel.x.at(last.tau_s.log10()));
        // Neighbours stand on two lines, so that short ones don't run into each other.
        let y = top + if index % 2 == 0 { 16.0 } else { 32.0 };
        scene.words(
            "noise",
            (f64::midpoint(from, to), y),
            noise(alike[0].noise),
            (SMALL, INK, Anchor::Middle),
        );
        scene.line("noise", vec![(from - 4.0, y + 4.0), (to + 4.0, y + 4.0)], SOFT, 1.0, None);
    }
}

/// What kind of noise it is, in a word or two.
#[must_use]
pub fn noise(noise: Noise) -> &'static str {
    match noise {
        Noise::Phase => "phase",
        Noise::White => "white",
        Noise::Flicker => "flicker",
        Noise::RandomWalk => "random walk",
        Noise::Drift => "drift",
        Noise::Unknown => "unknown",
    }
}

/// A number in as few digits as it has.
fn plain(value: f64) -> String {
    settled::settle::digits::significant(value, 1)
}

fn described(statistics: &Statistics, points: &[&Deviation], unreal: &[&str]) -> String {
    let unit = statistics.quantity.unit();
    let each = points.iter().map(|point| {
        format!(
            "{} over {}, {} to {}, {}",
            show::number(point.deviation),
            show::span(point.tau_s),
            show::number(point.low),
            show::number(point.high),
            noise(point.noise)
        )
    });
    let unreal = if unreal.is_empty() { String::new() } else { format!("{} data. ", unreal.join(" and ")) };
    format!("{unreal}Allan deviation in {unit}: {}.", each.collect::<Vec<_>>().join("; "))
}
