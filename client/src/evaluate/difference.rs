//! Which colour difference is used for what.
//!
//! | display's aim | difference | the light stands beside |
//! |---|---|---|
//! | SDR: relative to white | CIEDE2000 (ISO/CIE 11664-6) | the aim's white, as bright as the white that was measured |
//! | HDR: PQ, HLG | ΔE ITP (ITU-R BT.2124-0) | nothing: light is absolute |
//!
//! CIELAB, which CIEDE2000 starts from, was made for colours beside a white up to 100; ICtCp holds up to 10 000 cd/m². That SDR is told in the one and
//! HDR in the other is common practice; BT.2124 (from memory) has ΔE ITP for wide gamut and high dynamic range.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use settled_protocol::quantity::Xyz;

use super::aim::{Aim, Transfer};
use super::de2000;
use super::ictcp::Ictcp;
use super::lab::Lab;
use super::luv::Luv;

/// A colour difference.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Formula {
    /// CIEDE2000.
    De2000,
    /// ΔE ITP.
    Itp,
}

impl Formula {
    /// What is used for an aim.
    #[must_use]
    pub fn of(transfer: Transfer) -> Self {
        match transfer {
            Transfer::Power { .. } | Transfer::Bt1886 | Transfer::Srgb => Self::De2000,
            Transfer::Pq | Transfer::Hlg { .. } => Self::Itp,
        }
    }

    /// As it is written: `ΔE2000`.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::De2000 => "ΔE2000",
            Self::Itp => "ΔE ITP",
        }
    }

    /// Which standard it is from.
    #[must_use]
    pub fn source(self) -> &'static str {
        match self {
            Self::De2000 => "ISO/CIE 11664-6",
            Self::Itp => "ITU-R BT.2124-0",
        }
    }
}

/// A way to tell how far a light is from what was meant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Difference {
    formula: Formula,
    /// X, Y and Z in cd/m² of the white that light stands beside.
    white: [f64; 3],
}

impl Difference {
    /// For an aim, where the display's white was measured to have this luminance, in cd/m²; nothing where there is no white.
    #[must_use]
    pub fn new(aim: &Aim, white_cd_m2: f64) -> Option<Self> {
        let white = Xyz::from_chromaticity(aim.white_chromaticity()?, white_cd_m2).ok()?;
        (white_cd_m2 > 0.0).then(|| Self { formula: Formula::of(aim.transfer), white: white.into() })
    }

    /// Which formula it is.
    #[must_use]
    pub fn formula(&self) -> Formula {
        self.formula
    }

    /// Of a light and what was meant, X, Y and Z in cd/m²: 0 or more. Nothing where a number isn't finite.
    #[must_use]
    pub fn of(&self, light: [f64; 3], meant: [f64; 3]) -> Option<f64> {
        let difference = match self.formula {
            Formula::De2000 => de2000::difference(Lab::of(light, self.white)?, Lab::of(meant, self.white)?),
            Formula::Itp => Ictcp::of(light)?.difference(Ictcp::of(meant)?),
        };
        difference.is_finite().then_some(difference)
    }

    /// ΔE*uv of 1976 (ISO/CIE 11664-5) of the same two, beside the same white.
    #[must_use]
    pub fn of_luv(&self, light: [f64; 3], meant: [f64; 3]) -> Option<f64> {
        let difference = Luv::of(light, self.white)?.difference(Luv::of(meant, self.white)?);
        difference.is_finite().then_some(difference)
    }

    /// [`Difference::of`] with what was meant made as bright as the light is: an error of colour alone. Nothing where either has no luminance.
    #[must_use]
    pub fn of_colour(&self, light: [f64; 3], meant: [f64; 3]) -> Option<f64> {
        let scale = (light[1] > 0.0 && meant[1] > 0.0).then(|| light[1] / meant[1])?;
        self.of(light, meant.map(|value| value * scale))
    }
}

#[cfg(test)]
mod tests {
    use super::super::aim::{D65_XY, Primaries};
    use super::super::reference::{Table, assert_near};
    use super::*;

    fn aim(transfer: Transfer) -> Aim {
        Aim { transfer, primaries: Primaries::Bt709, white: Some(D65_XY) }
    }

    /// A made-up grey ramp against BT.1886, by colour-science, luxpy and coloraide.
    #[test]
    fn a_grey_ramps_differences_are_those_of_reference_libraries() {
        let table = Table::read(include_str!("../../../tests/reference/colour/greyscale_tracking.csv"));
        let white_cd_m2 = table.rows().last().unwrap().number("Y");
        let sdr = Difference::new(&aim(Transfer::Bt1886), white_cd_m2).unwrap();
        let hdr = Difference::new(&aim(Transfer::Pq), white_cd_m2).unwrap();
        assert_eq!((sdr.formula(), hdr.formula()), (Formula::De2000, Formula::Itp));
        for row in table.rows() {
            let light = row.numbers(["X", "Y", "Z"]);
            let white = aim(Transfer::Bt1886).white_chromaticity().unwrap();
            let meant = Xyz::from_chromaticity(white, row.number("Y_target")).unwrap().into();
            let what = row.text("V");
            assert_near(sdr.of(light, meant).unwrap(), row.number("de2000"), 1e-4, what);
            assert_near(sdr.of_colour(light, meant).unwrap(), row.number("de2000_chroma"), 1e-4, what);
            assert_near(hdr.of(light, meant).unwrap(), row.number("de_itp"), 1e-4, what);
        }
    }

    #[test]
    fn without_light_there_is_no_difference_of_colour_and_without_a_white_none_at_all() {
        assert_eq!(Difference::new(&aim(Transfer::Srgb), 0.0), None);
        assert_eq!(Difference::new(&aim(Transfer::Srgb), f64::NAN), None);
        let sdr = Difference::new(&aim(Transfer::Srgb), 100.0).unwrap();
        assert_eq!(sdr.of_colour([0.0; 3], [1.0; 3]), None);
        assert_eq!(sdr.of([f64::NAN; 3], [1.0; 3]), None);
        assert_eq!(sdr.of([0.0; 3], [0.0; 3]), Some(0.0));
    }
}
