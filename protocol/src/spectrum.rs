//! A spectrum: evenly spaced values of spectral radiance or irradiance. Finite and bounded by construction.

use std::sync::Arc;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::quantity::Unphysical;

/// The most values a spectrum may have: 200 to 1400 nm at 0.3 nm.
pub const MOST_VALUES: usize = 4096;

/// Wavelengths that a spectrum may reach from and to, in nm.
pub const WAVELENGTHS_NM: (f64, f64) = (100.0, 10_000.0);

/// Evenly spaced values over wavelength: spectral radiance in W·sr⁻¹·m⁻²·nm⁻¹ where the meter measures luminance, spectral
/// irradiance in W·m⁻²·nm⁻¹ where it measures illuminance.
///
/// 2 to 4096 finite values, slightly negative ones included: a dark-subtracted spectrum is noise around zero where there is
/// no light. Cloning it is cheap.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(try_from = "RawSpectrum", into = "RawSpectrum")]
#[schemars(with = "RawSpectrum")]
pub struct Spectrum {
    start_nm: f64,
    step_nm: f64,
    values: Arc<[f64]>,
}

/// [`Spectrum`] as it is written.
#[derive(Clone, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "Spectrum")]
struct RawSpectrum {
    /// The wavelength of the first value, in nm, in air.
    start_nm: f64,
    /// From one value to the next, in nm.
    step_nm: f64,
    /// Spectral radiance in W·sr⁻¹·m⁻²·nm⁻¹ (irradiance in W·m⁻²·nm⁻¹ where the meter measures illuminance).
    values: Vec<f64>,
}

impl Spectrum {
    /// Values from `start_nm` on, `step_nm` apart.
    ///
    /// # Errors
    /// [`Unphysical`] if a number isn't finite, the step isn't positive, there are fewer than 2 or more than 4096 values,
    /// or a wavelength lies outside [`WAVELENGTHS_NM`].
    pub fn new(start_nm: f64, step_nm: f64, values: impl Into<Arc<[f64]>>) -> Result<Self, Unphysical> {
        let spectrum = Self { start_nm, step_nm, values: values.into() };
        if !(2..=MOST_VALUES).contains(&spectrum.values.len()) {
            return Err(Unphysical::new("a spectrum must have 2 to 4096 values"));
        }
        if !(step_nm > 0.0 && start_nm >= WAVELENGTHS_NM.0 && spectrum.end_nm() <= WAVELENGTHS_NM.1) {
            return Err(Unphysical::new("a spectrum's wavelengths must rise, within 100 to 10000 nm"));
        }
        if !spectrum.values.iter().all(|value| value.is_finite()) {
            return Err(Unphysical::new("a spectrum's values must be finite numbers"));
        }
        Ok(spectrum)
    }

    /// The wavelength of the first value, in nm.
    #[must_use]
    pub fn start_nm(&self) -> f64 {
        self.start_nm
    }

    /// From one value to the next, in nm.
    #[must_use]
    pub fn step_nm(&self) -> f64 {
        self.step_nm
    }

    /// The wavelength of the last value, in nm.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "at most 4096 values")]
    pub fn end_nm(&self) -> f64 {
        self.start_nm + self.step_nm * (self.values.len().saturating_sub(1)) as f64
    }

    /// The values, by rising wavelength.
    #[must_use]
    pub fn values(&self) -> &[f64] {
        &self.values
    }
}

impl TryFrom<RawSpectrum> for Spectrum {
    type Error = Unphysical;

    fn try_from(raw: RawSpectrum) -> Result<Self, Unphysical> {
        Self::new(raw.start_nm, raw.step_nm, raw.values)
    }
}

impl From<Spectrum> for RawSpectrum {
    fn from(spectrum: Spectrum) -> Self {
        let Spectrum { start_nm, step_nm, values } = spectrum;
        Self { start_nm, step_nm, values: values.to_vec() }
    }
}
