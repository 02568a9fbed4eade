//! Long averaging times of the Allan deviation: chunks of bins, and powers of two of them.
//!
//! Phases are sums of all bins up to each: those of the chunk first, then what came before, so that few digits are lost. Second
//! differences of them are compared over whole chunks; one ring of phases serves all levels.

use fearless_simd::{dispatch, f64x8, prelude::*};

use super::allan::{Averaged, CHUNK, Chunk, LANES, LEVELS, SHORT, SUMS};
use super::lags::Lags;

/// How many there are.
const LONG: usize = LEVELS - SHORT;

/// Bins that are added up one after the other, beside other such strands of their chunk.
const STRAND: usize = CHUNK / 8;

/// The long averaging times.
#[derive(Clone, Debug)]
pub(super) struct Long {
    levels: Vec<Level>,
    /// The phases of the last chunks: of the longest level's twice over, and one more. It grows as they come.
    ring: Vec<Chunk>,
    room: usize,
    /// Chunks since the last gap, and one before the first.
    chunks: usize,
    /// The last phase.
    phase: f64,
    processor: fearless_simd::Level,
}

#[derive(Clone, Debug, Default)]
struct Level {
    squares: f64,
    count: u64,
    lags: Lags,
}

impl Default for Long {
    fn default() -> Self {
        let levels = vec![Level::default(); LONG];
        Self {
            levels,
            ring: Vec::new(),
            room: (1 << LONG) + 1,
            chunks: 1,
            phase: 0.0,
            processor: fearless_simd::Level::new(),
        }
    }
}

impl Long {
    fn chunk(&self, number: usize) -> &[f64] {
        self.ring.get(number % self.room).map_or(&[], |chunk| chunk.0.as_slice())
    }

    /// Makes room for what it remembers, once there is something to remember.
    pub(super) fn prepare(&mut self) {
        if self.ring.is_empty() {
            self.ring.reserve_exact(self.room);
            self.ring.push(Chunk::EMPTY);
        }
    }

    /// Takes a chunk of bins, counted from `level`. Fewer of them come before a gap alone.
    pub(super) fn take(&mut self, values: &[f64], level: f64) {
        if values.is_empty() {
            return;
        }
        self.prepare();
        let number = self.chunks;
        let place = number % self.room;
        if place == self.ring.len() {
            self.ring.push(Chunk::EMPTY);
        }
        if let Some(phases) = self.ring.get_mut(place) {
            self.phase = add_up(values, level, self.phase, &mut phases.0);
        }
        self.chunks += 1;
        let mut levels = std::mem::take(&mut self.levels);
        let reached = levels.iter_mut().enumerate().take_while(|(power, _)| number >= 1 << power);
        reached.for_each(|(power, level)| self.decimate(level, 1 << power, number, values.len()));
        let whole = if values.len() == CHUNK { self.compare_whole(&mut levels, number) } else { 0 };
        for (power, level) in levels.iter_mut().enumerate().skip(whole) {
            self.compare(level, 1 << power, number, values.len());
        }
        self.levels = levels;
    }

    /// The mean that ends with a whole chunk, where it begins where the last one ended: for the kind of noise.
    fn decimate(&self, level: &mut Level, apart: usize, number: usize, length: usize) {
        if length == CHUNK && number.is_multiple_of(apart) {
            let last = |number: usize| self.chunk(number).last().copied().unwrap_or_default();
            let m = (apart * CHUNK) as f64;
            level.lags.extend(std::iter::once((last(number) - last(number - apart)) / m));
        }
    }

    /// A whole chunk's part of the levels that have a difference at each place of it: all of them in one pass. How many they are.
    fn compare_whole(&self, levels: &mut [Level], number: usize) -> usize {
        let mut old: [&[f64]; LONG + 1] = Default::default();
        let behind =
            (0..=levels.len()).map_while(|power| number.checked_sub(1 << power).filter(|at| *at > 0));
        let reached = old.iter_mut().zip(behind).map(|(old, at)| *old = self.chunk(at)).count();
        let whole = reached.saturating_sub(1);
        let squares =
            squares_of_levels(self.processor, self.chunk(number), old.get(..reached).unwrap_or_default());
        for (level, squares) in levels.iter_mut().zip(squares).take(whole) {
            level.squares += squares;
            level.count += CHUNK as u64;
        }
        whole
    }

    /// One level's part of a chunk. The first difference of all ends with the last bin of a chunk.
    fn compare(&self, level: &mut Level, apart: usize, number: usize, length: usize) {
        let Some(first) = number.checked_sub(2 * apart) else { return };
        let from = if first == 0 { CHUNK - 1 } else { 0 };
        let part = |number: usize| self.chunk(number).get(from..length).unwrap_or_default();
        level.squares += squares(self.processor, part(number), part(number - apart), part(first));
        level.count += length.saturating_sub(from) as u64;
    }

