//! A power law.

/// Light, from 0 to 1, of a signal from 0 to 1: V^γ.
#[must_use]
pub fn eotf(signal: f64, gamma: f64) -> f64 {
    signal.max(0.0).powf(gamma)
}
