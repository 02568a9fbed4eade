//! A panel: a frame with two axes, within which lines are drawn.

use super::face::Face;
use super::scale::{Mark, Scale};
use super::scene::{Anchor, Scene};
use super::{GRID, INK, SOFT};

/// Sizes of letters.
pub(super) const TITLE: f64 = 16.0;
pub(super) const WORDS: f64 = 12.0;
pub(super) const SMALL: f64 = 11.0;

/// Room for the marks of the left axis and what it is called.
pub(super) const LEFT: f64 = 84.0;
/// Room at the right.
pub(super) const RIGHT: f64 = 24.0;

/// Where a panel is, and what its axes span.
#[derive(Clone, Debug)]
pub(super) struct Panel {
    pub(super) x: Scale,
    pub(super) y: Scale,
}

impl Panel {
    /// A panel from `top` to `bottom`, as wide as the picture allows.
    pub(super) fn new(scene: &Scene, (top, bottom): (f64, f64), x: (f64, f64), y: (f64, f64)) -> Self {
        let x = Scale { values: x, places: (LEFT, scene.size.0 - RIGHT) };
        Self { x, y: Scale { values: y, places: (bottom, top) } }
    }

    /// A point of it in the picture.
    pub(super) fn at(&self, x: f64, y: f64) -> (f64, f64) {
        (self.x.at(x), self.y.at(y))
    }

    /// Its top and bottom in the picture.
    pub(super) fn ends(&self) -> (f64, f64) {
        (self.y.places.1, self.y.places.0)
    }

    /// The area from one x to another, as high as the panel.
    pub(super) fn column(&self, from: f64, to: f64) -> Vec<(f64, f64)> {
        let ((top, bottom), from, to) = (self.ends(), self.x.at(from), self.x.at(to));
        vec![(from, top), (to, top), (to, bottom), (from, bottom)]
    }

    /// The grid and the marks of the left axis, with what that is called.
    pub(super) fn left_axis(&self, scene: &mut Scene, marks: &[Mark], name: &str) {
        let (left, right) = self.x.places;
        for mark in marks {
            let y = self.y.at(mark.value);
            scene.line("grid", vec![(left, y), (right, y)], GRID, 1.0, None);
            scene.words("label", (left - 6.0, y + 4.0), &mark.label, (WORDS, INK, Anchor::End));
        }
        let (top, bottom) = self.ends();
        scene.upright("label", (13.0, f64::midpoint(top, bottom)), name, (WORDS, SOFT));
    }

    /// The grid of the lower axis.
    pub(super) fn lower_grid(&self, scene: &mut Scene, marks: &[Mark]) {
        let (top, bottom) = self.ends();
        for mark in marks {
            let x = self.x.at(mark.value);
            scene.line("grid", vec![(x, top), (x, bottom)], GRID, 1.0, None);
        }
    }

    /// The marks of the lower axis, with what that is called; those that would run into each other stay away.
    pub(super) fn lower_axis(&self, scene: &mut Scene, face: &Face, marks: &[Mark], name: &str) {
        let (_, bottom) = self.ends();
        let (left, right) = self.x.places;
        let mut taken = f64::NEG_INFINITY;
        for mark in marks {
            let (x, half) = (self.x.at(mark.value), face.width(&mark.label, WORDS) / 2.0);
            if x - half < taken + 6.0 || mark.label.is_empty() {
                continue;
            }
            taken = x + half;
            scene.words("label", (x, bottom + 18.0), &mark.label, (WORDS, INK, Anchor::Middle));
        }
        let middle = f64::midpoint(left, right);
        scene.words("label", (middle, bottom + 36.0), name, (WORDS, SOFT, Anchor::Middle));
    }

    /// Its frame, painted above what is in it.
    pub(super) fn frame(&self, scene: &mut Scene) {
        let ((left, right), (top, bottom)) = (self.x.places, self.ends());
        let corners = vec![(left, top), (right, top), (right, bottom), (left, bottom), (left, top)];
        scene.line("frame", corners, SOFT, 1.0, None);
    }
}

/// The title and the line below it; what must not be overlooked stands at the right.
pub(super) fn heading(scene: &mut Scene, face: &Face, title: &str, below: &str, caution: &str) {
    heading_at(scene, face, LEFT, (title, below, caution));
}

/// The same from another place on.
pub(super) fn heading_at(
    scene: &mut Scene,
    face: &Face,
    left: f64,
    (title, below, caution): (&str, &str, &str),
) {
    let right = scene.size.0 - RIGHT;
    scene.words("caution", (right, 26.0), caution, (TITLE, super::VERMILION, Anchor::End));
    let room = right - left - face.width(caution, TITLE) - 16.0;
    scene.words("title", (left, 26.0), &fitting(face, title, TITLE, room), (TITLE, INK, Anchor::Start));
    let below = fitting(face, below, WORDS, right - left);
    scene.words("label", (left, 45.0), &below, (WORDS, SOFT, Anchor::Start));
}

/// Words cut where there is no more room for them.
pub(super) fn fitting(face: &Face, text: &str, size: f64, room: f64) -> String {
    if face.width(text, size) <= room {
        return text.to_owned();
    }
    let mut kept = String::new();
    for character in text.chars() {
        kept.push(character);
        if face.width(&kept, size) + face.width("…", size) > room {
            kept.pop();
            break;
        }
    }
    kept + "…"
}
