//! A ramp of greys as it was measured, with the white and black that it lies between.

use super::measured::Measured;

/// Greys from dark to light, and white and black.
///
/// Figures of a ramp are functions of its [`lights`](Self::lights), so that they can be drawn: a step that is white or black itself is drawn once.
#[derive(Clone, Debug, PartialEq)]
pub struct Ramp {
    signals: Vec<f64>,
    lights: Vec<Measured>,
    white: usize,
    black: Option<usize>,
}

impl Ramp {
    /// Of steps of a signal from 0 to 1 and its light. A step of signal 1 or 0 is the ramp's own white or black, as it was shown like the others; `white`
    /// and `black` are those where there is none. Nothing without a white that is above black.
    #[must_use]
    pub fn new(steps: &[(f64, Measured)], white: Option<Measured>, black: Option<Measured>) -> Option<Self> {
        let mut steps = steps.to_vec();
        steps.sort_by(|(a, _), (b, _)| a.total_cmp(b));
        let signals: Vec<f64> = steps.iter().map(|(signal, _)| *signal).collect();
        let mut lights: Vec<Measured> = steps.into_iter().map(|(_, light)| light).collect();
        let mut end = |own: Option<usize>, other: Option<Measured>| {
            own.or_else(|| {
                lights.push(other?);
                Some(lights.len() - 1)
            })
        };
        let white = end(signals.iter().rposition(|signal| *signal >= 1.0), white)?;
        let black = end(signals.iter().position(|signal| *signal <= 0.0), black);
        let ramp = Self { signals, lights, white, black };
        (ramp.white(&ramp.lights) > ramp.black(&ramp.lights)).then_some(ramp)
    }

    /// Signals of the steps, from dark to light.
    #[must_use]
    pub fn signals(&self) -> &[f64] {
        &self.signals
    }

    /// The lights of the steps in the same order, and whatever else is to be drawn with them.
    #[must_use]
    pub fn lights(&self) -> &[Measured] {
        &self.lights
    }

    /// Each step's signal, and its light among `lights`.
    pub fn steps<'a>(
        &'a self,
        lights: &'a [Measured],
    ) -> impl DoubleEndedIterator<Item = (f64, &'a Measured)> + 'a {
        self.signals.iter().copied().zip(lights)
    }

    /// White's luminance among `lights`, in cd/m².
    #[must_use]
    pub fn white(&self, lights: &[Measured]) -> f64 {
        lights.get(self.white).map_or(0.0, |light| light.luminance)
    }

    /// Black's luminance among `lights`, in cd/m²: 0 where nobody measured it, or noise made it less.
    #[must_use]
    pub fn black(&self, lights: &[Measured]) -> f64 {
        self.black.and_then(|black| lights.get(black)).map_or(0.0, |light| light.luminance.max(0.0))
    }

    /// Standard uncertainty of black, in cd/m²; 0 where nobody measured it.
    #[must_use]
    pub fn black_u(&self) -> f64 {
        self.black.and_then(|black| self.lights.get(black)).map_or(0.0, |light| light.luminance_u)
    }

    /// Whether black was measured.
    #[must_use]
    pub fn has_black(&self) -> bool {
        self.black.is_some()
    }
}
