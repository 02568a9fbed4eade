//! From a spectrum to tristimulus values, and to what else one wants to know of it. Pure: no I/O, no clock.
//!
//! | module | idea |
//! |---|---|
//! | [`observer`] | the CIE's observers and their tables |
//! | [`weights`] | what each value of a grid adds to X, Y and Z |
//! | [`interpolation`] | values between those of an evenly spaced spectrum |
//! | [`bandwidth`] | what a spectrometer's slit has blurred |
//! | [`peaks`] | where a spectrum peaks, how wide, and its radiance |
//!
//! X = Km·Σ S(λ)·x̄(λ)·Δλ with Km = 683 lm/W (CIE 15); so Y is the luminance in cd/m² of a spectral radiance in
//! W·sr⁻¹·m⁻²·nm⁻¹, the illuminance in lx of a spectral irradiance in W·m⁻²·nm⁻¹.
//!
//! Every step on the way (correction, interpolation, sum) is linear in the values. So for one grid all of it is one table of
//! three [weights](weights::Weights) a value, which is made once, and a reading costs a dot product.

pub mod bandwidth;
pub mod interpolation;
pub mod observer;
pub mod peaks;
pub mod weights;

#[cfg(test)]
mod tests;

use std::fmt;

use crate::quantity::{Unphysical, Xyz};
use crate::spectrum::Spectrum;

use observer::Observer;
use weights::Weights;

/// Luminous efficacy of radiation of 540 THz, in lm/W (CIE 15; the SI's defining constant Kcd).
pub const KM_LM_W: f64 = 683.0;

/// What a spectrum should reach from and to for colorimetry, in nm (CIE 15:2004, 7.1, allows 380 to 780 nm in place of 360 to
/// 830 nm; clause from memory).
pub const VISIBLE_NM: (f64, f64) = (380.0, 780.0);

/// How spectra are summed up.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Method {
    /// By whose eye.
    pub observer: Observer,
    /// The spectrometer's bandwidth (full width at half maximum of its triangular slit function) in nm, where it shall be corrected
    /// for; see [`bandwidth`].
    pub bandwidth_nm: Option<f64>,
    /// Of less light than this, in cd/m² (or lx), no chromaticity is told: it would be one of noise.
    pub colour_from_cd_m2: Option<f64>,
    /// What is taken to be there beyond the ends of the spectrum.
    pub beyond: Beyond,
}

impl Method {
    /// Whether spectra with this step, in nm, can be summed up so.
    ///
    /// # Errors
    /// [`Unsummed::Bandwidth`] if the bandwidth is no whole number of steps.
    pub fn fits(&self, step_nm: f64) -> Result<(), Unsummed> {
        self.bandwidth_nm.map_or(Ok(()), |bandwidth_nm| bandwidth::steps(bandwidth_nm, step_nm).map(drop))
    }
}

/// What is taken to be there where a spectrum was not measured.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Beyond {
    /// Nothing: the sum is over what was measured.
    #[default]
    Nothing,
    /// The nearest value that was measured: CIE 15:2004, 7.2.2.1 (clause from secondary sources), where values must be predicted
    /// and nothing better is known. Never the default: it makes light up.
    Nearest,
}

/// Why a spectrum can't be summed up.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Unsummed {
    /// The bandwidth is no whole number of steps of the spectrum.
    Bandwidth {
        /// The bandwidth that shall be corrected for, in nm.
        bandwidth_nm: f64,
        /// The spectrum's step, in nm.
        step_nm: f64,
    },
    /// The sums are too large to be numbers.
    Unphysical(Unphysical),
}

impl fmt::Display for Unsummed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Bandwidth { bandwidth_nm, step_nm } => write!(
                f,
                "a bandwidth of {bandwidth_nm} nm can't be corrected for in a spectrum with a step of {step_nm} nm: it must be a \
                 whole number of steps"
            ),
            Self::Unphysical(_) => f.write_str("the spectrum's sums are no tristimulus values"),
        }
    }
}

impl std::error::Error for Unsummed {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Bandwidth { .. } => None,
            Self::Unphysical(error) => Some(error),
        }
    }
}

/// Sums up one spectrum after another, and makes weights anew only where the grid has changed.
#[derive(Clone, Debug)]
pub struct Summation {
    method: Method,
    weights: Option<Weights>,
}

impl Summation {
    /// Sums by this method.
    #[must_use]
    pub fn new(method: Method) -> Self {
        Self { method, weights: None }
    }

    /// The method.
    #[must_use]
    pub fn method(&self) -> Method {
        self.method
    }

    /// X, Y and Z: in cd/m² of a spectral radiance, in lx of a spectral irradiance.
    ///
    /// # Errors
    /// [`Unsummed`] if the bandwidth doesn't suit the spectrum's step, or the sums overflow.
    pub fn xyz(&mut self, spectrum: &Spectrum) -> Result<Xyz, Unsummed> {
        let weights = match self.weights.take().filter(|weights| weights.fit(spectrum)) {
            Some(weights) => weights,
            None => Weights::new(spectrum, self.method)?,
        };
        self.weights.insert(weights).xyz(spectrum).map_err(Unsummed::Unphysical)
    }
}

/// Whether the spectrum reaches from 380 to 780 nm, each value standing for half a step on either side. The sums of one that
/// doesn't lack whatever light there is beyond it.
#[must_use]
pub fn covers_the_visible(spectrum: &Spectrum) -> bool {
    let half = spectrum.step_nm() / 2.0;
    spectrum.start_nm() - half <= VISIBLE_NM.0 && spectrum.end_nm() + half >= VISIBLE_NM.1
}
