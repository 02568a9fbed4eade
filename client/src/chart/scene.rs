//! A picture as plain data: shapes in the order they are painted, of no format yet.

/// A colour: red, green, blue, 0 to 255 each.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Colour(pub u8, pub u8, pub u8);

/// Where words stand against their point.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Anchor {
    /// They begin there.
    Start,
    /// Their middle is there.
    Middle,
    /// They end there.
    End,
}

/// What is painted. Points are `(x, y)` in units of the picture, from its upper left corner.
#[derive(Clone, Debug, PartialEq)]
pub enum Form {
    /// A line through points.
    Line {
        /// The points.
        points: Vec<(f64, f64)>,
        /// How wide it is.
        width: f64,
        /// Lengths of its dashes and of the spaces between them; none is a whole line.
        dash: Option<(f64, f64)>,
    },
    /// The area within points.
    Area {
        /// The points; the last is joined to the first.
        points: Vec<(f64, f64)>,
        /// How much it covers what is below it, from 0 to 1.
        opacity: f64,
    },
    /// A disc.
    Dot {
        /// Its middle.
        at: (f64, f64),
        /// Its radius.
        radius: f64,
    },
    /// Words on one line.
    Words {
        /// Where their base line is.
        at: (f64, f64),
        /// What they say.
        text: String,
        /// Size of the letters.
        size: f64,
        /// Where they stand against `at`.
        anchor: Anchor,
        /// Whether they are turned by a quarter, to be read from below to above.
        turned: bool,
    },
}

/// Whether words of a role stand among lines: the ground's colour lies about their letters then, wherever they are drawn.
pub(super) fn has_halo(role: &str) -> bool {
    role == "name"
}

/// A shape, and what it stands for.
#[derive(Clone, Debug, PartialEq)]
pub struct Shape {
    /// What it stands for: a class in the SVG.
    pub role: &'static str,
    /// Its colour.
    pub colour: Colour,
    /// What is painted.
    pub form: Form,
}

/// A picture.
#[derive(Clone, Debug, PartialEq)]
pub struct Scene {
    /// Width and height in its own units: pixels of a plain screen.
    pub size: (f64, f64),
    /// What it shows, in a line.
    pub title: String,
    /// What can be seen in it, for those who can't see it.
    pub description: String,
    /// The shapes, the lowest first.
    pub shapes: Vec<Shape>,
}

impl Scene {
    /// An empty picture.
    #[must_use]
    pub fn new(size: (f64, f64), title: String) -> Self {
        Self { size, title, description: String::new(), shapes: Vec::new() }
    }

    /// Adds a line.
    pub(crate) fn line(
        &mut self,
        role: &'static str,
        points: Vec<(f64, f64)>,
        colour: Colour,
        width: f64,
        dash: Option<(f64, f64)>,
    ) {
        self.shapes.push(Shape { role, colour, form: Form::Line { points, width, dash } });
    }

    /// Adds an area.
    pub(crate) fn area(&mut self, role: &'static str, points: Vec<(f64, f64)>, colour: Colour, opacity: f64) {
        self.shapes.push(Shape { role, colour, form: Form::Area { points, opacity } });
    }

    /// Adds a disc.
    pub(crate) fn dot(&mut self, role: &'static str, at: (f64, f64), colour: Colour, radius: f64) {
        self.shapes.push(Shape { role, colour, form: Form::Dot { at, radius } });
    }

    /// Adds words that aren't turned.
    pub(crate) fn words(
        &mut self,
        role: &'static str,
        at: (f64, f64),
        text: &str,
        (size, colour, anchor): (f64, Colour, Anchor),
    ) {
        let form = Form::Words { at, text: text.to_owned(), size, anchor, turned: false };
        self.shapes.push(Shape { role, colour, form });
    }

    /// Adds words that are read from below to above.
    pub(crate) fn upright(
        &mut self,
        role: &'static str,
        at: (f64, f64),
        text: &str,
        (size, colour): (f64, Colour),
    ) {
        let form = Form::Words { at, text: text.to_owned(), size, anchor: Anchor::Middle, turned: true };
        self.shapes.push(Shape { role, colour, form });
    }
}
