//! Planes drawn: heading, legends, axes, and what is between them.

use super::face::Face;
use super::panel::{self, LEFT, Panel, RIGHT, SMALL, heading};
use super::plane::{Axis, Kind, Layer, Mark, Picture, Plane};
use super::scale::{self, Scale, decades, marks, spans};
use super::scene::{Anchor, Colour, Scene};
use super::{Error, INK};

/// How wide a picture is.
const WIDTH: f64 = 720.0;
/// Room for the heading.
const TOP: f64 = 60.0;
/// A line of a legend.
const LINE: f64 = 18.0;
/// Room below a plane for its axis, and where nothing is written there.
const AXIS: f64 = 46.0;
const BARE: f64 = 12.0;
/// A key's sign, and the space behind its words.
const SIGN: f64 = 24.0;
const BEHIND: f64 = 18.0;
/// Half of what closes an interval.
const CAP: f64 = 3.0;

impl Picture {
    /// Draws it.
    ///
    /// # Errors
    /// [`Error::Typeface`] if words can't be measured.
    pub fn scene(&self) -> Result<Scene, Error> {
        let face = Face::new()?;
        let legends: Vec<Vec<Vec<Key<'_>>>> =
            self.planes.iter().map(|plane| rows(&face, keys(&plane.layers))).collect();
        let below = |plane: &Plane| if plane.x.name.is_empty() { BARE } else { AXIS };
        let heights = self.planes.iter().zip(&legends);
        let height =
            heights.map(|(plane, rows)| plane.height + LINE * rows.len() as f64 + below(plane)).sum::<f64>();
        let mut scene = Scene::new((WIDTH, TOP + height + 4.0), self.title.clone());
        scene.description.clone_from(&self.description);
        heading(&mut scene, &face, &self.title, &self.below, &self.caution);
        let mut top = TOP;
        for (plane, rows) in self.planes.iter().zip(&legends) {
            for row in rows {
                legend(&mut scene, &face, row, top);
                top += LINE;
            }
            draw(&mut scene, &face, plane, top);
            top += plane.height + below(plane);
        }
        Ok(scene)
    }
}

fn draw(scene: &mut Scene, face: &Face, plane: &Plane, top: f64) {
    let panel = placed(plane, top);
    let (x, y) = (marks_of(&plane.x, &panel.x, 80.0), marks_of(&plane.y, &panel.y, 34.0));
    panel.lower_grid(scene, &x);
    panel.left_axis(scene, &y, &plane.y.name);
    for layer in &plane.layers {
        mark(scene, &Drawn { plane, panel: &panel, layer });
    }
    panel.frame(scene);
    if !plane.x.name.is_empty() {
        panel.lower_axis(scene, face, &x, &plane.x.name);
    }
}

fn placed(plane: &Plane, top: f64) -> Panel {
    let (left, mut right) = (LEFT, WIDTH - RIGHT);
    let (x, y) = (scaled(&plane.x), scaled(&plane.y));
    if plane.square {
        right = left + (x.1 - x.0) * plane.height / (y.1 - y.0);
    }
    Panel {
        x: Scale { values: x, places: (left, right) },
        y: Scale { values: y, places: (top + plane.height, top) },
    }
}

/// The ends of an axis as its panel counts them.
fn scaled(axis: &Axis) -> (f64, f64) {
    match axis.kind {
        Kind::Even => axis.ends,
        Kind::Decades | Kind::Spans => (axis.ends.0.log10(), axis.ends.1.log10()),
    }
}

fn marks_of(axis: &Axis, scale: &Scale, apart: f64) -> Vec<scale::Mark> {
    match axis.kind {
        Kind::Even => marks(scale.values, ((scale.places.1 - scale.places.0).abs() / apart).max(2.0)),
        Kind::Decades => decades(scale.values, |value| settled::settle::digits::significant(value, 1)),
        Kind::Spans => spans(scale.values),
    }
}

/// A layer where it is drawn.
struct Drawn<'a> {
    plane: &'a Plane,
    panel: &'a Panel,
    layer: &'a Layer,
}

