//! The readings that evidence is drawn from: a bounded stretch of time, in bounded memory.

/// Entries at most.
///
/// With windows of at most 16 holds, the shortest (half a hold) still has 32 to 64 entries when readings are merged.
pub(super) const CAPACITY: usize = 2048;

/// Readings of `C` channels over the last `keep_s`, in order of time.
///
/// Where readings come faster than [`CAPACITY`] allows, neighbours are merged into means: nothing is forgotten before its
/// time. Memory is [`CAPACITY`] · (12 + 8·`C`) bytes, allocated once.
#[derive(Clone, Debug)]
pub(super) struct Track<const C: usize> {
    times: Vec<f64>,
    channels: [Vec<f64>; C],
    counts: Vec<u32>,
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

/// One channel of a stretch of a track, with its times.
#[derive(Clone, Copy, Debug)]
pub(super) struct Stretch<'a, const C: usize> {
    /// Times, in s.
    pub(super) times: &'a [f64],
    /// Values, a slice a channel.
    pub(super) channels: [&'a [f64]; C],
    counts: &'a [u32],
}

impl<const C: usize> Stretch<'_, C> {
    /// Entries in it.
    pub(super) fn len(&self) -> usize {
        self.times.len()
    }

    /// Readings in it: more than entries where neighbours were merged.
    pub(super) fn readings(&self) -> usize {
        self.counts.iter().map(|&count| count as usize).sum()
    }
}

impl<const C: usize> Track<C> {
    /// An empty track that keeps readings for `keep_s`.
    pub(super) fn new(keep_s: f64) -> Self {
        Self {
            times: Vec::with_capacity(CAPACITY),
            channels: std::array::from_fn(|_| Vec::with_capacity(CAPACITY)),
            counts: Vec::with_capacity(CAPACITY),
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
    }

    /// Entries in all.
    pub(super) fn len(&self) -> usize {
        self.times.len()
    }

    /// Everything since `time`.
    pub(super) fn since(&self, time: f64) -> Stretch<'_, C> {
        let from = self.times.partition_point(|&at| at < time);
        Stretch {
            times: self.times.get(from..).unwrap_or_default(),
            channels: std::array::from_fn(|channel| {
                self.channels.get(channel).and_then(|values| values.get(from..)).unwrap_or_default()
            }),
            counts: self.counts.get(from..).unwrap_or_default(),
        }
    }

    /// Time of the first entry.
    pub(super) fn first_s(&self) -> Option<f64> {
        self.times.first().copied()
    }

    /// Time of the last entry.
    pub(super) fn last_s(&self) -> Option<f64> {
        self.times.last().copied()
    }

    /// Bytes on the heap.
    #[cfg(test)]
    pub(super) fn bytes(&self) -> usize {
        let columns = self.times.capacity() + self.channels.iter().map(Vec::capacity).sum::<usize>();
        columns * size_of::<f64>() + self.counts.capacity() * size_of::<u32>()
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
