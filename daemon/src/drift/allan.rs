//! The overlapping Allan deviation at averaging times of 1, 2, 4, 8 … bins, in one pass and bounded memory.
//!
//! σ²(m) is half of the mean square of the difference of neighbouring means over m bins, for every place that such a pair fits
//! (NIST SP 1065, 5.2.4, where readings stand for fractional frequencies). Sums over 2m bins are sums of two over m, so each level
//! hands its own on to the next, and remembers m of them: what is added up are sums of few terms, never a long one of phases whose
//! digits run out.

use fearless_simd::{dispatch, f64x8, prelude::*};

use super::lags::Lags;
use super::long::Long;

/// Averaging times at most: from 1 to 2¹⁸ bins, for which 4 MB are kept, a level's part once it is reached.
pub const LEVELS: usize = 19;

/// Bins that are taken together: all that one level has to do with them stays in the processor's nearest cache.
pub(super) const CHUNK: usize = 1024;

/// A chunk of numbers, where a processor reads them fastest: at the beginning of a line of its cache.
#[derive(Clone, Debug)]
#[repr(align(64))]
pub(super) struct Chunk(pub(super) [f64; CHUNK]);

impl Chunk {
    /// Nothing yet.
    pub(super) const EMPTY: Self = Self([0.0; CHUNK]);
}

/// Averaging times shorter than a chunk.
const SHORT: usize = CHUNK.ilog2() as usize;

/// To tell the kind of noise of single bins, one chunk of so many is looked at; of two bins, one of half as many; and so on.
const SAMPLED: usize = 64;

/// Numbers that a processor adds up at once, and sums that are kept apart so that no addition waits for the one before: better rounded,
/// too.
pub(super) const LANES: usize = 8;
pub(super) const SUMS: usize = 4;

/// One averaging time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Averaged {
    /// Bins that are averaged.
    pub m: usize,
    /// The overlapping Allan deviation.
    pub deviation: f64,
    /// Differences that it is the mean of.
    pub count: u64,
    /// The power of the frequency that the noise goes with, from 2 (white phase noise) to −4, where there is enough to tell.
    pub alpha: Option<i32>,
}

impl Averaged {
    pub(super) fn of(m: usize, squares: f64, count: u64, alpha: Option<i32>) -> Self {
        let bins = m as f64;
        Self { m, deviation: (squares / (2.0 * bins * bins * count as f64)).sqrt(), count, alpha }
    }
}

/// Takes equal bins one by one.
#[derive(Clone, Debug)]
pub struct Allan {
    /// What values are counted from, so that squares keep their digits.
    level: Option<f64>,
    /// Values that wait for their chunk to be full, and how many.
    waiting: Box<Chunk>,
    filled: usize,
    /// Sums of the level that comes next.
    next: Box<Chunk>,
    /// Bins since the last gap, without those that wait.
    passed: usize,
    levels: Vec<Level>,
    long: Long,
    processor: fearless_simd::Level,
}

#[derive(Clone, Debug)]
struct Level {
    m: usize,
    /// The last `m` sums over `m` bins.
    before: Vec<f64>,
    squares: f64,
    count: u64,
    lags: Lags,
}

impl Default for Allan {
    fn default() -> Self {
        Self {
            level: None,
            waiting: Box::new(Chunk::EMPTY),
            filled: 0,
            next: Box::new(Chunk::EMPTY),
            passed: 0,
            levels: Vec::new(),
            long: Long::new(LEVELS - SHORT),
            processor: fearless_simd::Level::new(),
        }
    }
}

impl Allan {
    /// Takes the next bin's mean.
    pub fn push(&mut self, y: f64) {
        self.extend(&[y]);
    }

    /// Takes the next bins' means, many at once.
    pub fn extend(&mut self, mut values: &[f64]) {
        while let Some(&first) = values.first() {
            let level = *self.level.get_or_insert(first);
            let (now, later) = values.split_at(values.len().min(CHUNK - self.filled));
            let room = self.waiting.0.iter_mut().skip(self.filled);
            room.zip(now).for_each(|(slot, y)| *slot = y - level);
            self.filled += now.len();
            if self.filled == CHUNK {
                self.work();
            }
            values = later;
        }
    }

    /// A bin is missing: nothing from before it is compared with anything after it. What was summed up counts on.
    pub fn gap(&mut self) {
        self.work();
        self.passed = 0;
        for level in &mut self.levels {
            level.lags.gap();
        }
        self.long.gap();
    }

    /// What has come together, shortest averaging time first.
    #[must_use]
    pub fn finish(mut self) -> Vec<Averaged> {
        self.gap();
        let counted = self.levels.iter().filter(|level| level.count > 0);
        let short =
            counted.map(|level| Averaged::of(level.m, level.squares, level.count, level.lags.alpha()));
        short.chain(self.long.finish()).collect()
    }

