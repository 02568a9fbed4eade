//! Long averaging times of the Allan deviation: chunks of bins, and powers of two of them.
//!
//! Sums over a chunk's length, from the last of the short levels, are added up to phases, for each place in a chunk by itself: second
//! differences over whole chunks compare like places alone, so that what the first of them begins with falls away. One ring of phases
//! serves all levels, and none writes anything.

use fearless_simd::{dispatch, f64x8, prelude::*};

use super::allan::{Averaged, CHUNK, Chunk, LANES, SUMS};
use super::lags::Lags;

/// The long averaging times.
#[derive(Clone, Debug)]
pub(super) struct Long {
    levels: Vec<Level>,
    /// The phases of the last chunks: of the longest level's twice over, and one more. It grows as they come.
    ring: Vec<Chunk>,
    room: usize,
    /// Chunks since the last gap, and one before the first.
    chunks: usize,
    processor: fearless_simd::Level,
}

#[derive(Clone, Debug, Default)]
struct Level {
    squares: f64,
    count: u64,
    lags: Lags,
}

impl Long {
    /// Of so many levels.
    pub(super) fn new(levels: usize) -> Self {
        let room = (1 << levels) + 1;
        let levels = vec![Level::default(); levels];
        Self { levels, ring: Vec::new(), room, chunks: 1, processor: fearless_simd::Level::new() }
    }

    fn chunk(&self, number: usize) -> &[f64] {
        self.ring.get(number % self.room).map_or(&[], |chunk| chunk.0.as_slice())
    }

    /// Takes sums over a chunk's length that end at each bin of a chunk. Fewer of them come before a gap alone.
    pub(super) fn take(&mut self, sums: &[f64]) {
        if self.ring.is_empty() {
            self.ring.reserve_exact(self.room);
            self.ring.push(Chunk::EMPTY);
        }
        let number = self.chunks;
        let place = number % self.room;
        if place == self.ring.len() {
            self.ring.push(Chunk::EMPTY);
        }
        let before = place.checked_sub(1).unwrap_or(self.room - 1);
        if let Ok([before, phases]) = self.ring.get_disjoint_mut([before, place]) {
            let lines = phases.0.iter_mut().zip(&before.0).zip(sums);
            lines.for_each(|((phase, before), sum)| *phase = before + sum);
        }
        self.chunks += 1;
        let mut levels = std::mem::take(&mut self.levels);
        for (power, level) in levels.iter_mut().enumerate().take_while(|(power, _)| number >= 1 << power) {
            self.compare(level, 1 << power, number, sums.len());
        }
        self.levels = levels;
    }

    /// One level's part of a chunk. The first difference of all ends with the last bin of a chunk.
    fn compare(&self, level: &mut Level, apart: usize, number: usize, length: usize) {
        if length == CHUNK && number.is_multiple_of(apart) {
            let last = |number: usize| self.chunk(number).last().copied().unwrap_or_default();
            let m = (apart * CHUNK) as f64;
            level.lags.extend(std::iter::once((last(number) - last(number - apart)) / m));
        }
        let Some(first) = number.checked_sub(2 * apart) else { return };
        let from = if first == 0 { CHUNK - 1 } else { 0 };
        let part = |number: usize| self.chunk(number).get(from..length).unwrap_or_default();
        level.squares += squares(self.processor, part(number), part(number - apart), part(first));
        level.count += length.saturating_sub(from) as u64;
    }

    /// What comes next doesn't follow on what came last.
    pub(super) fn gap(&mut self) {
        self.chunks = 1;
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
