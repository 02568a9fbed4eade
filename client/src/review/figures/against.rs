//! Patches held against what they are meant to be: colour differences, with intervals that hold for all patches at once.

use super::Scene;
use super::formulas;
use super::usable::usable;
use crate::evaluate::aim::Transfer;
use crate::evaluate::difference::Difference;
use crate::evaluate::figure::Figure;
use crate::evaluate::measured::Measured;
use crate::evaluate::together::{self, Apart};
use crate::review::record::Measurement;

/// One patch that has a colour.
#[derive(Clone, Debug)]
pub(super) struct Point {
    pub(super) name: String,
    /// What its code values really say.
    pub(super) signal: [f64; 3],
    pub(super) light: Measured,
    /// X, Y and Z in cd/m²: as measured, and as meant.
    pub(super) xyz: [f64; 3],
    pub(super) aim: [f64; 3],
    /// How far the aim may be off, as black isn't known exactly, in units of the difference.
    slack: f64,
}

/// How two lights, X, Y and Z in cd/m², are told apart.
type Measure = fn(&Difference, [f64; 3], [f64; 3]) -> Option<f64>;

/// The patches of a sequence against the aim.
#[derive(Clone, Debug)]
pub(super) struct Against<'a> {
    scene: &'a Scene,
    pub(super) difference: Difference,
    measure: Measure,
    white: Measured,
    /// Whether lights count with the luminance that was measured: their colour alone is compared.
    level: bool,
    pub(super) points: Vec<Point>,
    /// Names of the patches that have no usable light or no colour.
    pub(super) left_out: Vec<String>,
}

impl<'a> Against<'a> {
    /// Nothing where white wasn't measured, or no patch has a colour.
    pub(super) fn new(scene: &'a Scene, patches: &[&Measurement]) -> Option<Self> {
        let (difference, white) = (formulas::difference(scene)?, scene.white?);
        let mut against = Self {
            scene,
            difference,
            measure: Difference::of,
            white,
            level: false,
            points: Vec::new(),
            left_out: Vec::new(),
        };
        for patch in patches {
            match against.point(patch) {
                Some(point) => against.points.push(point),
                None => against.left_out.push(patch.patch.name.clone()),
            }
        }
        (!against.points.is_empty()).then_some(against)
    }

    fn point(&self, patch: &Measurement) -> Option<Point> {
        let light = usable(patch)?;
        let xyz = light.xyz()?;
        let signal = patch.patch.signal(self.scene.coding);
        let black = self.scene.black.unwrap_or(Measured::exactly(0.0, None));
        let aim = formulas::aim(self.scene, signal, black.luminance)?;
        let slack = self.slack(signal, aim, black);
        Some(Point { name: patch.patch.name.clone(), signal, light, xyz, aim, slack })
    }

    /// How far an aim may be off, as black isn't known exactly.
    fn slack(&self, signal: [f64; 3], aim: [f64; 3], black: Measured) -> f64 {
        let ends = [-1.96, 1.96].map(|u| black.luminance + u * black.luminance_u);
        let slack = ends.iter().filter_map(|black| formulas::aim(self.scene, signal, *black));
        slack.filter_map(|end| (self.measure)(&self.difference, aim, end)).fold(0.0, f64::max)
    }

    /// The same by CIELUV.
    pub(super) fn in_luv(&self) -> Self {
        let mut luv = Self { measure: Difference::of_luv, ..self.clone() };
        let black = self.scene.black.unwrap_or(Measured::exactly(0.0, None));
        let slacks: Vec<f64> =
            luv.points.iter().map(|point| luv.slack(point.signal, point.aim, black)).collect();
        for (point, slack) in luv.points.iter_mut().zip(slacks) {
            point.slack = slack;
        }
        luv
    }

    /// The same with the luminance that was measured for an aim: what is left is colour alone.
    pub(super) fn level(&self) -> Self {
        let mut level = Self { level: true, ..self.clone() };
        for point in &mut level.points {
            let scale = point.light.luminance / point.aim[1];
            if scale.is_finite() {
                point.aim = point.aim.map(|value| value * scale);
            }
        }
        level
    }

    /// White, then every patch: what is drawn.
    pub(super) fn lights(&self) -> Vec<Measured> {
        std::iter::once(self.white).chain(self.points.iter().map(|point| point.light)).collect()
    }

    /// X, Y and Z of drawn lights, one for each point, beside the white that was measured; nothing where a draw has no colour.
    ///
    /// Where signals are relative, a light counts beside the white of its own draw: what is wrong with the meter's scale goes out.
    pub(super) fn xyz(&self, drawn: &[Measured]) -> Vec<Option<[f64; 3]>> {
        let Some((white, drawn)) = drawn.split_first() else { return Vec::new() };
        let scale = match self.scene.aim.transfer {
            Transfer::Pq => 1.0,
            _ => self.white.luminance / white.luminance,
        };
        let each = self.points.iter().zip(drawn).map(|(point, drawn)| {
            let luminance = if self.level { point.light.luminance } else { drawn.luminance * scale };
            formulas::light(drawn.chromaticity?, luminance)
        });
        each.collect()
    }

    /// Not a number where there is none.
    fn between(&self, one: [f64; 3], other: [f64; 3]) -> f64 {
        (self.measure)(&self.difference, one, other).unwrap_or(f64::NAN)
    }

    /// The differences of the points from their aims.
    pub(super) fn values(&self) -> Vec<f64> {
        self.points.iter().map(|point| self.between(point.xyz, point.aim)).collect()
    }

    /// How far draws are from what was measured, and how far the aim may be off.
    pub(super) fn apart(&self) -> Apart {
        Apart::gather(&self.scene.draws, &self.lights(), |drawn| {
            let each =
                self.points.iter().zip(self.xyz(drawn)).map(|(point, xyz)| {
                    xyz.map_or(f64::NAN, |xyz| self.between(point.xyz, xyz) + point.slack)
                });
            each.collect()
        })
    }
}

/// Colour differences of all points, and means of groups of them.
#[derive(Clone, Debug)]
pub(super) struct Differences {
    /// One for each point, with intervals that hold at once.
    pub(super) each: Vec<Option<Figure>>,
    /// One for each group, likewise.
    pub(super) means: Vec<Option<Figure>>,
}

impl Differences {
    pub(super) fn of(against: &Against<'_>, groups: &[Vec<usize>]) -> Self {
        let (values, apart) = (against.values(), against.apart());
        Self { each: together::distances(&values, &apart), means: together::means(&values, &apart, groups) }
    }
}
