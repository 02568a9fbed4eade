//! The steps of a meter's scale, stated or seen: readings that don't move for being coarse are not readings of light that doesn't.

use super::Observation;

/// Differences smaller than this share of a value are rounding.
const ROUNDING: f64 = 1e-12;

/// The steps of luminance and of chromaticity.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Steps {
    stated: Option<f64>,
    luminance: Seen,
    u: Seen,
    v: Seen,
}

impl Steps {
    /// Of a meter that says what its step of luminance is, or doesn't.
    pub(super) fn new(stated: Option<f64>) -> Self {
        Self { stated: stated.filter(|step| *step > 0.0), ..Self::default() }
    }

    /// Takes a reading in.
    pub(super) fn see(&mut self, observation: &Observation) {
        self.luminance.see(observation.y);
        if let Some([u, v]) = observation.uv {
            self.u.see(u);
            self.v.see(v);
        }
    }

    /// Forgets what was seen: the meter may measure in another range now.
    pub(super) fn restart(&mut self) {
        *self = Self { stated: self.stated, ..Self::default() };
    }

    /// The step of luminance: what the meter says, else the smallest difference seen.
    pub(super) fn luminance(&self) -> Option<f64> {
        self.stated.or(self.luminance.step)
    }

    /// The larger step of u′ and v′.
    pub(super) fn chromaticity(&self) -> Option<f64> {
        [self.u.step, self.v.step].into_iter().flatten().reduce(f64::max)
    }
}

/// The smallest difference between one value and the next.
#[derive(Clone, Copy, Debug, Default)]
struct Seen {
    latest: Option<f64>,
    step: Option<f64>,
}

impl Seen {
    fn see(&mut self, value: f64) {
        let Some(before) = self.latest.replace(value) else { return };
        let difference = (value - before).abs();
        if difference > ROUNDING * before.abs() {
            self.step = Some(self.step.map_or(difference, |step| step.min(difference)));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_smallest_difference_stands_for_a_step_that_nobody_states() {
        let mut steps = Steps::new(None);
        for (y, u) in [(1.0, 0.2), (1.0, 0.2), (1.5, 0.2), (1.25, 0.201), (2.0, 0.2)] {
            steps.see(&Observation { t_s: 0.0, integration_s: None, y, uv: Some([u, 0.47]) });
        }
        assert_eq!(steps.luminance(), Some(0.25));
        assert!((steps.chromaticity().unwrap() - 0.001).abs() < 1e-12);
        steps.restart();
        assert_eq!((steps.luminance(), steps.chromaticity()), (None, None));
        assert_eq!(Steps::new(Some(0.1)).luminance(), Some(0.1));
    }
}
