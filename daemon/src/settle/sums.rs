//! Sums that a least-squares line needs, so that a window of any length costs a few dozen operations.

/// Sums over neighbouring entries of `C` channels; x is time.
///
/// Pairs are of neighbours: a pair's later entry is the one it was added with.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sums<const C: usize> {
    count: f64,
    x: f64,
    xx: f64,
    /// Σ x·x of pairs.
    pairs_xx: f64,
    channels: [Products; C],
}

/// One channel's sums.
#[derive(Clone, Copy, Debug, Default)]
struct Products {
    y: f64,
    xy: f64,
    yy: f64,
    /// Σ y·y of pairs.
    pairs_yy: f64,
    /// Σ x·y + y·x of pairs.
    pairs_xy: f64,
}

/// An entry: time and values, counted from a reference near by, so that squares keep their digits.
#[derive(Clone, Copy, Debug)]
pub(super) struct Entry<const C: usize> {
    pub(super) x: f64,
    pub(super) y: [f64; C],
}

/// What one channel of a stretch adds up to: all that a line is made of.
#[derive(Clone, Copy, Debug)]
pub(super) struct Moments {
    pub(super) count: f64,
    /// Mean of x.
    pub(super) x: f64,
    /// Mean of y.
    pub(super) y: f64,
    /// Σ (x − mean)².
    pub(super) xx: f64,
    /// Σ (x − mean)(y − mean).
    pub(super) xy: f64,
    /// Σ (y − mean)².
    pub(super) yy: f64,
    /// Σ of pairs' (x − mean)(x − mean).
    pub(super) pairs_xx: f64,
    /// Σ of pairs' (y − mean)(y − mean).
    pub(super) pairs_yy: f64,
    /// Σ of pairs' (x − mean)(y − mean) + (y − mean)(x − mean).
    pub(super) pairs_xy: f64,
}

impl<const C: usize> Sums<C> {
    /// Of nothing.
    pub(super) const NONE: Self = Self {
        count: 0.0,
        x: 0.0,
        xx: 0.0,
        pairs_xx: 0.0,
        channels: [Products { y: 0.0, xy: 0.0, yy: 0.0, pairs_yy: 0.0, pairs_xy: 0.0 }; C],
    };

    /// Adds an entry and, where there is one, the pair that it makes with the entry before it.
    pub(super) fn add(&mut self, entry: Entry<C>, before: Option<Entry<C>>) {
        self.count += 1.0;
        self.x += entry.x;
        self.xx += entry.x * entry.x;
        for (sums, y) in self.channels.iter_mut().zip(entry.y) {
            sums.y += y;
            sums.xy += entry.x * y;
            sums.yy += y * y;
        }
        if let Some(before) = before {
            self.pair(entry, before, 1.0);
        }
    }

    /// Takes the pair of two entries out again.
    pub(super) fn unpair(&mut self, entry: Entry<C>, before: Entry<C>) {
        self.pair(entry, before, -1.0);
    }

    fn pair(&mut self, entry: Entry<C>, before: Entry<C>, sign: f64) {
        self.pairs_xx += sign * before.x * entry.x;
        for ((sums, y), earlier) in self.channels.iter_mut().zip(entry.y).zip(before.y) {
            sums.pairs_yy += sign * earlier * y;
            sums.pairs_xy += sign * (before.x * y + earlier * entry.x);
        }
    }

    /// What is left without `earlier`, the sums of the first entries.
    pub(super) fn without(mut self, earlier: &Self) -> Self {
        self.count -= earlier.count;
        self.x -= earlier.x;
        self.xx -= earlier.xx;
        self.pairs_xx -= earlier.pairs_xx;
        for (sums, earlier) in self.channels.iter_mut().zip(&earlier.channels) {
            sums.y -= earlier.y;
            sums.xy -= earlier.xy;
            sums.yy -= earlier.yy;
            sums.pairs_yy -= earlier.pairs_yy;
            sums.pairs_xy -= earlier.pairs_xy;
        }
        self
    }

    /// Each channel's moments about the means, given the first and the last entry.
    pub(super) fn moments(&self, first: Entry<C>, last: Entry<C>) -> [Moments; C] {
        let count = self.count.max(1.0);
        let x = self.x / count;
        let pairs = count - 1.0;
        // Every entry but the ends is in two pairs.
        let paired_x = 2.0 * self.x - first.x - last.x;
        std::array::from_fn(|channel| {
            let at = |values: &[f64; C]| values.get(channel).copied().unwrap_or_default();
            let sums = self.channels.get(channel).copied().unwrap_or_default();
            let y = sums.y / count;
            let paired_y = 2.0 * sums.y - at(&first.y) - at(&last.y);
            Moments {
                count,
                x,
                y,
                xx: (self.xx - count * x * x).max(0.0),
                xy: sums.xy - count * x * y,
                yy: rounded(sums.yy - count * y * y, sums.yy),
                pairs_xx: self.pairs_xx - x * paired_x + pairs * x * x,
                pairs_yy: sums.pairs_yy - y * paired_y + pairs * y * y,
                pairs_xy: sums.pairs_xy - x * paired_y - y * paired_x + 2.0 * pairs * x * y,
            }
        })
    }
}

/// A difference of sums of squares, zero where it is no more than their rounding.
fn rounded(difference: f64, whole: f64) -> f64 {
    if difference > 1e-13 * whole { difference } else { 0.0 }
}

impl Moments {
    /// Slope, sum of squared residuals and sum of products of neighbouring residuals of the least-squares line.
    pub(super) fn line(&self) -> (f64, f64, f64) {
        let slope = if self.xx > 0.0 { self.xy / self.xx } else { 0.0 };
        let squares = rounded(self.yy - slope * self.xy, self.yy);
        let lagged = self.pairs_yy - slope * self.pairs_xy + slope * slope * self.pairs_xx;
        (slope, squares, lagged)
    }
}
