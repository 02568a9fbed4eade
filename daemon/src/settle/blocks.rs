//! Block means: the whole story since the last restart in at most 64 points, for the forecast.

/// Most blocks.
pub(super) const MOST: usize = 64;
/// Readings in a block at first.
const SMALLEST: u32 = 4;

/// The mean of neighbouring readings.
#[derive(Clone, Copy, Debug)]
pub(super) struct Block {
    /// Mean time, in s.
    pub(super) time: f64,
    /// Means of luminance, u′ and v′.
    pub(super) values: [f64; 3],
    /// Readings in it.
    pub(super) count: f64,
    /// Whether every reading had a chromaticity.
    pub(super) coloured: bool,
}

impl Block {
    const EMPTY: Self = Self { time: 0.0, values: [0.0; 3], count: 0.0, coloured: true };

    fn with(self, other: Self) -> Self {
        let count = self.count + other.count;
        let mean = |a: f64, b: f64| (a * self.count + b * other.count) / count;
        let [y, u, v] = self.values;
        let [other_y, other_u, other_v] = other.values;
        Self {
            time: mean(self.time, other.time),
            values: [mean(y, other_y), mean(u, other_u), mean(v, other_v)],
            count,
            coloured: self.coloured && other.coloured,
        }
    }
}

/// Block means, merged two by two whenever there would be more than [`MOST`]: 3 KB.
#[derive(Clone, Debug)]
pub(super) struct Blocks {
    full: Vec<Block>,
    filling: Block,
    size: u32,
}

impl Blocks {
    /// None yet.
    pub(super) fn new() -> Self {
        Self { full: Vec::with_capacity(MOST), filling: Block::EMPTY, size: SMALLEST }
    }

    /// Adds a reading.
    pub(super) fn push(&mut self, time: f64, y: f64, uv: Option<[f64; 2]>) {
        let [u, v] = uv.unwrap_or_default();
        let reading = Block { time, values: [y, u, v], count: 1.0, coloured: uv.is_some() };
        self.filling = self.filling.with(reading);
        if self.filling.count >= f64::from(self.size) {
            self.full.push(std::mem::replace(&mut self.filling, Block::EMPTY));
            if self.full.len() >= MOST {
                self.merge();
            }
        }
    }

    fn merge(&mut self) {
        for pair in 0..MOST / 2 {
            if let (Some(&a), Some(&b)) = (self.full.get(2 * pair), self.full.get(2 * pair + 1))
                && let Some(slot) = self.full.get_mut(pair)
            {
                *slot = a.with(b);
            }
        }
        self.full.truncate(MOST / 2);
        self.size = self.size.saturating_mul(2);
    }

    /// Forgets everything.
    pub(super) fn clear(&mut self) {
        self.full.clear();
        self.filling = Block::EMPTY;
        self.size = SMALLEST;
    }

    /// The complete blocks, oldest first.
    pub(super) fn full(&self) -> &[Block] {
        &self.full
    }
}
