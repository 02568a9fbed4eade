//! What a display is meant to do.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use settled_protocol::quantity::Chromaticity;

/// What a display is meant to do with a signal.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Aim {
    /// From signal to luminance.
    #[serde(flatten)]
    pub transfer: Transfer,
    /// Of red, green and blue.
    pub primaries: Primaries,
    /// Of white: x and y (CIE 1931); D65 if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub white: Option<[f64; 2]>,
}

/// An electro-optical transfer function.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(tag = "transfer", rename_all = "snake_case")]
pub enum Transfer {
    /// V^γ.
    Power {
        /// γ.
        gamma: f64,
    },
    /// ITU-R BT.1886, with the black that was measured.
    Bt1886,
    /// IEC 61966-2-1.
    Srgb,
    /// SMPTE ST 2084; ITU-R BT.2100 PQ.
    Pq,
    /// ITU-R BT.2100 HLG.
    Hlg {
        /// Luminance of what surrounds the display, in cd/m²: 5 if absent (BT.2100).
        #[serde(default = "reference_surround")]
        surround_cd_m2: f64,
    },
}

fn reference_surround() -> f64 {
    5.0
}

/// Sets of primaries.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Primaries {
    /// ITU-R BT.709.
    Bt709,
    /// SMPTE RP 431-2's primaries, with D65 for white (SMPTE EG 432-1).
    P3D65,
    /// ITU-R BT.2020.
    Bt2020,
}

impl Primaries {
    /// x, y of red, green and blue (ITU-R BT.709-6, SMPTE RP 431-2, ITU-R BT.2020-2).
    #[must_use]
    pub fn xy(self) -> [[f64; 2]; 3] {
        match self {
            Self::Bt709 => [[0.64, 0.33], [0.3, 0.6], [0.15, 0.06]],
            Self::P3D65 => [[0.68, 0.32], [0.265, 0.69], [0.15, 0.06]],
            Self::Bt2020 => [[0.708, 0.292], [0.17, 0.797], [0.131, 0.046]],
        }
    }

    /// As it is called in words.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Bt709 => "BT.709",
            Self::P3D65 => "P3-D65",
            Self::Bt2020 => "BT.2020",
        }
    }
}

/// x, y of D65 (ITU-R BT.709-6, 3.2).
pub const D65_XY: [f64; 2] = [0.3127, 0.329];

impl Aim {
    /// x, y of white.
    #[must_use]
    pub fn white_xy(&self) -> [f64; 2] {
        self.white.unwrap_or(D65_XY)
    }

    /// In words: `BT.1886, BT.709, white x 0.3127 y 0.329`.
    #[must_use]
    pub fn words(&self) -> String {
        let [x, y] = self.white_xy();
        format!("{}, {}, white x {x} y {y}", self.transfer.name(), self.primaries.name())
    }

    /// White's chromaticity; nothing where its x and y are no colour.
    #[must_use]
    pub fn white_chromaticity(&self) -> Option<Chromaticity> {
        let [x, y] = self.white_xy();
        Chromaticity::from_xy(x, y).ok()
    }

    /// X, Y and Z, in cd/m², that `signal` is meant to have on a display of such a white and black, in cd/m²; nothing where `white_cd_m2` is none or
    /// white's x and y are no colour.
    ///
    /// What the display's black adds has the colour of white.
    #[must_use]
    pub fn xyz(&self, signal: [f64; 3], white_cd_m2: f64, black_cd_m2: f64) -> Option<[f64; 3]> {
        if !(white_cd_m2 > 0.0 && white_cd_m2.is_finite()) {
            return None;
        }
        let matrix = self.rgb_to_xyz()?;
        let [_, weights, _] = matrix.rows();
        let light = self.transfer.light(signal, white_cd_m2, black_cd_m2, weights);
        let xyz = matrix.times(light).map(|value| white_cd_m2 * value);
        xyz.iter().all(|value| value.is_finite()).then_some(xyz)
    }
}
