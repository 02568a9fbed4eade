//! The accepted readings that evidence is taken from: bounded in time and in number.
//!
//! When more come within the longest window than fit, neighbours are averaged in pairs, and from then on twice as many readings make one
//! entry. Nothing is forgotten that still counts; only the grain becomes coarser.

use super::Reading;

/// Most entries: 4096 · 4 numbers · 8 bytes · 2 (room to slide) are 256 KiB at the very most, half of it in use.
pub(super) const MOST: usize = 4096;

/// Readings as columns, oldest first.
#[derive(Clone, Debug)]
pub(super) struct Trace {
    columns: [Vec<f64>; 4],
    start: usize,
    /// Readings that make one entry.
    grain: u32,
    /// Sums and counts of the entry in the making: t, y, u′, v′.
    partial: [(f64, u32); 4],
}

impl Trace {
    pub(super) fn new() -> Self {
        Self { columns: Default::default(), start: 0, grain: 1, partial: [(0.0, 0); 4] }
    }

    /// Forgets everything.
    pub(super) fn clear(&mut self) {
        self.columns.iter_mut().for_each(Vec::clear);
        self.start = 0;
        self.grain = 1;
        self.partial = [(0.0, 0); 4];
    }

    /// Keeps the last `n` entries alone.
    pub(super) fn keep_last(&mut self, n: usize) {
        self.start = self.start.max(self.columns[0].len().saturating_sub(n));
    }

    /// Adds a reading and forgets what is older than `longest_s`. True if an entry was completed.
    pub(super) fn add(&mut self, reading: &Reading, longest_s: f64) -> bool {
        let values = [reading.t_s, reading.y, reading.uv[0], reading.uv[1]];
        for ((sum, count), value) in
            self.partial.iter_mut().zip(values).filter(|(_, value)| value.is_finite())
        {
            *sum += value;
            *count += 1;
        }
        if self.partial[0].1 < self.grain {
            return false;
        }
        let entry =
            self.partial.map(|(sum, count)| if count > 0 { sum / f64::from(count) } else { f64::NAN });
        self.partial = [(0.0, 0); 4];
        for (column, value) in self.columns.iter_mut().zip(entry) {
            column.push(value);
        }
        let oldest = reading.t_s - longest_s;
        while self.t().first().is_some_and(|t| *t < oldest) {
            self.start += 1;
        }
        self.make_room();
        true
    }

    fn make_room(&mut self) {
        if self.len() > MOST {
            self.columns.iter_mut().for_each(|column| halve(column, self.start));
            self.start = 0;
            self.grain = self.grain.saturating_mul(2);
        } else if self.start > MOST {
            let start = std::mem::take(&mut self.start);
            self.columns.iter_mut().for_each(|column| drop(column.drain(..start)));
        }
    }

    pub(super) fn len(&self) -> usize {
        self.columns[0].len() - self.start
    }

    /// Times, in s.
    pub(super) fn t(&self) -> &[f64] {
        self.column(0)
    }

    /// Luminance, u′ or v′: channel 0, 1 or 2. Unknown values are NaN.
    pub(super) fn channel(&self, channel: usize) -> &[f64] {
        self.column(channel + 1)
    }

    fn column(&self, index: usize) -> &[f64] {
        self.columns.get(index).and_then(|column| column.get(self.start..)).unwrap_or_default()
    }

    /// The index of the first entry within the last `window_s`.
    pub(super) fn since(&self, window_s: f64) -> usize {
        let t = self.t();
        let from = t.last().map_or(0.0, |last| last - window_s);
        t.partition_point(|t| *t < from)
    }
}

/// Averages neighbours from `start` on. A pair of which one is unknown is the other.
fn halve(column: &mut Vec<f64>, start: usize) {
    let pairs = column.get(start..).unwrap_or_default().chunks(2);
    let halves: Vec<f64> = pairs
        .map(|pair| match *pair {
            [a, b] if a.is_finite() && b.is_finite() => 0.5 * (a + b),
            [a, _] if a.is_finite() => a,
            [_, b] => b,
            [a] => a,
            _ => f64::NAN,
        })
        .collect();
    column.clear();
    column.extend_from_slice(&halves);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn many_readings_become_coarser_and_keep_their_mean() {
        let mut trace = Trace::new();
        for index in 0..100_000_u32 {
            let t_s = f64::from(index) * 0.001;
            trace.add(&Reading { t_s, y: t_s, uv: [f64::NAN; 2] }, 1000.0);
            assert!(trace.len() <= MOST && trace.columns[0].capacity() <= 4 * MOST);
        }
        let y = trace.channel(0);
        let mean = y.iter().sum::<f64>() / y.len() as f64;
        assert!((mean - 50.0).abs() < 0.1, "{mean}");
        assert!(trace.channel(1).iter().all(|u| u.is_nan()));
    }

    #[test]
    fn what_is_too_old_is_forgotten() {
        let mut trace = Trace::new();
        for t in 0..20_000_u32 {
            trace.add(&Reading { t_s: f64::from(t), y: 1.0, uv: [0.2, 0.5] }, 100.0);
        }
        assert_eq!((trace.len(), trace.since(10.0)), (101, 90));
    }
}