    /// Takes what waits through the levels. Less than a whole chunk comes before a gap alone: what levels remember is then not kept.
    fn work(&mut self) {
        let length = std::mem::take(&mut self.filled);
        for place in 0..SHORT {
            if self.levels.len() == place {
                self.levels.push(Level::new(1 << place));
            }
            let Some(level) = self.levels.get_mut(place).filter(|_| length > 0) else { break };
            let sums = self.waiting.0.get(..length).unwrap_or_default();
            level.decimate(sums, self.passed);
            let next = self.next.0.get_mut(..length).unwrap_or_default();
            if !level.take(sums, next, self.passed, self.processor) {
                break;
            }
            std::mem::swap(&mut self.waiting, &mut self.next);
            if place + 1 == SHORT {
                self.long.take(self.waiting.0.get(..length).unwrap_or_default());
            }
        }
        self.passed += length;
    }
}

impl Level {
    fn new(m: usize) -> Self {
        Self { m, before: vec![0.0; m], squares: 0.0, count: 0, lags: Lags::default() }
    }

    /// Takes sums over `m` bins, and gives those over 2m into `out`. Those at the beginning that reach back behind a gap are not
    /// sums of anything, and don't count. Says whether the next level has anything to do yet.
    fn take(&mut self, sums: &[f64], out: &mut [f64], passed: usize, with: fearless_simd::Level) -> bool {
        // The first difference that counts.
        let first = (2 * self.m - 1).saturating_sub(passed).min(sums.len());
        let within = self.m.min(sums.len());
        let before = self.before.get(..within).unwrap_or_default();
        let ((head, rest), (out, out_rest)) = (sums.split_at(within), out.split_at_mut(within));
        let (shifted, _) = sums.split_at(rest.len());
        // Both parts in two: what doesn't count yet, and what does; nearly always the first is empty.
        let first_rest = first.saturating_sub(within);
        let mut squares = 0.0;
        let parts = [(head, before, out, first.min(within)), (rest, shifted, out_rest, first_rest)];
        for (new, old, out, first) in parts {
            let ((idle, new), (old_idle, old)) = (new.split_at(first), old.split_at(first));
            let (out_idle, out) = out.split_at_mut(first);
            if !idle.is_empty() {
                compare(with, idle, old_idle, out_idle);
            }
            if !new.is_empty() {
                squares += compare(with, new, old, out);
            }
        }
        if let Some(last) = sums.len().checked_sub(self.m).and_then(|from| sums.get(from..)) {
            self.before.copy_from_slice(last);
        }
        self.squares += squares;
        self.count += (sums.len() - first) as u64;
        first < sums.len()
    }

    /// Means over `m` bins that don't overlap, for the kind of noise: of the shortest averaging times, which have the most of them,
    /// those in one chunk of so many.
    fn decimate(&mut self, sums: &[f64], passed: usize) {
        let skipped = (SAMPLED / self.m).max(1);
        if !(passed / CHUNK).is_multiple_of(skipped) {
            self.lags.gap();
            return;
        }
        let first = self.m - 1 - passed % self.m;
        let m = self.m as f64;
        self.lags.extend(sums.iter().skip(first).step_by(self.m).map(|sum| sum / m));
    }
}

/// Writes sums of `new` and `old`, and gives the sum of the squares of their differences. All are of one length.
fn compare(with: fearless_simd::Level, new: &[f64], old: &[f64], out: &mut [f64]) -> f64 {
    dispatch!(with, simd => {
        let mut squares = [f64x8::splat(simd, 0.0); SUMS];
        let (new, new_rest) = new.as_chunks::<{ SUMS * LANES }>();
        let (old, old_rest) = old.as_chunks::<{ SUMS * LANES }>();
        let (out, out_rest) = out.as_chunks_mut::<{ SUMS * LANES }>();
        for ((new, old), out) in new.iter().zip(old).zip(out) {
            let (new, old) = (new.as_chunks::<LANES>().0, old.as_chunks::<LANES>().0);
            let lines = new.iter().zip(old).zip(out.as_chunks_mut::<LANES>().0);
            for (squares, ((new, old), out)) in squares.iter_mut().zip(lines) {
                let (new, old) = (f64x8::from_slice(simd, new), f64x8::from_slice(simd, old));
                let difference = new - old;
                *squares += difference * difference;
                (new + old).store_slice(out);
            }
        }
        let mut rest = 0.0;
        for ((new, old), out) in new_rest.iter().zip(old_rest).zip(out_rest) {
            rest += (new - old) * (new - old);
            *out = new + old;
        }
        rest + squares.iter().flat_map(|squares| squares.as_slice()).sum::<f64>()
    })
}
