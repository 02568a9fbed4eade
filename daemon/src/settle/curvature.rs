//! Is the light about to turn? A straight line across a turning point is level and looks settled; a parabola tells.

use super::line::{Residuals, known, means};

/// Standard errors by which a curvature must differ from none.
const SIGNIFICANT: f64 = 3.0;

/// A parabola through a window: slope at its end and curvature (the quadratic coefficient), if the latter is significant.
struct Bend {
    end_slope: f64,
    curvature: f64,
}

impl Bend {
    fn fit(t: &[f64], y: &[f64]) -> Option<Self> {
        let points = known(t, y);
        let (n, t_mean, mean) = means(points.clone());
        if n < 8.0 {
            return None;
        }
        let (m2, m3) = points.clone().fold((0.0, 0.0), |(m2, m3), (t, _)| {
            let x = t - t_mean;
            (m2 + x * x, m3 + x * x * x)
        });
        // The quadratic, made orthogonal to the constant and the linear term.
        let (skew, level) = (m3 / m2, m2 / n);
        let quadratic = |x: f64| x * x - level - skew * x;
        let (szz, szy, sxy) = points.clone().fold((0.0, 0.0, 0.0), |(szz, szy, sxy), (t, y)| {
            let (x, y) = (t - t_mean, y - mean);
            let z = quadratic(x);
            (szz + z * z, szy + z * y, sxy + x * y)
        });
        let (slope, curvature) = (sxy / m2, szy / szz);
        let mut residuals = Residuals::default();
        for (t, y) in points.clone() {
            let x = t - t_mean;
            residuals.add(y - mean - slope * x - curvature * quadratic(x));
        }
        let rho = if residuals.squares > 0.0 { (residuals.lag() + 4.0 / n).clamp(0.0, 0.95) } else { 0.0 };
        let error = (residuals.squares / (n - 3.0) * (1.0 + rho) / (1.0 - rho) / szz).sqrt();
        let last = points.last().map_or(0.0, |(t, _)| t - t_mean);
        let significant = curvature.abs() > SIGNIFICANT * error;
        significant.then_some(Self { end_slope: slope + curvature * (2.0 * last - skew), curvature })
    }
}

/// Whether the light, at a slope of `slope` over the last `span_s`, accelerates out of its band within the hold: judged by a
/// parabola over a longer window.
pub(super) fn leaves(t: &[f64], y: &[f64], hold_s: f64, band: f64, (slope, span_s): (f64, f64)) -> bool {
    Bend::fit(t, y).is_some_and(|Bend { curvature, .. }| {
        slope * curvature > 0.0
            && ((slope + curvature * span_s) * hold_s + curvature * hold_s * hold_s).abs() > band
    })
}

/// The same, judged by the parabola's own slope at the end of the window.
pub(super) fn turns(t: &[f64], y: &[f64], hold_s: f64, band: f64) -> bool {
    Bend::fit(t, y).is_some_and(|Bend { end_slope, curvature }| {
        end_slope * curvature > 0.0 && (end_slope * hold_s + curvature * hold_s * hold_s).abs() > band
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_turning_point_is_seen_and_an_approach_is_not() {
        let t: Vec<f64> = (0..60).map(f64::from).collect();
        let jitter = |i: f64| 1e-4 * (i * 12.9898).sin();
        let turning: Vec<f64> = t.iter().map(|t| 100.0 - 0.001 * (t - 25.0).powi(2) + jitter(*t)).collect();
        assert!(turns(&t, &turning, 60.0, 0.5));
        let approaching: Vec<f64> = t.iter().map(|t| 100.0 - (-t / 60.0).exp() + jitter(*t)).collect();
        assert!(!turns(&t, &approaching, 60.0, 0.5));
    }
}
