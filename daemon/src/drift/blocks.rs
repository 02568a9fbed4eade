//! Block means: the whole of a stretch, however long, in so many means over equal spans of time.

/// Most blocks that are kept: 48 kB for two channels. A night of eight hours is known to half a minute or better, two months to four hours.
pub(super) const MOST: usize = 1024;

/// Blocks that may be left after a merger: some room, so that mergers are rare and blocks well filled.
const MERGED: usize = MOST * 3 / 4;

/// The first length, in s, shorter than any exposure: to begin with each reading is a block of its own.
const SHORTEST_S: f64 = 1.0 / 1024.0;

/// The mean of what fell into one span of time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Block<const C: usize> {
    /// Which span, counted in lengths from the first entry.
    pub(super) index: u64,
    /// Readings in it.
    pub(super) count: f64,
    /// Their mean time, in s.
    pub(super) t_s: f64,
    /// Their mean values.
    pub(super) y: [f64; C],
}

impl<const C: usize> Block<C> {
    /// Takes another one in.
    fn add(&mut self, other: &Self) {
        self.count += other.count;
        let share = other.count / self.count;
        self.t_s += (other.t_s - self.t_s) * share;
        for (mean, y) in self.y.iter_mut().zip(other.y) {
            *mean += (y - *mean) * share;
        }
    }
}

/// Block means of `C` channels over spans that double in length whenever there would be more than [`MOST`].
#[derive(Clone, Debug)]
pub(super) struct Blocks<const C: usize> {
    first_s: f64,
    length_s: f64,
    blocks: Vec<Block<C>>,
}

impl<const C: usize> Default for Blocks<C> {
    fn default() -> Self {
        Self { first_s: 0.0, length_s: SHORTEST_S, blocks: Vec::new() }
    }
}

impl<const C: usize> Blocks<C> {
    /// Adds the mean of `count` readings. A time before the latest is taken for the latest: order is what counts.
    pub(super) fn push(&mut self, t_s: f64, y: [f64; C], count: f64) {
        let Some(last) = self.blocks.last_mut() else {
            self.first_s = t_s;
            self.blocks.push(Block { index: 0, count, t_s, y });
            return;
        };
        let t_s = t_s.max(last.t_s);
        let index = ((t_s - self.first_s) / self.length_s) as u64;
        let entry = Block { index: index.max(last.index), count, t_s, y };
        if entry.index == last.index {
            last.add(&entry);
            return;
        }
        if self.blocks.len() == MOST {
            // The one more that there is for a moment doesn't double their room.
            self.blocks.reserve_exact(1);
        }
        self.blocks.push(entry);
        if self.blocks.len() > MOST {
            let times = merge(&mut self.blocks, MERGED);
            self.length_s *= times;
        }
    }

    /// All of them, oldest first; spans without readings have none.
    pub(super) fn all(&self) -> &[Block<C>] {
        &self.blocks
    }

    /// No more of them than `most`, each some power of two as long, and how long in s. Left out are the `wild` ones, and of what is made
    /// then those with less than half of the usual number of readings, at the ends and beside gaps.
    pub(super) fn coarse(&self, most: usize, wild: &[bool]) -> (Vec<Block<C>>, f64) {
        let sane = self.blocks.iter().zip(wild).filter(|(_, wild)| !**wild);
        let mut blocks: Vec<Block<C>> = sane.map(|(block, _)| *block).collect();
        let length_s = self.length_s * merge(&mut blocks, most);
        let mut counts: Vec<f64> = blocks.iter().map(|block| block.count).collect();
        let usual = super::order::median(&mut counts).unwrap_or_default();
        blocks.retain(|block| block.count >= 0.5 * usual);
        (blocks, length_s)
    }
}

/// Merges neighbours until no more than `most` are left, and says how many times as long each is then.
fn merge<const C: usize>(blocks: &mut Vec<Block<C>>, most: usize) -> f64 {
    let mut times = 1.0;
    while blocks.len() > most.max(1) {
        times *= 2.0;
        for block in blocks.iter_mut() {
            block.index /= 2;
        }
        blocks.dedup_by(|later, earlier| {
            let same = later.index == earlier.index;
            if same {
                earlier.add(later);
            }
            same
        });
    }
    times
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn however_many_readings_come_the_blocks_are_bounded_and_their_mean_is_right() {
        let mut blocks = Blocks::<1>::default();
        for second in 0..100_000_u32 {
            blocks.push(f64::from(second), [f64::from(second) * 2.0], 1.0);
        }
        let all = blocks.all();
        assert!(all.len() <= MOST && all.len() > MOST / 4, "{}", all.len());
        assert_eq!(all.iter().map(|block| block.count).sum::<f64>(), 100_000.0);
        for block in all {
            assert!((block.y[0] - 2.0 * block.t_s).abs() < 1e-9);
            assert_eq!(block.index, (block.t_s / blocks.length_s) as u64);
        }
        let (coarse, length_s) = blocks.coarse(64, &[false; MOST]);
        assert!(coarse.len() <= 64 && coarse.len() >= 32);
        assert!(length_s * coarse.len() as f64 > 90_000.0);
    }

    #[test]
    fn a_few_readings_are_a_block_each_and_a_gap_is_none() {
        let mut blocks = Blocks::<1>::default();
        for t_s in [0.0, 1.0, 2.0, 5000.0] {
            blocks.push(t_s, [t_s], 1.0);
        }
        assert_eq!(blocks.all().len(), 4);
    }
}
