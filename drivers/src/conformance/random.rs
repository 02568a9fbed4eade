//! Moments that nobody chose: the same ones each time, so that what they found is found again.

use std::time::Duration;

/// A linear congruential generator (Knuth's MMIX constants, from memory). Good enough to be impartial.
#[derive(Debug)]
pub(super) struct Random(u64);

impl Random {
    pub(super) fn new() -> Self {
        Self(0x5e77_1ed0)
    }

    /// From 0 to 2³² − 1.
    pub(super) fn number(&mut self) -> u32 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        // The upper half: the lower bits take turns.
        u32::try_from(self.0 >> 32).unwrap_or(u32::MAX)
    }

    /// The same in another order (Fisher and Yates, from memory).
    pub(super) fn shuffled<T>(&mut self, mut items: Vec<T>) -> Vec<T> {
        for last in (1..items.len()).rev() {
            items.swap(last, self.number() as usize % (last + 1));
        }
        items
    }

    /// A moment before `end`.
    pub(super) fn moment(&mut self, end: Duration) -> Duration {
        end.mul_f64(f64::from(self.number()) / f64::from(u32::MAX))
    }
}
