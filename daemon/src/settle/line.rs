//! Least-squares lines through readings whose noise may be alike from one to the next.

use super::sums::Moments;

/// Residuals more alike than this from one reading to the next are taken as this alike.
const MOST_ALIKE: f64 = 0.97;
/// Degrees of freedom at least. Fewer would be those of residuals as smooth as a curve: what a line doesn't follow, not noise.
const LEAST_FREEDOM: f64 = 4.0;
/// A standard error that stands for "nothing is known": times without a span have no slope.
const UNKNOWN: f64 = 1e30;

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
    /// Degrees of freedom of its residuals.
    pub(super) fn freedom(&self) -> f64 {
        (self.effective - 2.0).max(LEAST_FREEDOM)
    }

    /// The ordinary least-squares line of a stretch, given the moments of its last quarter, and what they are counted from.
    ///
    /// Its standard errors are those of AR(1) noise: n/k readings count as independent, k = (1+ρ)/(1−ρ) (Bartlett
    /// 1946), with ρ corrected for the bias of a short, detrended series (Marriott & Pope 1954). Cited from memory.
    pub(super) fn of(moments: &Moments, end: &Moments, time: f64, level: f64) -> Self {
        let (slope, squares, lagged) = moments.line();
        let count = moments.count;
        let alike = if squares > 0.0 { unbiased(lagged / squares, count) } else { 0.0 };
        let inflation = (1.0 + alike) / (1.0 - alike);
        let hidden = ((count - 2.0) / (count - 2.0 * inflation).max(1.0)).max(1.0);
        let scatter = (squares / (count - 2.0).max(1.0) * hidden).sqrt();
        let spread = moments.xx;
        Self {
            time: time + moments.x,
            mean: level + moments.y,
            slope,
            scatter,
            mean_error: scatter * (inflation / count).sqrt(),
            slope_error: if spread > 0.0 { scatter * (inflation / spread).sqrt() } else { UNKNOWN },
            effective: count / inflation,
            alike,
            end_miss: end.y - moments.y - slope * (end.x - moments.x),
        }
    }
}

/// A series from which a line was taken looks less alike than it is, by (2 + 4ρ)/n to first order (Marriott & Pope 1954 and Kendall
/// 1954 for a mean, the second term of the numerator one more for a slope; from memory). Kept within 0 to [`MOST_ALIKE`].
fn unbiased(lag: f64, count: f64) -> f64 {
    (lag + (2.0 + 4.0 * lag) / count).clamp(0.0, MOST_ALIKE)
}
