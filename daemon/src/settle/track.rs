//! The readings that evidence is drawn from: a bounded stretch of time, in bounded memory.

use super::line::Line;
use super::sums::{Entry, Sums};

/// Entries at most.
///
/// With windows of at most 16 holds, the shortest (half a hold) still has 16 to 32 entries when readings are merged.
pub(super) const CAPACITY: usize = 1024;
/// Entries between two sums that are kept.
const MARK: usize = 8;

/// Readings of `C` channels over the last `keep_s`, in order of time.
///
/// Where readings come faster than [`CAPACITY`] allows, neighbours are merged into means: nothing is forgotten before its
/// time. Sums are kept at every eighth entry, so that a line through any stretch that reaches to the end costs the same.
/// Memory is [`CAPACITY`] · (16 + 13·`C`) bytes, allocated once.
#[derive(Clone, Debug)]
pub(super) struct Track<const C: usize> {
    times: Vec<f64>,
    channels: [Vec<f64>; C],
    counts: Vec<u32>,
    /// Sums of the first 0, 8, 16 … entries.
    marks: Vec<Sums<C>>,
    total: Sums<C>,
    /// What x and y are counted from.
    origin: Entry<C>,
    pending: Pending<C>,
    keep_s: f64,
    grain_s: f64,
    closed_s: f64,
}

/// Readings on their way into one entry.
#[derive(Clone, Copy, Debug)]
struct Pending<const C: usize> {
    time: f64,
    values: [f64; C],
    count: u32,
}

impl<const C: usize> Pending<C> {
    const EMPTY: Self = Self { time: 0.0, values: [0.0; C], count: 0 };
}

/// A stretch of a track, up to its end.
#[derive(Clone, Copy, Debug)]
pub(super) struct Stretch<'a, const C: usize> {
    track: &'a Track<C>,
    from: usize,
}

impl<'a, const C: usize> Stretch<'a, C> {
    /// Entries in it.
    pub(super) fn len(&self) -> usize {
        self.track.len() - self.from
    }

    /// Readings in it: more than entries where neighbours were merged.
    pub(super) fn readings(&self) -> usize {
        let counts = self.track.counts.get(self.from..).unwrap_or_default();
        if self.track.grain_s > 0.0 { counts.iter().map(|&count| count as usize).sum() } else { counts.len() }
    }

    /// Times, in s.
    pub(super) fn times(&self) -> &'a [f64] {
        self.track.times.get(self.from..).unwrap_or_default()
    }

    /// Values, a slice a channel.
    pub(super) fn channels(&self) -> [&'a [f64]; C] {
        std::array::from_fn(|channel| {
            self.track.channels.get(channel).and_then(|values| values.get(self.from..)).unwrap_or_default()
        })
    }

    /// The least-squares line of each channel; nothing of less than two entries.
    pub(super) fn lines(&self) -> Option<[Line; C]> {
        let quarter = self.len() / 4;
        let moments = self.track.sums(self.from).moments(self.track.entry(self.from)?, self.track.last()?);
        let tail = self.track.sums(self.track.len() - quarter.max(1));
        let end = tail.moments(self.track.last()?, self.track.last()?);
        let origin = self.track.origin;
        Some(std::array::from_fn(|channel| {
            match (moments.get(channel), end.get(channel), origin.y.get(channel)) {
                (Some(moments), Some(end), Some(&y)) => Line::of(moments, end, origin.x, y),
                _ => Line::default(),
            }
        }))
    }
}

impl<const C: usize> Track<C> {
    /// An empty track that keeps readings for `keep_s`.
    pub(super) fn new(keep_s: f64) -> Self {
        Self {
            times: Vec::with_capacity(CAPACITY),
            channels: std::array::from_fn(|_| Vec::with_capacity(CAPACITY)),
            counts: Vec::with_capacity(CAPACITY),
            marks: Vec::with_capacity(CAPACITY / MARK),
            total: Sums::NONE,
            origin: Entry { x: 0.0, y: [0.0; C] },
            pending: Pending::EMPTY,
            keep_s,
            grain_s: 0.0,
            closed_s: f64::MIN,
        }
    }

    /// Adds a reading, at a time not before the last one's. Whether it completed an entry.
    pub(super) fn push(&mut self, time: f64, values: [f64; C]) -> bool {
        self.pending.time += time;
        self.pending.count += 1;
        for (sum, value) in self.pending.values.iter_mut().zip(values) {
            *sum += value;
        }
        // Jitter must not make every other entry one reading longer, hence a little less than the grain.
        let complete = time - self.closed_s >= 0.9 * self.grain_s || self.pending.count == u32::MAX;
        if complete {
            self.close(time);
        }
        complete
    }

    fn close(&mut self, time: f64) {
        if self.times.len() >= CAPACITY {
            self.make_room(time);
        }
        let Pending { time: sum, values, count } = std::mem::replace(&mut self.pending, Pending::EMPTY);
        let share = 1.0 / f64::from(count.max(1));
        self.times.push(sum * share);
        for (channel, value) in self.channels.iter_mut().zip(values) {
            channel.push(value * share);
        }
        self.counts.push(count);
        self.closed_s = time;
        // Squares keep their digits only near by the origin: light may have been much brighter at first.
        if self.times.len().is_power_of_two() {
            self.sum_anew();
        } else {
            self.sum(self.times.len() - 1);
        }
    }

