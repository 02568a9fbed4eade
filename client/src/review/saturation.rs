//! Colours at even steps of saturation: between white and a colour in u′v′.
//!
//! Light mixes in straight lines in u′v′, though not at even pace: a share of a colour's light counts as much as its X + 15Y + 3Z
//! (CIE 15:2004, 8.1). Each channel's light is (1 − s)·white + s·colour, with s from that pace.

use super::light::{linear, signal as inverse};
use crate::evaluate::aim::{Aim, Transfer};

/// The signal that `part` of the way from white to `colour` (channels of 0 and 1) is shown by, at the level of [`white`].
#[must_use]
pub fn signal(aim: &Aim, colour: [f64; 3], part: f64) -> [f64; 3] {
    let top = white(aim.transfer);
    let weights = channel_weights(aim).unwrap_or([1.0; 3]);
    let whole: f64 = weights.iter().sum();
    let of_colour: f64 = weights.iter().zip(colour).map(|(weight, share)| weight * share).sum();
    let mixed = part * whole / (of_colour * (1.0 - part) + part * whole);
    let level = linear(aim.transfer, top);
    colour.map(|share| inverse(aim.transfer, level * (1.0 - mixed + mixed * share)))
}

/// The signal of the white that saturation goes out from. PQ's full signal is 10 000 cd/m², beyond displays, and HLG's is for
/// highlights: there it is the reference white of ITU-R BT.2408 (table 1, from memory: 58 % and 75 %).
#[must_use]
pub fn white(transfer: Transfer) -> f64 {
    match transfer {
        Transfer::Pq => 0.58,
        Transfer::Hlg { .. } => 0.75,
        Transfer::Power { .. } | Transfer::Bt1886 | Transfer::Srgb => 1.0,
    }
}

/// X + 15Y + 3Z of each channel at full light, relative to each other; nothing where the aim's primaries don't enclose its white.
fn channel_weights(aim: &Aim) -> Option<[f64; 3]> {
    let [x, y, z] = aim.rgb_to_xyz()?.rows();
    Some([0, 1, 2].map(|channel| x[channel] + 15.0 * y[channel] + 3.0 * z[channel]))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::evaluate::aim::Primaries;

    /// By the matrix of ITU-R BT.709 as IEC 61966-2-1 prints it.
    fn uv(light: [f64; 3]) -> [f64; 2] {
        let row = |row: [f64; 3]| row.iter().zip(light).map(|(a, b)| a * b).sum::<f64>();
        let (x, y, z) =
            (row([0.4124, 0.3576, 0.1805]), row([0.2126, 0.7152, 0.0722]), row([0.0193, 0.1192, 0.9505]));
        let sum = x + 15.0 * y + 3.0 * z;
        [4.0 * x / sum, 9.0 * y / sum]
    }

    #[test]
    fn steps_of_saturation_are_even_in_u_prime_v_prime() {
        let transfers = [
            Transfer::Power { gamma: 2.2 },
            Transfer::Srgb,
            Transfer::Pq,
            Transfer::Hlg { surround_cd_m2: 5.0 },
        ];
        for transfer in transfers {
            let aim = Aim { transfer, primaries: Primaries::Bt709, white: None };
            for (_, colour) in super::super::expand::COLOURS {
                let [from, to] = [[1.0; 3], colour].map(uv);
                for part in [0.25, 0.5, 0.75, 1.0] {
                    let light = signal(&aim, colour, part).map(|signal| linear(transfer, signal));
                    let [u, v] = uv(light);
                    let [expected_u, expected_v] = [0, 1].map(|i| from[i] + part * (to[i] - from[i]));
                    assert!((u - expected_u).hypot(v - expected_v) < 2e-4, "{transfer:?} {colour:?} {part}");
                }
            }
        }
    }
}
