//! Quantiles of Student's, the chi-square, F and the normal distribution.

use statrs::distribution::{ChiSquared, ContinuousCDF, FisherSnedecor, StudentsT};

/// Intervals hold what they are of this often.
pub const CONFIDENCE: f64 = 0.95;

/// The normal's two-sided quantile at [`CONFIDENCE`].
pub(super) const NORMAL: f64 = 1.959_963_984_540_054;

/// Beyond so many degrees of freedom a distribution is as good as normal (1e-6 and better).
const NEARLY_NORMAL: f64 = 1e6;

/// Half of Student's two-sided interval at [`CONFIDENCE`], in standard errors. Below one degree of freedom it is that of one.
pub(super) fn student(freedom: f64) -> f64 {
    if freedom >= NEARLY_NORMAL {
        return NORMAL;
    }
    StudentsT::new(0.0, 1.0, freedom.max(1.0))
        .map_or(NORMAL, |student| student.inverse_cdf(f64::midpoint(1.0, CONFIDENCE)))
}

/// What a deviation with so many degrees of freedom is to be multiplied by for the ends of its interval at [`CONFIDENCE`]:
/// √(edf/χ²) at either tail (NIST SP 1065, 5.3).
pub(super) fn deviation(freedom: f64) -> (f64, f64) {
    let freedom = freedom.max(1.0);
    let tail = (1.0 - CONFIDENCE) / 2.0;
    if freedom >= NEARLY_NORMAL {
        let half = NORMAL / (2.0 * freedom).sqrt();
        return (1.0 - half, 1.0 + half);
    }
    ChiSquared::new(freedom).map_or((0.0, f64::MAX), |chi| {
        ((freedom / chi.inverse_cdf(1.0 - tail)).sqrt(), (freedom / chi.inverse_cdf(tail)).sqrt())
    })
}

/// What F of two and so many degrees of freedom exceeds only 1 − [`CONFIDENCE`] of the time.
pub(super) fn pair(freedom: f64) -> f64 {
    FisherSnedecor::new(2.0, freedom.max(1.0)).map_or(f64::MAX, |f| f.inverse_cdf(CONFIDENCE))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Printed tables of Student's t, of χ² and of F at 5 % (values from memory, of any book of tables).
    #[test]
    fn the_quantiles_are_those_of_published_tables() {
        for (freedom, expected) in [(1.0, 12.706), (5.0, 2.571), (30.0, 2.042), (120.0, 1.980), (1e7, 1.960)]
        {
            assert!((student(freedom) - expected).abs() < 6e-4, "t of {freedom}: {}", student(freedom));
        }
        for (freedom, low, high) in [(1.0, 0.000_982, 5.024), (10.0, 3.247, 20.483), (100.0, 74.222, 129.561)]
        {
            let (from, to) = deviation(freedom);
            assert!((freedom / (to * to) / low - 1.0).abs() < 5e-4);
            assert!((freedom / (from * from) / high - 1.0).abs() < 5e-4);
        }
        let (near, far) = (deviation(0.999_999e6), deviation(1.000_001e6));
        assert!((near.0 - far.0).abs() < 1e-6 && (near.1 - far.1).abs() < 1e-6);
        for (freedom, expected) in [(10.0, 4.103), (60.0, 3.150)] {
            assert!((pair(freedom) - expected).abs() < 1e-3, "F of {freedom}: {}", pair(freedom));
        }
    }
}
