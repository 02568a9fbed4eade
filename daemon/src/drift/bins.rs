//! Readings as they come, averaged into equal bins for the Allan deviation.

use super::allan::{Allan, Averaged};
use super::order::quantile;

/// Lengths that a bin has by itself, in s: those that people think in.
const LENGTHS_S: [f64; 31] = [
    0.01,
    0.02,
    0.05,
    0.1,
    0.2,
    0.5,
    1.0,
    2.0,
    5.0,
    10.0,
    20.0,
    30.0,
    60.0,
    120.0,
    300.0,
    600.0,
    900.0,
    1200.0,
    1800.0,
    3600.0,
    7200.0,
    10_800.0,
    14_400.0,
    21_600.0,
    28_800.0,
    43_200.0,
    86_400.0,
    172_800.0,
    345_600.0,
    691_200.0,
    1_382_400.0,
];

/// A bin is longer than the usual time between readings by this: one that is late leaves no bin empty.
const ROOM: f64 = 1.1;

/// The time between readings that most of them keep: nineteen in twenty follow on the one before within it. Nothing of none.
#[must_use]
pub fn usual_s(between_s: &mut [f64]) -> Option<f64> {
    quantile(between_s, 0.95).filter(|usual| *usual > 0.0)
}

/// The length of bins that suits readings that far apart.
#[must_use]
pub fn length_s(usual_s: f64) -> f64 {
    let least = ROOM * usual_s;
    LENGTHS_S.into_iter().find(|length| *length >= least).unwrap_or(least)
}

/// Averages readings into bins and hands them on.
#[derive(Clone, Debug)]
pub(super) struct Bins {
    length_s: f64,
    index: Option<u64>,
    count: f64,
    mean: f64,
    allan: Allan,
}

impl Bins {
    pub(super) fn new(length_s: f64) -> Self {
        Self { length_s, index: None, count: 0.0, mean: 0.0, allan: Allan::default() }
    }

    /// Takes a reading; times never fall.
    pub(super) fn push(&mut self, t_s: f64, y: f64) {
        let index = (t_s / self.length_s) as u64;
        let last = self.index.replace(index);
        match last {
            Some(last) if last >= index => self.index = Some(last),
            Some(last) => {
                self.allan.push(self.mean);
                if index > last + 1 {
                    self.allan.gap();
                }
                (self.count, self.mean) = (0.0, 0.0);
            }
            None => {}
        }
        self.count += 1.0;
        self.mean += (y - self.mean) / self.count;
    }

    /// The deviations; the last bin may not be full.
    pub(super) fn finish(mut self) -> Vec<Averaged> {
        if self.count > 0.0 {
            self.allan.push(self.mean);
        }
        self.allan.finish()
    }
}
