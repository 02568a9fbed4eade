//! Quantiles of Student's t, computed when first needed and kept.

use statrs::distribution::{ContinuousCDF, StudentsT};

/// From here on the quantile no longer changes in any digit that matters.
const MOST_FREEDOM: usize = 400;

/// Quantiles at one probability.
#[derive(Clone, Debug)]
pub(super) struct Student {
    probability: f64,
    known: Vec<f64>,
}

impl Student {
    /// At `probability`, one-sided.
    pub(super) fn new(probability: f64) -> Self {
        Self { probability, known: vec![f64::NAN; MOST_FREEDOM] }
    }

    /// The quantile at `freedom` degrees, rounded down to a whole number from 1 to 400.
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped to 1..=400 first")]
    pub(super) fn quantile(&mut self, freedom: f64) -> f64 {
        let freedom = freedom.max(1.0).min(MOST_FREEDOM as f64) as usize;
        let Some(known) = self.known.get_mut(freedom - 1) else { return 3.0 };
        if known.is_nan() {
            // A t distribution with 1 to 400 degrees always exists.
            *known = StudentsT::new(0.0, 1.0, freedom as f64)
                .map_or(3.0, |student| student.inverse_cdf(self.probability));
        }
        *known
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_are_the_published_ones() {
        // Table G.2 of JCGM 100:2008, 95 % (two-sided) and 99 % from common tables of Student's t (from memory).
        let mut two_sided = Student::new(0.975);
        for (freedom, expected) in [(1.0, 12.71), (5.0, 2.57), (10.0, 2.23), (30.9, 2.04), (1e9, 1.966)] {
            let found = two_sided.quantile(freedom);
            assert!((found - expected).abs() < 0.005, "{found} is not {expected} at {freedom}");
        }
        assert!((Student::new(0.99).quantile(10.0) - 2.764).abs() < 0.001);
    }
}
