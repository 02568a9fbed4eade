//! Light as CIE 15 describes it: tristimulus values, chromaticity, luminance. Finite by construction.

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A number that was NaN, infinite, or outside what its quantity allows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Unphysical(&'static str);

impl Unphysical {
    /// What was wrong, as a sentence.
    pub(crate) const fn new(what: &'static str) -> Self {
        Self(what)
    }
}

impl fmt::Display for Unphysical {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.0)
    }
}

impl std::error::Error for Unphysical {}

const NOT_FINITE: Unphysical = Unphysical("must be a finite number");

fn finite(value: f64) -> Result<f64, Unphysical> {
    if value.is_finite() { Ok(value) } else { Err(NOT_FINITE) }
}

/// Tristimulus values, absolute: Y is the luminance in cd/m² (or the illuminance in lx). Of the CIE 1931 observer wherever a reading names no
/// other.
///
/// Always finite. Values may be slightly negative: a dark-subtracted reading near black is noise around zero.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(try_from = "[f64; 3]", into = "[f64; 3]")]
#[schemars(with = "[f64; 3]")]
pub struct Xyz {
    x: f64,
    y: f64,
    z: f64,
}

impl Xyz {
    /// Tristimulus values from three finite numbers.
    ///
    /// # Errors
    /// [`Unphysical`] if any of them is NaN or infinite.
    pub fn new(x: f64, y: f64, z: f64) -> Result<Self, Unphysical> {
        Ok(Self { x: finite(x)?, y: finite(y)?, z: finite(z)? })
    }

    /// X = x·Y/y, Z = (1−x−y)·Y/y (CIE 15, from the definition of x and y).
    ///
    /// # Errors
    /// [`Unphysical`] if `luminance` is not finite or the result overflows.
    pub fn from_chromaticity(chromaticity: Chromaticity, luminance: f64) -> Result<Self, Unphysical> {
        let scale = luminance / chromaticity.y;
        Self::new(chromaticity.x * scale, luminance, (1.0 - chromaticity.x - chromaticity.y) * scale)
    }

    /// X, in the unit of Y.
    #[must_use]
    pub fn x(self) -> f64 {
        self.x
    }

    /// Y: luminance in cd/m², or illuminance in lx.
    #[must_use]
    pub fn y(self) -> f64 {
        self.y
    }

    /// Z, in the unit of Y.
    #[must_use]
    pub fn z(self) -> f64 {
        self.z
    }

    /// The chromaticity, or nothing where it isn't defined: black, or noise that makes a sum or a coordinate non-positive.
    #[must_use]
    pub fn chromaticity(self) -> Option<Chromaticity> {
        let sum = self.x + self.y + self.z;
        if sum <= 0.0 || self.y <= 0.0 {
            return None;
        }
        Chromaticity::from_xy(self.x / sum, self.y / sum).ok()
    }
}

impl TryFrom<[f64; 3]> for Xyz {
    type Error = Unphysical;

    fn try_from([x, y, z]: [f64; 3]) -> Result<Self, Unphysical> {
        Self::new(x, y, z)
    }
}

impl From<Xyz> for [f64; 3] {
    fn from(xyz: Xyz) -> Self {
        [xyz.x, xyz.y, xyz.z]
    }
}

/// A chromaticity in both systems of CIE 15: x, y (1931) and u′, v′ (1976 UCS). Dimensionless and finite.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(try_from = "RawChromaticity")]
#[schemars(!try_from)]
pub struct Chromaticity {
    x: f64,
    y: f64,
    u_prime: f64,
    v_prime: f64,
}

/// A chromaticity as written: u′ and v′ are checked against x and y.
#[derive(Deserialize)]
struct RawChromaticity {
    x: f64,
    y: f64,
    u_prime: f64,
    v_prime: f64,
}

impl TryFrom<RawChromaticity> for Chromaticity {
    type Error = Unphysical;

    fn try_from(raw: RawChromaticity) -> Result<Self, Unphysical> {
        let checked = Self::from_xy(raw.x, raw.y)?;
        let agrees =
            (checked.u_prime - raw.u_prime).abs() < 1e-6 && (checked.v_prime - raw.v_prime).abs() < 1e-6;
        if agrees {
            Ok(checked)
        } else {
            Err(Unphysical("u_prime and v_prime must belong to the same colour as x and y"))
        }
    }
}

impl Chromaticity {
    /// From CIE 1931 x, y: u′ = 4x/(−2x+12y+3), v′ = 9y/(−2x+12y+3) (CIE 15).
    ///
    /// # Errors
    /// [`Unphysical`] if a coordinate is not finite, y is not positive, or u′v′ is not defined there.
    pub fn from_xy(x: f64, y: f64) -> Result<Self, Unphysical> {
        let (x, y) = (finite(x)?, finite(y)?);
        let denominator = -2.0 * x + 12.0 * y + 3.0;
        if y <= 0.0 || denominator <= 0.0 {
            return Err(Unphysical("y must be positive and u′v′ defined"));
        }
        Ok(Self { x, y, u_prime: finite(4.0 * x / denominator)?, v_prime: finite(9.0 * y / denominator)? })
    }

