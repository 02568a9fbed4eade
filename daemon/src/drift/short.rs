//! Short averaging times of the Allan deviation, shorter than a chunk of bins.
//!
//! Sums over 2m bins are sums of two over m, so each level hands its own on to the next, and remembers m of them: what is added up are sums
//! of few terms.

use fearless_simd::{dispatch, f64x8, prelude::*};

use super::allan::{Averaged, CHUNK, Chunk, LANES, SHORT, SUMS};
use super::lags::Lags;

/// To tell the kind of noise of single bins, one chunk of so many is looked at; of two bins, one of half as many; and so on.
const SAMPLED: usize = 64;

/// The short averaging times.
#[derive(Clone, Debug)]
pub(super) struct Short {
    levels: Vec<Level>,
    /// Sums of a level, and of the one that comes next.
    sums: Box<Chunk>,
    next: Box<Chunk>,
    /// Bins since the last gap.
    passed: usize,
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

impl Default for Short {
    fn default() -> Self {
        let (sums, next) = (Box::new(Chunk::EMPTY), Box::new(Chunk::EMPTY));
        Self { levels: Vec::new(), sums, next, passed: 0, processor: fearless_simd::Level::new() }
    }
}

impl Short {
    /// Takes a chunk, counted from `level`. Less than a whole one comes before a gap alone: what levels remember is then not kept.
    pub(super) fn take(&mut self, values: &[f64], level: f64) {
        let length = values.len();
        self.sums.0.iter_mut().zip(values).for_each(|(sum, y)| *sum = y - level);
        for place in 0..SHORT {
            if self.levels.len() == place {
                self.levels.push(Level::new(1 << place));
            }
            let Some(level) = self.levels.get_mut(place).filter(|_| length > 0) else { break };
            let sums = self.sums.0.get(..length).unwrap_or_default();
            level.decimate(sums, self.passed);
            let next = self.next.0.get_mut(..length).unwrap_or_default();
            if !level.take(sums, next, self.passed, self.processor) {
                break;
            }
            std::mem::swap(&mut self.sums, &mut self.next);
        }
        self.passed += length;
    }

    /// What comes next doesn't follow on what came last.
    pub(super) fn gap(&mut self) {
        self.passed = 0;
        for level in &mut self.levels {
            level.lags.gap();
        }
    }

    /// What has come together.
    pub(super) fn finish(&self) -> impl Iterator<Item = Averaged> {
        let counted = self.levels.iter().filter(|level| level.count > 0);
        counted.map(|level| Averaged::of(level.m, level.squares, level.count, level.lags.alpha()))
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
                *squares = difference.mul_add(difference, *squares);
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
