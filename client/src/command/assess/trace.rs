//! The course of a series in bounded memory, for a plot.

/// Most stretches that are kept; when there are more, neighbours become one.
const MOST: usize = 512;

/// The course of a series: stretches of as many readings each.
#[derive(Debug)]
pub(super) struct Trace {
    stretches: Vec<Stretch>,
    /// Readings that make a stretch, and how many the last one has.
    readings: (u32, u32),
}

/// A few readings in a row.
#[derive(Clone, Copy, Debug)]
struct Stretch {
    t_s: f64,
    low: f64,
    high: f64,
}

impl Trace {
    pub(super) fn new() -> Self {
        Self { stretches: Vec::new(), readings: (1, 1) }
    }

    pub(super) fn push(&mut self, t_s: f64, y: f64) {
        if let Some(last) = self.stretches.last_mut().filter(|_| self.readings.1 < self.readings.0) {
            last.low = last.low.min(y);
            last.high = last.high.max(y);
            self.readings.1 += 1;
            return;
        }
        if self.stretches.len() == MOST {
            self.halve();
        }
        self.stretches.push(Stretch { t_s, low: y, high: y });
        self.readings.1 = 1;
    }

    /// Makes one of every two.
    fn halve(&mut self) {
        let pairs = self.stretches.chunks(2).map(|pair| {
            let (low, high) = (|stretch: &Stretch| stretch.low, |stretch: &Stretch| stretch.high);
            Stretch {
                t_s: pair[0].t_s,
                low: pair.iter().map(low).fold(f64::INFINITY, f64::min),
                high: pair.iter().map(high).fold(f64::NEG_INFINITY, f64::max),
            }
        });
        self.stretches = pairs.collect();
        self.readings.0 = self.readings.0.saturating_mul(2);
    }

    /// The lowest and the highest of each stretch, by seconds since `start_s`.
    pub(super) fn points(&self, start_s: f64) -> Vec<(f64, f64)> {
        let ends = |stretch: &Stretch| [stretch.low, stretch.high].map(|y| (stretch.t_s - start_s, y));
        self.stretches.iter().flat_map(ends).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_course_is_kept_short_and_loses_neither_its_ends_nor_its_extremes() {
        let mut trace = Trace::new();
        for index in 0..100_000 {
            let y = if index == 77_777 { 9.0 } else { f64::from(index % 3) };
            trace.push(f64::from(index), y);
        }
        let points = trace.points(0.0);
        assert!((MOST..=2 * MOST).contains(&points.len()), "{}", points.len());
        assert!(points[0].0 == 0.0 && points[points.len() - 1].0 > 99_000.0);
        assert!(points.iter().any(|(_, y)| *y == 9.0) && points.iter().any(|(_, y)| *y == 0.0));
    }
}
