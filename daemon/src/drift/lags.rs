//! The kind of noise, by the lag-1 autocorrelation of a series and of its differences (Riley & Greenhall 2004; NIST SP 1065, 5.5.3).

/// Values that are taken together: pairs across the edge of two such lots are left out, one in so many.
const LOT: usize = 256;

/// Differences are taken twice at most: that tells all kinds down to α = −4.
const DIFFERENCES: usize = 3;

/// Values that it takes to tell (SP 1065).
const FEWEST: f64 = 30.0;

/// A series whose δ is below this needs no more differences (SP 1065).
const STATIONARY: f64 = 0.25;

/// The series, and its first and second differences.
#[derive(Clone, Debug, Default)]
pub(super) struct Lags {
    waiting: Vec<f64>,
    differences: Vec<f64>,
    sums: [Pairs; DIFFERENCES],
}

/// What an autocorrelation is made of.
#[derive(Clone, Copy, Debug, Default)]
struct Pairs {
    count: f64,
    sum: f64,
    squares: f64,
    pairs: f64,
    products: f64,
    /// Sum of the earlier and of the later ones of pairs.
    paired: f64,
}

impl Lags {
    /// Takes the next values.
    pub(super) fn extend(&mut self, mut values: impl Iterator<Item = f64>) {
        loop {
            let room = LOT - self.waiting.len();
            self.waiting.extend(values.by_ref().take(room));
            if self.waiting.len() < LOT {
                return;
            }
            self.work();
        }
    }

    /// What comes next doesn't follow on what came last.
    pub(super) fn gap(&mut self) {
        self.work();
    }

    fn work(&mut self) {
        if self.waiting.is_empty() {
            return;
        }
        for pairs in &mut self.sums {
            pairs.add(&self.waiting);
            let later = self.waiting.iter().skip(1);
            self.differences.clear();
            self.differences.extend(later.zip(&self.waiting).map(|(later, earlier)| later - earlier));
            std::mem::swap(&mut self.waiting, &mut self.differences);
        }
        self.waiting.clear();
    }

    /// α, from 2 to −4: the first of the three that is stationary tells.
    pub(super) fn alpha(&self) -> Option<i32> {
        if self.sums.first()?.count < FEWEST {
            return None;
        }
        let last = DIFFERENCES - 1;
        self.sums.iter().enumerate().find_map(|(differences, pairs)| {
            let lag = pairs.lag()?;
            let delta = lag / (1.0 + lag);
            let told = delta < STATIONARY || differences == last;
            let alpha = -(2.0 * delta).round() - 2.0 * differences as f64;
            told.then(|| alpha.clamp(-4.0, 2.0) as i32)
        })
    }
}

impl Pairs {
    fn add(&mut self, values: &[f64]) {
        let (Some(first), Some(last)) = (values.first(), values.last()) else { return };
        let later = values.get(1..).unwrap_or_default();
        let sum = total(values);
        self.count += values.len() as f64;
        self.sum += sum;
        self.squares += product(values, values);
        self.products += product(values, later);
        self.pairs += later.len() as f64;
        self.paired += 2.0 * sum - first - last;
    }

    /// The autocorrelation; nothing where nothing varies.
    fn lag(&self) -> Option<f64> {
        let mean = self.sum / self.count;
        let variance = self.squares - self.count * mean * mean;
        let lagged = self.products - mean * self.paired + self.pairs * mean * mean;
        let lag = lagged / self.pairs * (self.count - 1.0) / variance;
        (variance > 1e-13 * self.squares && self.pairs > 0.0).then(|| lag.clamp(-0.999, 1.0))
    }
}

/// Σ a, four sums at once.
fn total(values: &[f64]) -> f64 {
    let (whole, rest) = values.as_chunks::<4>();
    let mut lanes = [0.0; 4];
    for values in whole {
        for (lane, value) in lanes.iter_mut().zip(values) {
            *lane += value;
        }
    }
    lanes.iter().sum::<f64>() + rest.iter().sum::<f64>()
}

/// Σ a·b over as many as there are of both.
fn product(a: &[f64], b: &[f64]) -> f64 {
    let shared = a.len().min(b.len());
    let (a, b) = (a.get(..shared).unwrap_or_default(), b.get(..shared).unwrap_or_default());
    let (a_whole, a_rest) = a.as_chunks::<4>();
    let (b_whole, b_rest) = b.as_chunks::<4>();
    let mut lanes = [0.0; 4];
    for (a, b) in a_whole.iter().zip(b_whole) {
        for ((lane, a), b) in lanes.iter_mut().zip(a).zip(b) {
            *lane += a * b;
        }
    }
    lanes.iter().sum::<f64>() + a_rest.iter().zip(b_rest).map(|(a, b)| a * b).sum::<f64>()
}
