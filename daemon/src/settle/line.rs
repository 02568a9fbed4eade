//! Least-squares lines and parabolas through readings whose noise may be alike from one to the next.

/// Residuals more alike than this from one reading to the next are taken as this alike.
const MOST_ALIKE: f64 = 0.97;
/// A standard error that stands for "nothing is known": times without a span have no slope.
const UNKNOWN: f64 = 1e30;
/// How many standard errors make curvature significant.
const CURVED: f64 = 3.0;

/// A straight line through one channel of a window.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Line {
    /// Mean of the times, in s.
    pub(super) time: f64,
    /// Mean of the readings.
    pub(super) mean: f64,
    /// Slope, per s.
    pub(super) slope: f64,
    /// Standard deviation of single readings about the line.
    pub(super) scatter: f64,
    /// Standard error of the mean.
    pub(super) mean_error: f64,
    /// Standard error of the slope, per s.
    pub(super) slope_error: f64,
    /// Readings that count as independent.
    pub(super) effective: f64,
    /// Lag-1 autocorrelation of the residuals, corrected for bias.
    pub(super) alike: f64,
    /// Mean residual of the last quarter: how far the line misses the end.
    pub(super) end_miss: f64,
}

impl Line {
    /// The ordinary least-squares line through `y` at the times `t`.
    ///
    /// Its standard errors are those of AR(1) noise: n/k readings count as independent, k = (1+ρ)/(1−ρ) (Bartlett
    /// 1946), with ρ corrected for the bias of a short, detrended series (Marriott & Pope 1954). Cited from memory.
    pub(super) fn fit(t: &[f64], y: &[f64]) -> Self {
        let n = t.len().min(y.len());
        let (t, y) = (t.get(..n).unwrap_or_default(), y.get(..n).unwrap_or_default());
        let count = n.max(1) as f64;
        let (mut time, mut mean) = (0.0, 0.0);
        for (&at, &value) in t.iter().zip(y) {
            time += at;
            mean += value;
        }
        time /= count;
        mean /= count;
        let (mut spread, mut product) = (0.0, 0.0);
        for (&at, &value) in t.iter().zip(y) {
            spread += (at - time) * (at - time);
            product += (at - time) * (value - mean);
        }
        let slope = if spread > 0.0 { product / spread } else { 0.0 };
        let line = Self { time, mean, slope, ..Self::default() };
        line.with_errors(t, y, spread)
    }

    fn with_errors(self, t: &[f64], y: &[f64], spread: f64) -> Self {
        let n = t.len();
        let count = n.max(1) as f64;
        let (squares, lagged) = self.residuals(t, y);
        let alike = if squares > 0.0 { unbiased(lagged / squares, count) } else { 0.0 };
        let inflation = (1.0 + alike) / (1.0 - alike);
        let hidden = ((count - 2.0) / (count - 2.0 * inflation).max(1.0)).max(1.0);
        let scatter = (squares / (count - 2.0).max(1.0) * hidden).sqrt();
        let quarter = n / 4;
        let tail =
            t.iter().zip(y).skip(n - quarter).map(|(&at, &value)| self.residual(at, value)).sum::<f64>();
        Self {
            scatter,
            mean_error: scatter * (inflation / count).sqrt(),
            slope_error: if spread > 0.0 { scatter * (inflation / spread).sqrt() } else { UNKNOWN },
            effective: (count / inflation).max(3.0),
            alike,
            end_miss: tail / quarter.max(1) as f64,
            ..self
        }
    }

    /// Sum of squared residuals, and of the products of neighbours.
    fn residuals(&self, t: &[f64], y: &[f64]) -> (f64, f64) {
        let (mut squares, mut lagged, mut before) = (0.0, 0.0, 0.0);
        for (&at, &value) in t.iter().zip(y) {
            let residual = self.residual(at, value);
            squares += residual * residual;
            lagged += residual * before;
            before = residual;
        }
        (squares, lagged)
    }

    fn residual(&self, at: f64, value: f64) -> f64 {
        value - self.mean - self.slope * (at - self.time)
    }
}

/// Marriott & Pope's correction for a detrended series (1954, cited from memory), kept within 0 to [`MOST_ALIKE`].
fn unbiased(lag: f64, count: f64) -> f64 {
    (lag + (1.0 + 4.0 * lag) / count).clamp(0.0, MOST_ALIKE)
}

/// A parabola whose bend is significant: slope at the end and change of slope.
#[derive(Clone, Copy, Debug)]
pub(super) struct Bend {
    /// Quadratic coefficient, per s².
    pub(super) bend: f64,
    /// Slope of the parabola at the last reading, per s.
    pub(super) end_slope: f64,
}

impl Bend {
    /// The parabola through `y`, if its quadratic coefficient is more than [`CURVED`] standard errors from zero.
    ///
    /// The quadratic is orthogonal to 1 and t, so that it doesn't disturb the line.
    pub(super) fn find(t: &[f64], y: &[f64]) -> Option<Self> {
        let n = t.len().min(y.len());
        let (t, y) = (t.get(..n)?, y.get(..n)?);
        let last = *t.last()?;
        if n < 8 {
            return None;
        }
        let count = n as f64;
        let (time, mean) = (t.iter().sum::<f64>() / count, y.iter().sum::<f64>() / count);
        let (mut second, mut third) = (0.0, 0.0);
        for &at in t {
            let x = at - time;
            second += x * x;
            third += x * x * x;
        }
        let (skew, centre) = (third / second, second / count);
        let quadratic = |x: f64| x * x - centre - skew * x;
        let (mut own, mut with_bend, mut with_slope) = (0.0, 0.0, 0.0);
        for (&at, &value) in t.iter().zip(y) {
            let x = at - time;
            own += quadratic(x) * quadratic(x);
            with_bend += quadratic(x) * (value - mean);
            with_slope += x * (value - mean);
        }
        let (slope, bend) = (with_slope / second, with_bend / own);
        let (mut squares, mut lagged, mut before) = (0.0, 0.0, 0.0);
        for (&at, &value) in t.iter().zip(y) {
            let x = at - time;
            let residual = value - mean - slope * x - bend * quadratic(x);
            squares += residual * residual;
            lagged += residual * before;
            before = residual;
        }
        let alike = if squares > 0.0 { (lagged / squares + 4.0 / count).clamp(0.0, 0.95) } else { 0.0 };
        let error = (squares / (count - 3.0) * (1.0 + alike) / (1.0 - alike) / own).sqrt();
        (bend.abs() > CURVED * error)
            .then_some(Self { bend, end_slope: slope + bend * (2.0 * (last - time) - skew) })
    }

    /// Whether the light, moving at `slope` and bending on for one hold, leaves the band.
    pub(super) fn leaves(&self, slope: f64, hold: f64, band: f64) -> bool {
        slope * self.bend > 0.0 && (slope * hold + self.bend * hold * hold).abs() > band
    }

    /// The same, where `slope` is the mean one of a window of `length`: at its end it is steeper.
    pub(super) fn leaves_from(&self, slope: f64, length: f64, hold: f64, band: f64) -> bool {
        slope * self.bend > 0.0 && self.leaves(slope + self.bend * length, hold, band)
    }
}