    /// What comes next doesn't follow on what came last.
    pub(super) fn gap(&mut self) {
        (self.chunks, self.phase) = (1, 0.0);
        if let Some(before) = self.ring.first_mut() {
            *before = Chunk::EMPTY;
        }
        for level in &mut self.levels {
            level.lags.gap();
        }
    }

    /// What has come together.
    pub(super) fn finish(&self) -> impl Iterator<Item = Averaged> {
        self.levels.iter().enumerate().filter(|(_, level)| level.count > 0).map(|(power, level)| {
            Averaged::of(CHUNK << power, level.squares, level.count, level.lags.alpha())
        })
    }
}

/// Writes the sum of all values up to each, counted from `level`, and of `before`; gives the last. Strands of a whole chunk are added up side by
/// side, so that no addition waits for the one before.
fn add_up(values: &[f64], level: f64, before: f64, out: &mut [f64; CHUNK]) -> f64 {
    let mut sum = before;
    let (strands, []) = values.as_chunks::<STRAND>() else {
        for (out, y) in out.iter_mut().zip(values) {
            sum += y - level;
            *out = sum;
        }
        return sum;
    };
    let out = out.as_chunks_mut::<STRAND>().0;
    let mut sums = [0.0; CHUNK / STRAND];
    for at in 0..STRAND {
        for ((sum, strand), out) in sums.iter_mut().zip(strands).zip(out.iter_mut()) {
            *sum += strand[at] - level;
            out[at] = *sum;
        }
    }
    for (out, of_strand) in out.iter_mut().zip(sums).take(strands.len()) {
        out.iter_mut().for_each(|phase| *phase += sum);
        sum += of_strand;
    }
    sum
}

/// The sums of the squares of c − 2b + a for each b of `old` and the next one, a. All are of a chunk's length.
fn squares_of_levels(with: fearless_simd::Level, c: &[f64], old: &[&[f64]]) -> [f64; LONG] {
    dispatch!(with, simd => {
        let mut squares = [f64x8::splat(simd, 0.0); LONG];
        let two = f64x8::splat(simd, 2.0);
        let load = |lines: &[[f64; LANES]; SUMS]| lines.each_ref().map(|line| f64x8::from_slice(simd, line));
        let lines = |of: &[f64], at: usize| -> [f64x8<_>; SUMS] {
            let (lines, _) = of.as_chunks::<LANES>();
            lines.get(at..).and_then(|lines| lines.first_chunk::<SUMS>()).map_or([f64x8::splat(simd, 0.0); SUMS], load)
        };
        for at in (0..CHUNK / LANES).step_by(SUMS) {
            let c = lines(c, at);
            let mut old = old.iter();
            let Some(nearest) = old.next() else { break };
            let b = lines(nearest, at);
            // c − b, and then c − a, which is the next level's c − b.
            let mut since_b: [_; SUMS] = std::array::from_fn(|line| c[line] - b[line]);
            for (squares, old) in squares.iter_mut().zip(old) {
                let a = lines(old, at);
                let since_a: [_; SUMS] = std::array::from_fn(|line| c[line] - a[line]);
                let mut sum = f64x8::splat(simd, 0.0);
                for (since_b, since_a) in since_b.iter().zip(&since_a) {
                    let difference = since_b.mul_add(two, -*since_a);
                    sum = difference.mul_add(difference, sum);
                }
                *squares += sum;
                since_b = since_a;
            }
        }
        squares.map(|squares| squares.as_slice().iter().sum())
    })
}

/// The sum of the squares of c − 2b + a, over as many as there are of c.
fn squares(with: fearless_simd::Level, c: &[f64], b: &[f64], a: &[f64]) -> f64 {
    dispatch!(with, simd => {
        let mut squares = [f64x8::splat(simd, 0.0); SUMS];
        let (c, c_rest) = c.as_chunks::<{ SUMS * LANES }>();
        let (b, b_rest) = b.as_chunks::<{ SUMS * LANES }>();
        let (a, a_rest) = a.as_chunks::<{ SUMS * LANES }>();
        for ((c, b), a) in c.iter().zip(b).zip(a) {
            let [c, b, a] = [c, b, a].map(|values| values.as_chunks::<LANES>().0);
            for (squares, ((c, b), a)) in squares.iter_mut().zip(c.iter().zip(b).zip(a)) {
                let [c, b, a] = [c, b, a].map(|values| f64x8::from_slice(simd, values));
                let difference = (c - b) - (b - a);
                *squares += difference * difference;
            }
        }
        let rest = c_rest.iter().zip(b_rest).zip(a_rest).map(|((c, b), a)| (c - b) - (b - a));
        let rest = rest.map(|difference| difference * difference).sum::<f64>();
        rest + squares.iter().flat_map(|squares| squares.as_slice()).sum::<f64>()
    })
}
