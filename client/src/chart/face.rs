//! The typeface of pictures: how wide words are, and their outlines. It is part of the program, so that pictures need no fonts
//! of the machine.

use tiny_skia::PathBuilder;
use ttf_parser::{Face as Outlines, GlyphId, OutlineBuilder};

use super::Error;

/// DejaVu Sans, cut down to Latin, Greek, Cyrillic and the signs of plots; its licence is beside it.
const FILE: &[u8] = include_bytes!("../../fonts/DejaVuSans.ttf");

/// The typeface.
#[derive(Debug)]
pub(super) struct Face(Outlines<'static>);

impl Face {
    /// # Errors
    /// [`Error::Typeface`] if what is built in is none.
    pub(super) fn new() -> Result<Self, Error> {
        Outlines::parse(FILE, 0).map(Self).map_err(|_| Error::Typeface)
    }

    /// A character's outline: a box where the typeface has none.
    fn glyph(&self, character: char) -> GlyphId {
        self.0.glyph_index(character).unwrap_or(GlyphId(0))
    }

    /// From units of the typeface to those of letters of `size`.
    fn scale(&self, size: f64) -> f64 {
        size / f64::from(self.0.units_per_em())
    }

    /// How wide a line of words is.
    pub(super) fn width(&self, text: &str, size: f64) -> f64 {
        let units: u32 =
            text.chars().map(|c| u32::from(self.0.glyph_hor_advance(self.glyph(c)).unwrap_or(0))).sum();
        f64::from(units) * self.scale(size)
    }

    /// The outline of a line of words that begins at 0, 0, with y downwards.
    pub(super) fn outline(&self, text: &str, size: f64) -> Option<tiny_skia::Path> {
        let scale = self.scale(size);
        let mut pen = Pen { path: PathBuilder::new(), scale, x: 0.0 };
        for character in text.chars() {
            let glyph = self.glyph(character);
            let _bounds = self.0.outline_glyph(glyph, &mut pen);
            pen.x += f64::from(self.0.glyph_hor_advance(glyph).unwrap_or(0)) * scale;
        }
        pen.path.finish()
    }
}

struct Pen {
    path: PathBuilder,
    scale: f64,
    x: f64,
}

impl Pen {
    #[expect(clippy::cast_possible_truncation, reason = "painting is in single precision")]
    fn at(&self, x: f32, y: f32) -> (f32, f32) {
        ((f64::from(x) * self.scale + self.x) as f32, (-f64::from(y) * self.scale) as f32)
    }
}

impl OutlineBuilder for Pen {
    fn move_to(&mut self, x: f32, y: f32) {
        let (x, y) = self.at(x, y);
        self.path.move_to(x, y);
    }

    fn line_to(&mut self, x: f32, y: f32) {
        let (x, y) = self.at(x, y);
        self.path.line_to(x, y);
    }

    fn quad_to(&mut self, x1: f32, y1: f32, x: f32, y: f32) {
        let ((x1, y1), (x, y)) = (self.at(x1, y1), self.at(x, y));
        self.path.quad_to(x1, y1, x, y);
    }

    fn curve_to(&mut self, x1: f32, y1: f32, x2: f32, y2: f32, x: f32, y: f32) {
        let ((x1, y1), (x2, y2), (x, y)) = (self.at(x1, y1), self.at(x2, y2), self.at(x, y));
        self.path.cubic_to(x1, y1, x2, y2, x, y);
    }

    fn close(&mut self) {
        self.path.close();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_typeface_has_every_sign_that_plots_write() {
        let face = Face::new().unwrap();
        for sign in "Aaz09 .,:;-+/()%°′²³µ·×±−–—…≤≥ΔτσäßéñŁЖ→".chars() {
            assert!(face.0.glyph_index(sign).is_some(), "{sign:?}");
        }
        assert!(face.outline("cd/m²", 12.0).is_some() && face.outline("", 12.0).is_none());
        let (one, two) = (face.width("0", 10.0), face.width("00", 20.0));
        assert!((two / one - 4.0).abs() < 1e-9 && (5.0..8.0).contains(&one), "{one} {two}");
        // What it hasn't is a box, not nothing.
        assert!(face.width("\u{4e2d}", 10.0) > 0.0 && face.outline("\u{4e2d}", 10.0).is_some());
    }
}
