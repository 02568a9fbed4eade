//! What a driver saw in one exposure, before the daemon stamps, numbers and flags it.

use settled_protocol::quantity::Light;

/// How to expose.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Exposure {
    /// The integration time wanted, in s; the instrument's own choice if absent.
    pub integration_s: Option<f64>,
}

/// The result of one exposure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// The light, in the instrument's quantity.
    pub light: Light,
    /// The integration time that was used, in s, where the instrument states one or was told one.
    pub integration_s: Option<f64>,
    /// The instrument's temperature in °C, where it tells.
    pub temperature_c: Option<f64>,
}
