//! Quantiles of Student's t distribution, each computed when it is first needed and kept.

use std::sync::{Arc, LazyLock, OnceLock};

use statrs::distribution::{ContinuousCDF, StudentsT};

/// Degrees of freedom in the table; above them the quantile is taken as that of the last (within 0.4 % of the normal's).
const MOST: usize = 400;

/// The quantile of one probability for 1 to [`MOST`] degrees of freedom: 6.4 KB.
#[derive(Debug)]
pub(super) struct Student {
    probability: f64,
    quantiles: Box<[OnceLock<f64>]>,
}

impl Student {
    /// The quantiles at `probability`, from 0.5 to 1 and short of both. Those that nearly everybody asks for are shared.
    pub(super) fn of(probability: f64) -> Arc<Self> {
        static COMMON: LazyLock<[Arc<Student>; 2]> =
            LazyLock::new(|| [0.975, 0.99].map(|probability| Arc::new(Student::new(probability))));
        let common = COMMON.iter().find(|student| student.probability == probability);
        common.map_or_else(|| Arc::new(Self::new(probability)), Arc::clone)
    }

    fn new(probability: f64) -> Self {
        let probability = probability.clamp(0.5, 1.0 - 1e-9);
        Self { probability, quantiles: vec![OnceLock::new(); MOST].into() }
    }

    /// The quantile at `nu` degrees of freedom, rounded down to a whole number and kept within the table.
    pub(super) fn at(&self, nu: f64) -> f64 {
        let row = (nu.max(1.0) as usize).min(MOST) - 1;
        self.quantiles
            .get(row)
            .map_or(f64::MAX, |known| *known.get_or_init(|| quantile(row + 1, self.probability)))
    }
}

/// The quantile at `nu` degrees of freedom: the exact forms of one and two, or the library's.
pub(crate) fn quantile(nu: usize, probability: f64) -> f64 {
    let centred = 2.0 * probability - 1.0;
    match nu {
        1 => (std::f64::consts::FRAC_PI_2 * centred).tan(),
        2 => centred * (2.0 / (1.0 - centred * centred)).sqrt(),
        _ => StudentsT::new(0.0, 1.0, nu as f64).map_or(f64::MAX, |student| student.inverse_cdf(probability)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_quantiles_are_those_of_published_tables() {
        let (one_sided, two_sided) = (Student::new(0.99), Student::new(0.975));
        for (nu, at_99, at_975) in [(1.0, 31.821, 12.706), (2.0, 6.965, 4.303), (6.0, 3.143, 2.447)] {
            assert!((one_sided.at(nu) - at_99).abs() < 1e-3);
            assert!((two_sided.at(nu) - at_975).abs() < 1e-3);
        }
        assert!((one_sided.at(30.0) - 2.457).abs() < 1e-3);
        assert!((two_sided.at(1e12) - 1.966).abs() < 1e-3);
        assert_eq!(one_sided.at(f64::NAN), one_sided.at(1.0));
    }
}
