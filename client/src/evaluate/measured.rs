//! Light as it was measured, with its standard uncertainties.

use settled_protocol::quantity::{Chromaticity, Xyz};
use settled_protocol::settling::Estimate;

/// Half-width of a 95 % interval over the standard deviation, of a normal distribution.
pub(crate) const NORMAL_95: f64 = 1.959_964;
/// Radius of a 95 % circle over the standard deviation along each axis, of a normal distribution in the plane: √(−2·ln 0.05).
pub(crate) const CIRCLE_95: f64 = 2.447_747;

/// The light of one patch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Measured {
    /// Luminance, in cd/m². May be slightly negative near black, where it is noise about zero.
    pub luminance: f64,
    /// Standard uncertainty of `luminance`, in cd/m²: repeatability alone.
    pub luminance_u: f64,
    /// Chromaticity, where there was enough light for one.
    pub chromaticity: Option<Chromaticity>,
    /// Standard uncertainty of u′, and of v′, alike.
    pub chromaticity_u: f64,
}

impl Measured {
    /// Of a settled value. Standard uncertainties are such that a normal distribution has the 95 % interval that was stated, so that few degrees
    /// of freedom count. A chromaticity of which nobody knows how sure it is counts for nothing: it would be taken for exact.
    #[must_use]
    pub fn of(estimate: &Estimate) -> Self {
        Self {
            luminance: estimate.y,
            luminance_u: estimate.y_u95 / NORMAL_95,
            chromaticity: estimate.chromaticity.filter(|_| estimate.chromaticity_u95.is_some()),
            chromaticity_u: estimate.chromaticity_u95.unwrap_or_default() / CIRCLE_95,
        }
    }

    /// Without uncertainty.
    #[must_use]
    pub fn exactly(luminance: f64, chromaticity: Option<Chromaticity>) -> Self {
        Self { luminance, luminance_u: 0.0, chromaticity, chromaticity_u: 0.0 }
    }

    /// The most that it may be where the meter vouches for nothing below `least`, in cd/m²: that, or what was read if that may be more.
    #[must_use]
    pub fn upper(&self, least: f64) -> f64 {
        (self.luminance + NORMAL_95 * self.luminance_u).max(least)
    }

    /// What it may be where all that is known is that there is no more light than [`Measured::upper`]: anything from none to that, each as likely as the other (a
    /// rectangular distribution, whose standard deviation is its half-width over √3: JCGM 100:2008, 4.3.7).
    #[must_use]
    pub fn at_most(&self, least: f64) -> Self {
        let half = self.upper(least).max(0.0) / 2.0;
        Self { luminance: half, luminance_u: half / 3.0_f64.sqrt(), ..*self }
    }

    /// X, Y and Z in cd/m², where there is a chromaticity.
    #[must_use]
    pub fn xyz(&self) -> Option<[f64; 3]> {
        Xyz::from_chromaticity(self.chromaticity?, self.luminance).ok().map(Into::into)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_below_the_meters_range_may_be_anything_up_to_where_that_begins() {
        // Noise about nothing, below zero: it is no certain nothing.
        let read = Measured { luminance_u: 0.0001, ..Measured::exactly(-0.0005, None) };
        let may_be = read.at_most(0.01);
        assert!((may_be.luminance - 0.005).abs() < 1e-12, "{may_be:?}");
        assert!((may_be.luminance_u - 0.005 / 3.0_f64.sqrt()).abs() < 1e-12, "{may_be:?}");
        let noisy = Measured { luminance_u: 0.01, ..Measured::exactly(0.009, None) };
        assert!((noisy.upper(0.01) - 0.028_6).abs() < 1e-4);
    }

    #[test]
    fn a_chromaticity_of_which_nobody_knows_how_sure_it_is_is_none() {
        let mut estimate = Estimate {
            y: 100.0,
            y_u95: 0.2,
            y_standard: 0.1,
            coverage_factor: 2.0,
            degrees_of_freedom: 60.0,
            chromaticity: Chromaticity::from_uv(0.1978, 0.4683).ok(),
            chromaticity_u95: Some(0.0002),
            n_effective: 62.0,
        };
        assert!(Measured::of(&estimate).chromaticity.is_some());
        estimate.chromaticity_u95 = None;
        let light = Measured::of(&estimate);
        assert!(light.chromaticity.is_none() && light.luminance > 0.0, "{light:?}");
    }
}