    /// From CIE 1976 u′, v′: x = 9u′/(6u′−16v′+12), y = 4v′/(6u′−16v′+12) (CIE 15).
    ///
    /// # Errors
    /// [`Unphysical`] if a coordinate is not finite, v′ is not positive, or xy is not defined there.
    pub fn from_uv(u_prime: f64, v_prime: f64) -> Result<Self, Unphysical> {
        let (u, v) = (finite(u_prime)?, finite(v_prime)?);
        let denominator = 6.0 * u - 16.0 * v + 12.0;
        if v <= 0.0 || denominator <= 0.0 {
            return Err(Unphysical("v′ must be positive and xy defined"));
        }
        Ok(Self {
            x: finite(9.0 * u / denominator)?,
            y: finite(4.0 * v / denominator)?,
            u_prime: u,
            v_prime: v,
        })
    }

    /// CIE 1931 x.
    #[must_use]
    pub fn x(self) -> f64 {
        self.x
    }

    /// CIE 1931 y.
    #[must_use]
    pub fn y(self) -> f64 {
        self.y
    }

    /// CIE 1976 u′.
    #[must_use]
    pub fn u_prime(self) -> f64 {
        self.u_prime
    }

    /// CIE 1976 v′.
    #[must_use]
    pub fn v_prime(self) -> f64 {
        self.v_prime
    }

    /// Δu′v′, the Euclidean distance in the 1976 diagram.
    #[must_use]
    pub fn distance(self, other: Self) -> f64 {
        (self.u_prime - other.u_prime).hypot(self.v_prime - other.v_prime)
    }
}

/// What a photometric value is a value of.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Photometric {
    /// Luminance, in cd/m².
    Luminance,
    /// Illuminance, in lx.
    Illuminance,
}

impl Photometric {
    /// The unit's symbol.
    #[must_use]
    pub fn unit(self) -> &'static str {
        match self {
            Self::Luminance => "cd/m²",
            Self::Illuminance => "lx",
        }
    }
}

/// The light of one reading: a luminance or an illuminance, with colour where the meter sees it and there is enough light.
///
/// On the wire: `luminance_cd_m2` or `illuminance_lx`, and `xyz` and `chromaticity` where known.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(try_from = "RawLight", into = "RawLight")]
#[schemars(with = "RawLight")]
pub struct Light {
    photometric: Photometric,
    value: f64,
    xyz: Option<Xyz>,
    chromaticity: Option<Chromaticity>,
}

impl Light {
    /// Light of which only the amount is known.
    ///
    /// # Errors
    /// [`Unphysical`] if `value` is NaN or infinite.
    pub fn amount(photometric: Photometric, value: f64) -> Result<Self, Unphysical> {
        Ok(Self { photometric, value: finite(value)?, xyz: None, chromaticity: None })
    }

    /// Light with its tristimulus values; its chromaticity follows from them.
    #[must_use]
    pub fn colour(photometric: Photometric, xyz: Xyz) -> Self {
        Self { photometric, value: xyz.y, xyz: Some(xyz), chromaticity: xyz.chromaticity() }
    }

    /// The same light without a chromaticity: there was too little of it to tell a colour.
    #[must_use]
    pub fn without_chromaticity(self) -> Self {
        Self { chromaticity: None, ..self }
    }

    /// Luminance or illuminance.
    #[must_use]
    pub fn photometric(self) -> Photometric {
        self.photometric
    }

    /// The amount, in the unit of [`photometric`](Self::photometric).
    #[must_use]
    pub fn value(self) -> f64 {
        self.value
    }

    /// Tristimulus values, where the meter sees colour.
    #[must_use]
    pub fn xyz(self) -> Option<Xyz> {
        self.xyz
    }

    /// The chromaticity, where there is enough light for one.
    #[must_use]
    pub fn chromaticity(self) -> Option<Chromaticity> {
        self.chromaticity
    }
}

/// [`Light`] as it is written.
#[derive(Clone, Copy, Serialize, Deserialize, JsonSchema)]
struct RawLight {
    /// Luminance in cd/m². Exactly one of this and `illuminance_lx` is present.
    #[serde(skip_serializing_if = "Option::is_none")]
    luminance_cd_m2: Option<f64>,
    /// Illuminance in lx.
    #[serde(skip_serializing_if = "Option::is_none")]
    illuminance_lx: Option<f64>,
    /// X, Y, Z (CIE 1931, 2°, unless the reading names another observer); Y in the unit of the amount.
    #[serde(skip_serializing_if = "Option::is_none")]
    xyz: Option<Xyz>,
    /// Absent where the light is too low for one, or the meter sees none.
    #[serde(skip_serializing_if = "Option::is_none")]
    chromaticity: Option<Chromaticity>,
}

impl TryFrom<RawLight> for Light {
    type Error = Unphysical;

    fn try_from(raw: RawLight) -> Result<Self, Unphysical> {
        let (photometric, value) = match (raw.luminance_cd_m2, raw.illuminance_lx) {
            (Some(value), None) => (Photometric::Luminance, value),
            (None, Some(value)) => (Photometric::Illuminance, value),
            _ => return Err(Unphysical("exactly one of luminance_cd_m2 and illuminance_lx must be present")),
        };
        Ok(Self { photometric, value: finite(value)?, xyz: raw.xyz, chromaticity: raw.chromaticity })
    }
}

impl From<Light> for RawLight {
    fn from(light: Light) -> Self {
        let amount = |of| (light.photometric == of).then_some(light.value);
        Self {
            luminance_cd_m2: amount(Photometric::Luminance),
            illuminance_lx: amount(Photometric::Illuminance),
            xyz: light.xyz,
            chromaticity: light.chromaticity,
        }
    }
}
