//! From signal to light: electro-optical transfer functions, one standard a file.
//!
//! | module | idea |
//! |---|---|
//! | [`power`] | V^γ |
//! | [`bt1886`] | ITU-R BT.1886 |
//! | [`srgb`] | IEC 61966-2-1 |
//! | [`pq`] | SMPTE ST 2084 |
//! | [`hlg`] | ITU-R BT.2100 HLG |
//!
//! A signal is 0 at black and 1 at white and counts as one of them beyond ([`crate::review::patch::Coding::signal`] makes it of a code value, in narrow
//! range too). The display's own white and black stand for what a standard leaves to the display:
//!
//! * BT.1886 and HLG say themselves how a black above 0 lifts what is dark.
//! * A power law, sRGB and ST 2084 say nothing of it. Here black lies under all light, as light adds: `black + (white − black)·f(V)`, and
//!   `black + f(V)` for ST 2084, which is absolute.
//! * What ST 2084 asks for beyond white is white.

pub mod bt1886;
pub mod hlg;
pub mod power;
pub mod pq;
pub mod srgb;

use super::aim::Transfer;

impl Transfer {
    /// The luminance, in cd/m², that a grey of `signal` is meant to have on a display of `white` and `black`, in cd/m²; 0 where `white` is none.
    #[must_use]
    pub fn luminance(self, signal: f64, white: f64, black: f64) -> f64 {
        // Of a grey each channel's light is the grey's, whatever the weights are, as long as they add up to 1.
        let [light, ..] = self.light([signal; 3], white, black, [1.0, 0.0, 0.0]);
        if light > 0.0 { light * white } else { 0.0 }
    }

    /// The light of each channel, 1 being what it has in white: a matrix from RGB to XYZ makes XYZ of it, relative to white's luminance.
    ///
    /// `white` and `black` in cd/m². `weights` are the channels' shares of white's luminance, and add up to 1: HLG's OOTF asks for them.
    #[must_use]
    pub fn light(self, signal: [f64; 3], white: f64, black: f64, weights: [f64; 3]) -> [f64; 3] {
        if !(white > 0.0 && white.is_finite()) {
            return [0.0; 3];
        }
        let signal = signal.map(|signal| signal.clamp(0.0, 1.0));
        let black = black.max(0.0).min(white);
        let above_black = |light: f64| black / white + (1.0 - black / white) * light;
        match self {
            Self::Power { gamma } => signal.map(|signal| above_black(power::eotf(signal, gamma))),
            Self::Bt1886 => signal.map(|signal| bt1886::eotf(signal, white, black) / white),
            Self::Srgb => signal.map(|signal| above_black(srgb::eotf(signal))),
            Self::Pq => signal.map(|signal| ((black + pq::eotf(signal)) / white).min(1.0)),
            Self::Hlg { surround_cd_m2 } => {
                let display = hlg::Display { white, black, gamma: hlg::system_gamma(white, surround_cd_m2) };
                display.eotf(signal, weights).map(|luminance| luminance / white)
            }
        }
    }

    /// As it is called in words: `BT.1886`.
    #[must_use]
    pub fn name(self) -> String {
        match self {
            Self::Power { gamma } => format!("a power law of {gamma}"),
            Self::Bt1886 => "BT.1886".to_owned(),
            Self::Srgb => "sRGB".to_owned(),
            Self::Pq => "ST 2084".to_owned(),
            Self::Hlg { .. } => "HLG".to_owned(),
        }
    }
}

#[cfg(test)]
mod tests;
