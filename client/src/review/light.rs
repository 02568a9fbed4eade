//! How much light a channel's signal stands for, about: enough to choose stimuli by and to put them in order. Nothing is evaluated
//! by it.

use crate::evaluate::aim::Transfer;
use crate::evaluate::transfer::{bt1886, hlg, power, pq, srgb};

/// The channel's light, 1 at full signal; a display's black is left out, and so is the system gamma of HLG, which is common to all channels.
#[must_use]
pub fn linear(transfer: Transfer, signal: f64) -> f64 {
    let signal = signal.clamp(0.0, 1.0);
    match transfer {
        Transfer::Power { gamma } => power::eotf(signal, gamma),
        Transfer::Bt1886 => bt1886::eotf(signal, 1.0, 0.0),
        Transfer::Srgb => srgb::eotf(signal),
        Transfer::Pq => pq::eotf(signal) / pq::eotf(1.0),
        Transfer::Hlg { .. } => hlg::inverse_oetf(signal),
    }
}

/// The signal of a channel's light: the inverse of [`linear`], by halving.
#[must_use]
pub fn signal(transfer: Transfer, light: f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    // As many halvings as a 64-bit number has digits.
    for _ in 0..53 {
        let middle = 0.5 * (low + high);
        if linear(transfer, middle) < light { low = middle } else { high = middle }
    }
    // Where the curve ends the ends themselves are meant.
    if light <= 0.0 { 0.0 } else { high }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_signal_that_is_made_light_and_back_is_the_same() {
        let hlg = Transfer::Hlg { surround_cd_m2: 5.0 };
        for transfer in [Transfer::Power { gamma: 2.2 }, Transfer::Bt1886, Transfer::Srgb, Transfer::Pq, hlg]
        {
            for expected in [0.0, 0.05, 0.3, 0.5, 0.58, 0.9, 1.0] {
                let back = signal(transfer, linear(transfer, expected));
                assert!((back - expected).abs() < 1e-6, "{transfer:?} {expected} {back}");
            }
        }
    }

    #[test]
    fn published_levels_are_met() {
        // ITU-R BT.2408, table 1: 203 cd/m² is 58 % of PQ.
        assert!((10_000.0 * linear(Transfer::Pq, 0.58) - 203.0).abs() < 3.0);
        // ITU-R BT.2100-2, table 5: 0.5 of HLG is 1/12 of the light.
        assert!((linear(Transfer::Hlg { surround_cd_m2: 5.0 }, 0.5) - 1.0 / 12.0).abs() < 1e-9);
    }
}