impl Drawn<'_> {
    /// A number along an axis; nothing where it isn't on it at all.
    fn place(axis: &Axis, scale: &Scale, value: f64) -> Option<f64> {
        let value = if axis.kind == Kind::Even { value } else { value.log10() };
        value.is_finite().then(|| scale.at(value))
    }

    fn at(&self, (x, y): (f64, f64)) -> Option<(f64, f64)> {
        let x = Self::place(&self.plane.x, &self.panel.x, x)?;
        Some((x, Self::place(&self.plane.y, &self.panel.y, y)?))
    }

    fn all(&self, points: &[(f64, f64)]) -> Vec<(f64, f64)> {
        let (top, bottom) = self.panel.ends();
        let inside = |(x, y): (f64, f64)| (x, y.clamp(top - 1.0, bottom + 1.0));
        points.iter().filter_map(|point| self.at(*point)).map(inside).collect()
    }

    /// Where an interval begins and ends, and whether either end is one: it may go on beyond the axis.
    fn interval(axis: &Axis, scale: &Scale, low: f64, high: f64) -> [(f64, bool); 2] {
        [low, high].map(|end| {
            let (from, to) = axis.ends;
            let held = end.clamp(from, to);
            let place = Self::place(axis, scale, held).unwrap_or(scale.places.0);
            (place, (from..=to).contains(&end))
        })
    }
}

fn mark(scene: &mut Scene, drawn: &Drawn<'_>) {
    let Layer { role, colour, mark, .. } = drawn.layer;
    match mark {
        Mark::Line { points, width, dash } => {
            let points = drawn.all(points);
            if points.len() > 1 {
                scene.line(role, points, *colour, *width, *dash);
            }
        }
        Mark::Band(points) => {
            let low = points.iter().map(|(x, low, _)| (*x, *low));
            let around: Vec<_> = points.iter().map(|(x, _, high)| (*x, *high)).chain(low.rev()).collect();
            let around = drawn.all(&around);
            if around.len() > 2 {
                scene.area(role, around, *colour, 0.18);
            }
        }
        Mark::Area(points) => scene.area(role, drawn.all(points), *colour, 1.0),
        Mark::Dots { points, radius } => {
            let (top, bottom) = drawn.panel.ends();
            // What is beyond the axis isn't drawn at another place.
            let is_within = |(_, y): &(f64, f64)| (top - 0.5..=bottom + 0.5).contains(y);
            for at in points.iter().filter_map(|point| drawn.at(*point)).filter(is_within) {
                scene.dot(role, at, *colour, *radius);
            }
        }
        Mark::Bars(bars) => {
            for (x, low, high) in bars {
                let Some(x) = Drawn::place(&drawn.plane.x, &drawn.panel.x, *x) else { continue };
                let ends = Drawn::interval(&drawn.plane.y, &drawn.panel.y, *low, *high);
                bar(scene, (role, *colour), ends, |along, aside| (x + aside, along));
            }
        }
        Mark::Across(bars) => {
            for (y, low, high) in bars {
                let Some(y) = Drawn::place(&drawn.plane.y, &drawn.panel.y, *y) else { continue };
                let ends = Drawn::interval(&drawn.plane.x, &drawn.panel.x, *low, *high);
                bar(scene, (role, *colour), ends, |along, aside| (along, y + aside));
            }
        }
        Mark::Words { at, text, from } => {
            let Some((x, y)) = drawn.at(*at) else { return };
            let ((aside, down), anchor) = beside((x, y), from.and_then(|from| drawn.at(from)));
            let (top, bottom) = drawn.panel.ends();
            let base = (y + down).clamp(top + SMALL, bottom - 5.0);
            scene.words(role, (x + aside, base), text, (SMALL, *colour, anchor));
        }
    }
}

/// Where the base line of words beside a point is against it, and which part of them.
fn beside((x, y): (f64, f64), from: Option<(f64, f64)>) -> ((f64, f64), Anchor) {
    let Some((from_x, from_y)) = from else { return ((6.0, -5.0), Anchor::Start) };
    let (across, along) = (x - from_x, y - from_y);
    let far = across.hypot(along).max(f64::MIN_POSITIVE);
    let (across, along) = (across / far, along / far);
    match across {
        // Half of the letters' height lies above the middle of a line.
        right if right > 0.4 => ((9.0 * across, 9.0 * along + 4.0), Anchor::Start),
        left if left < -0.4 => ((9.0 * across, 9.0 * along + 4.0), Anchor::End),
        _ if along < 0.0 => ((0.0, -9.0), Anchor::Middle),
        _ => ((0.0, 17.0), Anchor::Middle),
    }
}

