//! What a run found of each quantity that has a band.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::RunVerdict;

/// How one quantity of a `stability` or `drift` run stands against its band.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Finding {
    /// Which.
    pub of: Banded,
    /// `within`, `beyond` or `undecided`.
    pub verdict: RunVerdict,
    /// How far from the reference it may be: in cd/m² or lx, or in u′v′.
    pub band: f64,
    /// How far off it was where that was most, or went (`drift`), in the same unit; of chromaticity a distance. Absent where there are too
    /// few points to tell.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub off: Option<f64>,
    /// Half of the interval of that. `undecided` is what reaches over the edge of the band; where it doesn't, too much of the time was not seen.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub half: Option<f64>,
}

/// A quantity that has a band.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[schemars(rename_all = "snake_case")]
pub enum Banded {
    /// Luminance, or illuminance.
    Luminance,
    /// Chromaticity.
    Chromaticity,
    /// One of a later version of the protocol.
    #[serde(other)]
    Unknown,
}
