//! Outliers and steps: one or two odd readings are set aside, three in a row are a change of the light.
//!
//! A reading is suspect if it differs from the median of the last nine by more than six scales and a band (the Hampel identifier,
//! Davies and Gather 1993, cited from memory). The scale is the larger of 1.4826 times the median absolute deviation of these nine and the median of
//! the last 31 absolute differences over 0.954. The band keeps it from firing on quantised readings, whose deviation may be zero.

use super::Reading;

/// Readings that the scale is taken from.
const DEPTH: usize = 32;

/// Readings that the median is taken from.
const NEAR: usize = 9;

/// With fewer readings than this nothing is suspect.
const FEWEST: usize = 7;

/// Suspects in a row that make a step.
const STEP: usize = 3;

/// Scales by which a suspect differs.
const SCALES: f64 = 6.0;

/// What a reading turned out to be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Passed {
    /// An ordinary reading; this many suspects before it were outliers.
    Ordinary(usize),
    /// Suspect: wait for more.
    Suspect,
    /// The last of three suspects in a row: the light has changed, from the first of them on.
    Step([Reading; STEP]),
}

/// The last accepted readings, and suspects.
#[derive(Clone, Debug)]
pub(super) struct Gate {
    /// Luminance, u′ and v′, oldest first; each at most [`DEPTH`] long. Unknown chromaticities are left out.
    history: [Vec<f64>; 3],
    suspects: Vec<Reading>,
    scratch: Vec<f64>,
}

impl Gate {
    pub(super) fn new() -> Self {
        let depth = || Vec::with_capacity(DEPTH + 1);
        Self { history: [depth(), depth(), depth()], suspects: Vec::with_capacity(STEP), scratch: depth() }
    }

    /// Forgets suspects: what comes next is not a neighbour of what came before.
    pub(super) fn interrupt(&mut self) {
        self.suspects.clear();
    }

    /// Looks at one reading; `bands` are those of luminance, u′ and v′ at its level.
    pub(super) fn pass(&mut self, reading: Reading, bands: [f64; 3]) -> Passed {
        let values = [reading.y, reading.uv[0], reading.uv[1]];
        let odd = (0..3).any(|channel| self.is_odd(channel, values[channel], bands[channel]));
        if !odd {
            let outliers = self.suspects.len();
            self.suspects.clear();
            self.remember(values);
            return Passed::Ordinary(outliers);
        }
        self.suspects.push(reading);
        let Ok(step) = <[Reading; STEP]>::try_from(self.suspects.as_slice()) else { return Passed::Suspect };
        self.suspects.clear();
        self.history.iter_mut().for_each(Vec::clear);
        for reading in step {
            self.remember([reading.y, reading.uv[0], reading.uv[1]]);
        }
        Passed::Step(step)
    }

    fn remember(&mut self, values: [f64; 3]) {
        for (history, value) in self.history.iter_mut().zip(values).filter(|(_, value)| value.is_finite()) {
            history.push(value);
            if history.len() > DEPTH {
                history.remove(0);
            }
        }
    }

    fn is_odd(&mut self, channel: usize, value: f64, band: f64) -> bool {
        let Self { history, scratch, .. } = self;
        let Some(history) =
            history.get(channel).filter(|history| history.len() >= FEWEST && value.is_finite())
        else {
            return false;
        };
        let near = history.get(history.len().saturating_sub(NEAR)..).unwrap_or_default();
        let middle = median(scratch, near.iter().copied());
        let deviation = 1.4826 * median(scratch, near.iter().map(|x| (x - middle).abs()));
        let differences = history.windows(2).map(|pair| (pair[1] - pair[0]).abs());
        let scale = deviation.max(median(scratch, differences) / 0.954);
        (value - middle).abs() > SCALES * scale + band
    }
}

fn median(scratch: &mut Vec<f64>, values: impl Iterator<Item = f64>) -> f64 {
    scratch.clear();
    scratch.extend(values);
    let n = scratch.len();
    if n == 0 {
        return 0.0;
    }
    let (below, middle, _) = scratch.select_nth_unstable_by(n / 2, f64::total_cmp);
    if n % 2 == 1 {
        return *middle;
    }
    let lower = below.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    0.5 * (*middle + lower)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reading(t_s: f64, y: f64) -> Reading {
        Reading { t_s, y, uv: [f64::NAN; 2] }
    }

    #[test]
    fn one_odd_reading_is_set_aside_and_three_are_a_step() {
        let mut gate = Gate::new();
        let mut pass = |t: u32, y: f64| gate.pass(reading(f64::from(t), y), [0.5; 3]);
        for t in 0..20 {
            assert_eq!(pass(t, 100.0 + 0.1 * f64::from(t % 3)), Passed::Ordinary(0));
        }
        assert_eq!(pass(20, 300.0), Passed::Suspect);
        assert_eq!(pass(21, 100.1), Passed::Ordinary(1));
        assert_eq!(pass(22, 50.0), Passed::Suspect);
        assert_eq!(pass(23, 50.0), Passed::Suspect);
        assert!(matches!(pass(24, 50.1), Passed::Step(step) if step[0].t_s == 22.0));
        assert_eq!(pass(25, 50.0), Passed::Ordinary(0));
    }

    #[test]
    fn medians_of_even_and_odd_counts() {
        let mut scratch = Vec::new();
        assert!((median(&mut scratch, [3.0, 1.0, 2.0].into_iter()) - 2.0).abs() < 1e-15);
        assert!((median(&mut scratch, [4.0, 1.0, 2.0, 3.0].into_iter()) - 2.5).abs() < 1e-15);
    }
}