    /// Forgets what is too old; merges neighbours where that isn't enough.
    fn make_room(&mut self, time: f64) {
        let old = self.times.partition_point(|&at| at < time - self.keep_s);
        self.forget(old);
        if self.times.len() > CAPACITY * 3 / 4 {
            let span = time - self.times.first().copied().unwrap_or(time);
            self.grain_s = 2.0 * span / self.times.len() as f64;
            self.merge();
        }
        self.sum_anew();
    }

    fn forget(&mut self, entries: usize) {
        self.times.drain(..entries);
        self.counts.drain(..entries);
        for channel in &mut self.channels {
            channel.drain(..entries);
        }
    }

    fn merge(&mut self) {
        merge_means(&mut self.times, &self.counts);
        for channel in &mut self.channels {
            merge_means(channel, &self.counts);
        }
        let len = self.counts.len();
        for pair in 0..len.div_ceil(2) {
            let sum = self.counts.iter().skip(2 * pair).take(2).fold(0, |sum: u32, &n| sum.saturating_add(n));
            if let Some(slot) = self.counts.get_mut(pair) {
                *slot = sum;
            }
        }
        self.counts.truncate(len.div_ceil(2));
    }

    /// Forgets everything but the last `entries`.
    pub(super) fn restart(&mut self, entries: usize) {
        self.forget(self.times.len().saturating_sub(entries));
        self.pending = Pending::EMPTY;
        self.grain_s = 0.0;
        self.closed_s = f64::MIN;
        self.sum_anew();
    }

    /// Adds up from the beginning, about a new origin: the last entry.
    fn sum_anew(&mut self) {
        self.origin = Entry { x: 0.0, y: [0.0; C] };
        self.origin = self.last().unwrap_or(self.origin);
        self.total = Sums::NONE;
        self.marks.clear();
        for index in 0..self.len() {
            self.sum(index);
        }
    }

    fn sum(&mut self, index: usize) {
        if index.is_multiple_of(MARK) {
            self.marks.push(self.total);
        }
        let before = index.checked_sub(1).and_then(|before| self.entry(before));
        if let Some(entry) = self.entry(index) {
            self.total.add(entry, before);
        }
    }

    fn entry(&self, index: usize) -> Option<Entry<C>> {
        let x = self.times.get(index)? - self.origin.x;
        let mut y = self.origin.y;
        for (slot, values) in y.iter_mut().zip(&self.channels) {
            *slot = values.get(index)? - *slot;
        }
        Some(Entry { x, y })
    }

    fn last(&self) -> Option<Entry<C>> {
        self.entry(self.len().checked_sub(1)?)
    }

    /// Sums of the entries from `from` on: those since the next mark, and the few before it one by one.
    fn sums(&self, from: usize) -> Sums<C> {
        let mark = from.div_ceil(MARK);
        let (mut sums, start) = match self.marks.get(mark) {
            Some(earlier) => (self.total.without(earlier), mark * MARK),
            None => (Sums::NONE, self.len()),
        };
        let mut before = None;
        for index in from..start {
            let Some(entry) = self.entry(index) else { break };
            sums.add(entry, before);
            before = Some(entry);
        }
        // The pair across the mark is in the sums since it: wanted after entries before it, not wanted without.
        if start == from
            && let (Some(before), Some(entry)) =
                (from.checked_sub(1).and_then(|before| self.entry(before)), self.entry(from))
        {
            sums.unpair(entry, before);
        }
        sums
    }

    /// Entries in all.
    pub(super) fn len(&self) -> usize {
        self.times.len()
    }

    /// Everything since `time`.
    pub(super) fn since(&self, time: f64) -> Stretch<'_, C> {
        Stretch { track: self, from: self.times.partition_point(|&at| at < time) }
    }

    /// Time of the first entry.
    pub(super) fn first_s(&self) -> Option<f64> {
        self.times.first().copied()
    }

    /// Time of the entry that begins the last `count`.
    pub(super) fn nth_last_s(&self, count: usize) -> Option<f64> {
        self.times.get(self.len().checked_sub(count)?).copied()
    }

    /// Time of the last entry.
    pub(super) fn last_s(&self) -> Option<f64> {
        self.times.last().copied()
    }

    /// Bytes on the heap.
    #[cfg(test)]
    pub(super) fn bytes(&self) -> usize {
        let columns = self.times.capacity() + self.channels.iter().map(Vec::capacity).sum::<usize>();
        columns * size_of::<f64>()
            + self.counts.capacity() * size_of::<u32>()
            + self.marks.capacity() * size_of::<Sums<C>>()
    }
}

/// Replaces neighbours by their means, weighted by what they are means of. A last one without a neighbour stays.
fn merge_means(values: &mut Vec<f64>, counts: &[u32]) {
    let len = values.len();
    for pair in 0..len.div_ceil(2) {
        let both = values.iter().zip(counts).skip(2 * pair).take(2);
        let (sum, weight) = both.fold((0.0, 0.0), |(sum, weight), (&value, &count)| {
            (sum + value * f64::from(count), weight + f64::from(count))
        });
        if let Some(slot) = values.get_mut(pair) {
            *slot = sum / weight;
        }
    }
    values.truncate(len.div_ceil(2));
}
