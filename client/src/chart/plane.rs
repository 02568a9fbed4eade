//! Planes: what is drawn between two axes, as plain data.

use super::scene::Colour;

/// A picture of one plane, or of several below each other.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Picture {
    /// What it shows, in a line.
    pub title: String,
    /// A line below that.
    pub below: String,
    /// What must not be overlooked: `SIMULATED`.
    pub caution: String,
    /// What can be seen in it, for those who can't see it.
    pub description: String,
    /// The planes, from above.
    pub planes: Vec<Plane>,
}

/// What is drawn between two axes.
#[derive(Clone, Debug, PartialEq)]
pub struct Plane {
    /// The lower axis.
    pub x: Axis,
    /// The left axis.
    pub y: Axis,
    /// How high it is, in units of the picture.
    pub height: f64,
    /// Whether a step is as long along x as along y: a diagram of colours.
    pub square: bool,
    /// What is drawn, the lowest first.
    pub layers: Vec<Layer>,
}

/// One axis.
#[derive(Clone, Debug, PartialEq)]
pub struct Axis {
    /// What it is of, with its unit; nothing is written at one without.
    pub name: String,
    /// The numbers at its ends, the lower first.
    pub ends: (f64, f64),
    /// How numbers lie along it.
    pub kind: Kind,
}

/// How numbers lie along an axis.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Evenly.
    Even,
    /// By their logarithms.
    Decades,
    /// Lengths of time in s, by their logarithms.
    Spans,
}

/// Things of one kind and colour.
#[derive(Clone, Debug, PartialEq)]
pub struct Layer {
    /// What they stand for: a class in the SVG.
    pub role: &'static str,
    /// What the legend says of them; layers of the same key share a line of it, those without have none.
    pub key: String,
    /// Their colour.
    pub colour: Colour,
    /// What they are.
    pub mark: Mark,
}

/// What is drawn. Numbers are those of the axes.
#[derive(Clone, Debug, PartialEq)]
pub enum Mark {
    /// A line through points: x and y.
    Line {
        /// The points.
        points: Vec<(f64, f64)>,
        /// How wide it is, in units of the picture.
        width: f64,
        /// Lengths of its dashes and of the spaces between them; none is a whole line.
        dash: Option<(f64, f64)>,
    },
    /// What lies between two lines: x, low and high.
    Band(Vec<(f64, f64, f64)>),
    /// The area within points: x and y.
    Area(Vec<(f64, f64)>),
    /// Discs: x and y.
    Dots {
        /// The points.
        points: Vec<(f64, f64)>,
        /// Their radius, in units of the picture.
        radius: f64,
    },
    /// Intervals along y: x, low and high.
    Bars(Vec<(f64, f64, f64)>),
    /// Intervals along x: y, low and high.
    Across(Vec<(f64, f64, f64)>),
    /// Words beside a point.
    Words {
        /// The point.
        at: (f64, f64),
        /// What they say.
        text: String,
        /// A point that they are written away from; else they stand to the right, a little above.
        from: Option<(f64, f64)>,
    },
}

/// More figures than this have a band for their intervals, and no bars.
const MOST_BARS: usize = 44;

/// A dashed line.
pub const DASHED: Option<(f64, f64)> = Some((6.0, 4.0));
/// A dotted one.
pub const DOTTED: Option<(f64, f64)> = Some((1.0, 4.0));

impl Axis {
    /// An even axis.
    #[must_use]
    pub fn even(name: &str, ends: (f64, f64)) -> Self {
        Self { name: name.to_owned(), ends, kind: Kind::Even }
    }

    /// An even axis that holds all of `values`, with some room.
    #[must_use]
    pub fn around(name: &str, values: impl IntoIterator<Item = f64>) -> Self {
        Self::even(name, super::scale::roomy(span(values, (0.0, 1.0))))
    }

    /// An axis of decades that holds all of `values` that are above zero, with some room.
    #[must_use]
    pub fn decades(name: &str, values: impl IntoIterator<Item = f64>) -> Self {
        Self::logarithmic(name, values, Kind::Decades)
    }

    /// An axis of lengths of time, in s, that holds all of `values` that are above zero, with some room.
    #[must_use]
    pub fn spans(name: &str, values: impl IntoIterator<Item = f64>) -> Self {
        Self::logarithmic(name, values, Kind::Spans)
    }

    fn logarithmic(name: &str, values: impl IntoIterator<Item = f64>, kind: Kind) -> Self {
        let (low, high) = span(values.into_iter().filter(|value| *value > 0.0), (0.1, 10.0));
        let room = (high / low).powf(0.04).max(1.05);
        Self { name: name.to_owned(), ends: (low / room, high * room), kind }
    }

    /// The same without anything written at it.
    #[must_use]
    pub fn silent(&self) -> Self {
        Self { name: String::new(), ..self.clone() }
    }
}

/// The least and the greatest; `default` where there is none.
fn span(values: impl IntoIterator<Item = f64>, default: (f64, f64)) -> (f64, f64) {
    let finite = values.into_iter().filter(|value| value.is_finite());
    let ends = finite.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high): (f64, f64), value| {
        (low.min(value), high.max(value))
    });
    if ends.0 <= ends.1 { ends } else { default }
}

impl Plane {
    /// A plane without anything in it.
    #[must_use]
    pub fn new(x: Axis, y: Axis, height: f64) -> Self {
        Self { x, y, height, square: false, layers: Vec::new() }
    }

    /// The same with one layer more.
    #[must_use]
    pub fn with(mut self, role: &'static str, key: &str, colour: Colour, mark: Mark) -> Self {
        self.layers.push(Layer { role, key: key.to_owned(), colour, mark });
        self
    }

    /// The same with a line.
    #[must_use]
    pub fn line(
        self,
        role: &'static str,
        key: &str,
        colour: Colour,
        points: impl IntoIterator<Item = (f64, f64)>,
        dash: Option<(f64, f64)>,
    ) -> Self {
        let points = points.into_iter().collect();
        self.with(role, key, colour, Mark::Line { points, width: 1.6, dash })
    }

    /// The same with a straight line from one end of x to the other.
    #[must_use]
    pub fn level(self, role: &'static str, key: &str, colour: Colour, y: f64) -> Self {
        let (from, to) = self.x.ends;
        let points = vec![(from, y), (to, y)];
        self.with(role, key, colour, Mark::Line { points, width: 1.2, dash: DASHED })
    }

    /// The same with figures and their intervals: as bars or, where those would hide each other, as a band.
    #[must_use]
    pub fn figures(
        self,
        role: &'static str,
        key: &str,
        colour: Colour,
        figures: impl IntoIterator<Item = (f64, crate::evaluate::figure::Figure)>,
    ) -> Self {
        let figures: Vec<_> = figures.into_iter().collect();
        let intervals = figures.iter().map(|(x, figure)| (*x, figure.low, figure.high)).collect();
        let points = figures.iter().map(|(x, figure)| (*x, figure.value)).collect();
        let (intervals, radius) = if figures.len() > MOST_BARS {
            (Mark::Band(intervals), 1.5)
        } else {
            (Mark::Bars(intervals), 2.6)
        };
        self.with("interval", key, colour, intervals).with(role, key, colour, Mark::Dots { points, radius })
    }
}
