//! A straight line through the readings of a window, with standard errors that count autocorrelation.
//!
//! Ordinary least squares. The lag-1 autocorrelation r₁ of the residuals is corrected for its bias as
//! ρ = r₁ + (1 + 4r₁)/n (Marriott and Pope 1954) and cut to 0 … 0.97; k = (1+ρ)/(1−ρ) readings count as one (the effective
//! sample size of an AR(1) series, Bartlett 1946). Both cited from memory.

/// The largest autocorrelation that is believed.
const LARGEST_RHO: f64 = 0.97;

/// A fitted line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Line {
    pub(super) n: f64,
    pub(super) mean: f64,
    /// Per second.
    pub(super) slope: f64,
    /// Standard deviation of single readings about the line.
    pub(super) sd: f64,
    pub(super) se_mean: f64,
    pub(super) se_slope: f64,
    pub(super) n_effective: f64,
    pub(super) rho: f64,
    /// Mean residual of the last quarter: what the line doesn't follow at its end.
    pub(super) end_misfit: f64,
}

/// The pairs of which the value is known.
pub(super) fn known<'a>(t: &'a [f64], y: &'a [f64]) -> impl Iterator<Item = (f64, f64)> + Clone + 'a {
    t.iter().copied().zip(y.iter().copied()).filter(|(_, y)| y.is_finite())
}

/// Count, mean time and mean value.
pub(super) fn means(points: impl Iterator<Item = (f64, f64)>) -> (f64, f64, f64) {
    let (n, t, y) = points.fold((0.0, 0.0, 0.0), |(n, st, sy), (t, y)| (n + 1.0, st + t, sy + y));
    (n, t / n, y / n)
}

/// Sums of squares and of neighbours' products of residuals.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Residuals {
    pub(super) squares: f64,
    neighbours: f64,
    previous: Option<f64>,
}

impl Residuals {
    pub(super) fn add(&mut self, residual: f64) {
        self.squares += residual * residual;
        self.neighbours += residual * self.previous.unwrap_or(0.0);
        self.previous = Some(residual);
    }

    /// Lag-1 autocorrelation, uncorrected; 0 where there is nothing to correlate.
    pub(super) fn lag(&self) -> f64 {
        if self.squares > 0.0 { self.neighbours / self.squares } else { 0.0 }
    }
}

impl Line {
    /// The line through the known values; nothing with fewer than three, or if all were taken at one moment.
    pub(super) fn fit(t: &[f64], y: &[f64]) -> Option<Self> {
        let points = known(t, y);
        let (n, t_mean, mean) = means(points.clone());
        if n < 3.0 {
            return None;
        }
        let (sxx, sxy) = points.clone().fold((0.0, 0.0), |(sxx, sxy), (t, y)| {
            let x = t - t_mean;
            (sxx + x * x, sxy + x * (y - mean))
        });
        if sxx <= 0.0 || sxx.is_nan() {
            return None;
        }
        let slope = sxy / sxx;
        let quarter = (n / 4.0).floor();
        let (mut residuals, mut index, mut end) = (Residuals::default(), 0.0, 0.0);
        for (t, y) in points {
            let residual = y - mean - slope * (t - t_mean);
            residuals.add(residual);
            if index >= n - quarter {
                end += residual / quarter;
            }
            index += 1.0;
        }
        let rho = if residuals.squares > 0.0 {
            let lag = residuals.lag();
            (lag + (1.0 + 4.0 * lag) / n).clamp(0.0, LARGEST_RHO)
        } else {
            0.0
        };
        let inflation = (1.0 + rho) / (1.0 - rho);
        let freedom = (n - 2.0).max(1.0);
        let lost = (freedom / (n - 2.0 * inflation).max(1.0)).max(1.0);
        let sd = (residuals.squares / freedom * lost).sqrt();
        Some(Self {
            n,
            mean,
            slope,
            sd,
            se_mean: sd * (inflation / n).sqrt(),
            se_slope: sd * (inflation / sxx).sqrt(),
            n_effective: (n / inflation).max(3.0),
            rho,
            end_misfit: end,
        })
    }

    /// How much of the slope is believed: b²/(b² + SE²).
    pub(super) fn shrinkage(&self) -> f64 {
        let square = self.slope * self.slope;
        let sum = square + self.se_slope * self.se_slope;
        if sum > 0.0 { square / sum } else { 0.0 }
    }

    /// The value at the end of a window of `span_s`: the mean, and as much of the drift as is believed.
    pub(super) fn end(&self, span_s: f64) -> f64 {
        self.mean + self.shrinkage() * self.slope * span_s / 2.0
    }

    /// Standard uncertainty (JCGM 100, type A) and half-width of the 95 % interval of [`end`](Self::end), with the quantile
    /// `t95`. The lack of fit at the end and the drift that was not believed are bounds on a bias.
    pub(super) fn uncertainty(&self, span_s: f64, t95: f64) -> (f64, f64) {
        /// Multiples of the misfit at the end that count as uncertainty.
        const MISFIT: f64 = 2.5;
        let believed = self.shrinkage();
        let drift = believed * self.se_slope * span_s / 2.0;
        let unbelieved = (1.0 - believed) * self.slope.abs() * span_s / 2.0;
        let misfit = MISFIT * self.end_misfit;
        let expanded =
            ((t95 * self.se_mean).powi(2) + (t95 * drift).powi(2) + misfit * misfit).sqrt() + unbelieved;
        (expanded / t95, expanded)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_exact_line_is_found_without_error() {
        let t: Vec<f64> = (0..20).map(f64::from).collect();
        let y: Vec<f64> = t.iter().map(|t| 3.0 + 0.25 * t).collect();
        let line = Line::fit(&t, &y).unwrap();
        assert!((line.slope - 0.25).abs() < 1e-12 && line.sd < 1e-12);
        assert!((line.end(19.0) - (3.0 + 0.25 * 19.0)).abs() < 1e-9);
    }

    #[test]
    fn a_published_regression_is_reproduced() {
        // NIST StRD Norris: certified intercept, slope, their standard errors and the residual standard deviation. Its residuals are
        // taken in the order of the data set; autocorrelation may only widen the errors.
        let x = [
            0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9,
            338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0,
            779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5,
        ];
        let y = [
            0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8,
            339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5,
            778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2,
        ];
        let line = Line::fit(&x, &y).unwrap();
        assert!((line.slope - 1.002_116_818_020_45).abs() < 1e-12);
        assert!(line.sd >= 0.884_796_396_144_373 - 1e-9, "{}", line.sd);
        assert!(line.se_slope >= 0.429_796_848_199_937e-3 - 1e-12);
    }

    #[test]
    fn unknown_values_are_left_out() {
        let t: Vec<f64> = (0..10).map(f64::from).collect();
        let mut y: Vec<f64> = t.iter().map(|t| t * t).collect();
        y[4] = f64::NAN;
        let (t9, y9): (Vec<f64>, Vec<f64>) = known(&t, &y).unzip();
        assert_eq!(Line::fit(&t, &y), Line::fit(&t9, &y9));
        assert_eq!(Line::fit(&t[..2], &y[..2]), None);
    }
}
