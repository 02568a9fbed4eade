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
        let (mut blocks, length_s) = self.merged(most, wild);
        thin_out(&mut blocks);
        (blocks, length_s)
    }

    /// The same, but for bursts with pauses between them: each of those is a block, and a neighbour of the one before.
    pub(super) fn coarse_and_close(&self, most: usize, wild: &[bool]) -> (Vec<Block<C>>, f64) {
        let (mut blocks, length_s) = self.merged(most, wild);
        let length_s = close_up(&mut blocks, length_s);
        thin_out(&mut blocks);
        (blocks, length_s)
    }

    fn merged(&self, most: usize, wild: &[bool]) -> (Vec<Block<C>>, f64) {
        let sane = self.blocks.iter().zip(wild).filter(|(_, wild)| !**wild);
        let mut blocks: Vec<Block<C>> = sane.map(|(block, _)| *block).collect();
        let times = merge(&mut blocks, most);
        (blocks, self.length_s * times)
    }
}

/// Takes away those with less than half of the usual number of readings.
fn thin_out<const C: usize>(blocks: &mut Vec<Block<C>>) {
    let mut counts: Vec<f64> = blocks.iter().map(|block| block.count).collect();
    let usual = super::order::median(&mut counts).unwrap_or_default();
    blocks.retain(|block| block.count >= 0.5 * usual);
}

/// Merges neighbours until no more than `most` are left, and says how many times as long each is then.
fn merge<const C: usize>(blocks: &mut Vec<Block<C>>, most: usize) -> f64 {
    let mut times = 1.0;
    while blocks.len() > most.max(1) {
        times *= 2.0;
        regroup(blocks, |block| block.index / 2);
    }
    times
}

/// Where most follow a pause, as bursts of readings do, makes each burst a block, and them neighbours: as far apart as they usually are, which is how
/// long each is then, in s.
fn close_up<const C: usize>(blocks: &mut Vec<Block<C>>, length_s: f64) -> f64 {
    let mut apart: Vec<u64> =
        blocks.iter().zip(blocks.iter().skip(1)).map(|(one, next)| next.index - one.index).collect();
    apart.sort_unstable();
    // Three in four: a burst may lie in two blocks.
    let times = apart.get(apart.len() * 3 / 4).copied().unwrap_or(1);
    if times <= 1 {
        return length_s;
    }
    regroup(blocks, |block| (block.index + times / 2) / times);
    let mut apart_s: Vec<f64> =
        blocks.iter().zip(blocks.iter().skip(1)).map(|(one, next)| next.t_s - one.t_s).collect();
    let (Some(usual_s), Some(first_s)) =
        (super::order::median(&mut apart_s), blocks.first().map(|first| first.t_s))
    else {
        return length_s * times as f64;
    };
    regroup(blocks, |block| ((block.t_s - first_s) / usual_s).round() as u64);
    usual_s
}

/// Gives each its new place, and makes one of those that share it.
fn regroup<const C: usize>(blocks: &mut Vec<Block<C>>, place: impl Fn(&Block<C>) -> u64) {
    for block in blocks.iter_mut() {
        block.index = place(block);
    }
    blocks.dedup_by(|later, earlier| {
        let same = later.index == earlier.index;
        if same {
            earlier.add(later);
        }
        same
    });
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
    fn bursts_with_pauses_between_them_are_neighbours_and_what_has_no_pauses_is_as_it_was() {
        let (mut bursts, mut steady) = (Blocks::<1>::default(), Blocks::<1>::default());
        for reading in 0..320_u32 {
            let t_s = f64::from(reading / 10) * 900.0 + f64::from(reading % 10) * 5.0;
            bursts.push(t_s, [t_s], 1.0);
            steady.push(f64::from(reading), [0.0], 1.0);
        }
        let (close, length_s) = bursts.coarse_and_close(64, &[false; 320]);
        assert!(close.len() == 32 && close.iter().all(|block| block.count == 10.0), "{close:?}");
        assert!(close.windows(2).all(|two| two[1].index == two[0].index + 1), "{close:?}");
        assert!((length_s - 900.0).abs() < 1e-6, "{length_s}");
        assert_eq!(steady.coarse_and_close(64, &[false; 320]), steady.coarse(64, &[false; 320]));
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
