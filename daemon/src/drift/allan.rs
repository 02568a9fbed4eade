//! The overlapping Allan deviation at averaging times of 1, 2, 4, 8 … bins, in one pass and bounded memory.
//!
//! σ²(m) is half of the mean square of the difference of neighbouring means over m bins, for every place that such a pair fits
//! (NIST SP 1065, 5.2.4, where readings stand for fractional frequencies). Short averaging times and long ones go their own ways, in two
//! threads where very many bins come at once.

use super::long::Long;
use super::short::Short;

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

/// So many chunks at once are worth another thread.
const MANY: usize = 64;

/// Averaging times shorter than a chunk.
pub(super) const SHORT: usize = CHUNK.ilog2() as usize;

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
    short: Short,
    long: Long,
}

impl Default for Allan {
    fn default() -> Self {
        let waiting = Box::new(Chunk::EMPTY);
        Self { level: None, waiting, filled: 0, short: Short::default(), long: Long::default() }
    }
}

impl Allan {
    /// Takes the next bin's mean.
    pub fn push(&mut self, y: f64) {
        self.extend(&[y]);
    }

    /// Takes the next bins' means, many at once.
    pub fn extend(&mut self, values: &[f64]) {
        let Some(&first) = values.first() else { return };
        let level = *self.level.get_or_insert(first);
        let missing = if self.filled == 0 { 0 } else { CHUNK - self.filled };
        let (head, values) = values.split_at(missing.min(values.len()));
        self.keep(head);
        let (chunks, tail) = values.as_chunks::<CHUNK>();
        self.take(chunks, level);
        self.keep(tail);
    }

    /// Keeps values until there are enough for a chunk.
    fn keep(&mut self, values: &[f64]) {
        let room = self.waiting.0.get_mut(self.filled..).unwrap_or_default();
        room.iter_mut().zip(values).for_each(|(slot, y)| *slot = *y);
        self.filled += values.len();
        if self.filled == CHUNK {
            self.work();
        }
    }

    /// Takes whole chunks: short and long averaging times at once where there are many.
    fn take(&mut self, chunks: &[[f64; CHUNK]], level: f64) {
        if chunks.is_empty() {
            return;
        }
        self.long.prepare();
        let Self { short, long, .. } = self;
        let mut short = || chunks.iter().for_each(|values| short.take(values, level));
        let mut long = || chunks.iter().for_each(|values| long.take(values, level));
        let apart = std::thread::scope(|scope| {
            let builder = std::thread::Builder::new().name("allan".to_owned());
            let apart = chunks.len() >= MANY && builder.spawn_scoped(scope, &mut long).is_ok();
            short();
            apart
        });
        // There may be no other thread to be had.
        if !apart {
            long();
        }
    }

    /// Takes what waits. Less than a whole chunk comes before a gap alone.
    fn work(&mut self) {
        let values = self.waiting.0.get(..std::mem::take(&mut self.filled)).unwrap_or_default();
        let level = self.level.unwrap_or_default();
        self.short.take(values, level);
        self.long.take(values, level);
    }

    /// A bin is missing: nothing from before it is compared with anything after it. What was summed up counts on.
    pub fn gap(&mut self) {
        self.work();
        self.short.gap();
        self.long.gap();
    }

    /// What has come together, shortest averaging time first.
    #[must_use]
    pub fn finish(mut self) -> Vec<Averaged> {
        self.gap();
        self.short.finish().chain(self.long.finish()).collect()
    }
}