/// An interval, closed where it ends.
fn bar(
    scene: &mut Scene,
    (role, colour): (&'static str, Colour),
    ends: [(f64, bool); 2],
    at: impl Fn(f64, f64) -> (f64, f64),
) {
    let [(low, _), (high, _)] = ends;
    scene.line(role, vec![at(low, 0.0), at(high, 0.0)], colour, 1.1, None);
    if (high - low).abs() > 2.0 {
        for (end, _) in ends.iter().filter(|(_, is_end)| *is_end) {
            scene.line(role, vec![at(*end, -CAP), at(*end, CAP)], colour, 1.1, None);
        }
    }
}

/// A line of a legend's words, and the layers that they are of.
struct Key<'a> {
    words: &'a str,
    layers: Vec<&'a Layer>,
}

fn keys(layers: &[Layer]) -> Vec<Key<'_>> {
    let mut keys: Vec<Key<'_>> = Vec::new();
    for layer in layers.iter().filter(|layer| !layer.key.is_empty()) {
        match keys.iter_mut().find(|key| key.words == layer.key) {
            Some(key) => key.layers.push(layer),
            None => keys.push(Key { words: &layer.key, layers: vec![layer] }),
        }
    }
    keys
}

/// Keys in as few lines as they fit.
fn rows<'a>(face: &Face, keys: Vec<Key<'a>>) -> Vec<Vec<Key<'a>>> {
    let room = WIDTH - LEFT - RIGHT;
    let mut rows: Vec<Vec<Key<'a>>> = Vec::new();
    let mut used = f64::INFINITY;
    for key in keys {
        let wide = wide(face, &key);
        if used + wide > room {
            rows.push(Vec::new());
            used = 0.0;
        }
        used += wide;
        if let Some(row) = rows.last_mut() {
            row.push(key);
        }
    }
    rows
}

fn wide(face: &Face, key: &Key<'_>) -> f64 {
    SIGN + 6.0 + face.width(key.words, SMALL) + BEHIND
}

fn legend(scene: &mut Scene, face: &Face, row: &[Key<'_>], top: f64) {
    let (mut x, y) = (LEFT, top + 6.0);
    for key in row {
        for layer in &key.layers {
            sign(scene, layer, (x, y));
        }
        scene.words("label", (x + SIGN + 6.0, y + 4.0), key.words, (SMALL, INK, Anchor::Start));
        x += wide(face, key);
    }
}

/// What stands for a layer in the legend.
fn sign(scene: &mut Scene, layer: &Layer, (x, y): (f64, f64)) {
    let (middle, colour) = (x + SIGN / 2.0, layer.colour);
    match &layer.mark {
        Mark::Line { width, dash, .. } => {
            scene.line("key", vec![(x, y), (x + SIGN, y)], colour, *width, *dash)
        }
        Mark::Band(_) => {
            let corners = vec![(x, y - 5.0), (x + SIGN, y - 5.0), (x + SIGN, y + 5.0), (x, y + 5.0)];
            scene.area("key", corners, colour, 0.18);
        }
        Mark::Dots { radius, .. } => scene.dot("key", (middle, y), colour, *radius),
        Mark::Bars(_) | Mark::Across(_) => {
            scene.line("key", vec![(middle, y - 6.0), (middle, y + 6.0)], colour, 1.1, None);
        }
        Mark::Area(_) | Mark::Words { .. } => {}
    }
}

/// A picture of its own kind, with the same heading as the others.
#[derive(Clone, Debug)]
pub(crate) struct Framed {
    /// What it shows, in a line.
    pub(crate) title: String,
    /// A line below that.
    pub(crate) below: String,
    /// What must not be overlooked.
    pub(crate) caution: String,
    /// The height that it needs.
    pub(crate) height: f64,
}

/// Where there is room in it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Room {
    pub(crate) left: f64,
    pub(crate) right: f64,
    pub(crate) top: f64,
}

/// Begins a picture of its own kind.
///
/// # Errors
/// [`Error::Typeface`] if words can't be measured.
pub(crate) fn framed(what: &Framed) -> Result<(Scene, Room), Error> {
    let face = Face::new()?;
    let mut scene = Scene::new((WIDTH, TOP + what.height + RIGHT), what.title.clone());
    panel::heading_at(&mut scene, &face, RIGHT, (&what.title, &what.below, &what.caution));
    Ok((scene, Room { left: RIGHT, right: WIDTH - RIGHT, top: TOP }))
}

#[cfg(test)]
mod tests;
