//! What a driver saw in one exposure, before the daemon stamps, numbers and flags it.

use settled_protocol::quantity::{Light, Photometric};
use settled_protocol::spectrum::Spectrum;

/// How to expose.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Exposure {
    /// The integration time wanted, in s; the instrument's own choice if absent.
    pub integration_s: Option<f64>,
}

/// The result of one exposure.
#[derive(Clone, Debug, PartialEq)]
pub struct Sample {
    /// What was seen.
    pub seen: Seen,
    /// The integration time that was used, in s, where the instrument states one or was told one.
    pub integration_s: Option<f64>,
    /// The instrument's temperature in °C, where it tells.
    pub temperature_c: Option<f64>,
}

/// What an instrument sees.
#[derive(Clone, Debug, PartialEq)]
pub enum Seen {
    /// An amount of light, with or without its colour, in the instrument's quantity.
    Light(Light),
    /// A spectrum: of radiance where the instrument measures luminance, of irradiance where illuminance. The daemon sums it up to
    /// tristimulus values.
    Spectrum(Photometric, Spectrum),
}

impl Sample {
    /// The light, unless it is a spectrum, which must be summed up first.
    #[must_use]
    pub fn light(&self) -> Option<Light> {
        match &self.seen {
            Seen::Light(light) => Some(*light),
            Seen::Spectrum(..) => None,
        }
    }
}
