//! The difference of two figures with its interval: Welch and Satterthwaite (JCGM 100:2008, G.4.1).

use settled_protocol::statistics::Difference;

use super::quantile;

/// A figure, its standard error, and the degrees of freedom of that.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Figure {
    pub(super) value: f64,
    pub(super) error: f64,
    pub(super) freedom: f64,
}

/// The other less the one.
pub(super) fn difference(one: Figure, other: Figure) -> Difference {
    let value = other.value - one.value;
    let [a, b] = [one, other].map(|figure| figure.error * figure.error);
    let share = |square: f64, freedom: f64| square * square / freedom;
    let spread = share(a, one.freedom) + share(b, other.freedom);
    let freedom = if spread > 0.0 { (a + b) * (a + b) / spread } else { f64::MAX };
    let reach = quantile::student(freedom) * (a + b).sqrt();
    let (low, high) = (value - reach, value + reach);
    Difference { value, low, high, differs: low > 0.0 || high < 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// JCGM 100:2008, G.4.1: u²c of three inputs; here the formula with two of them, worked by hand.
    #[test]
    fn degrees_of_freedom_are_put_together_by_the_formula_of_the_gum() {
        let one = Figure { value: 10.0, error: 0.3, freedom: 9.0 };
        let other = Figure { value: 11.0, error: 0.4, freedom: 4.0 };
        // (0.09 + 0.16)² / (0.0081/9 + 0.0256/4) = 0.0625/0.0073 = 8.5616; t₀.₉₇₅ there is 2.280 by interpolating printed tables (8: 2.306, 9: 2.262).
        let found = difference(one, other);
        assert!((found.value - 1.0).abs() < 1e-12);
        assert!(((found.high - found.value) / 0.5 - 2.280).abs() < 2e-3, "{found:?}");
        assert!(!found.differs);
        assert!(difference(one, Figure { value: 12.0, ..other }).differs);
    }
}
