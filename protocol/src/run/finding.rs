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
    /// How far off it was, or how far it went, in the way that `found_by` says; in the same unit, of chromaticity a distance. Absent where
    /// there are too few points to tell.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub off: Option<f64>,
    /// Half of the interval of that. `undecided` is what reaches over the edge of the band; where it doesn't, too much of the time was not seen.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub half: Option<f64>,
    /// What `off` is. Absent where that is, and from earlier daemons.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub found_by: Option<FoundBy>,
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

/// The way that a finding was found: from where to where its `off` is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[schemars(rename_all = "snake_case")]
pub enum FoundBy {
    /// `stability`: the stretch that is the farthest from the reference, against that. `drift`: the mean of the last eighth, against it.
    Reference,
    /// `stability`: the mean of the last eighth, against where the line through the first eighth begins. How far the light went in between
    /// isn't in it.
    Beginning,
    /// `drift`: from the first reading to the last by the line through all of them, and what steps changed for good.
    Line,
    /// `drift`: the mean of the last eighth, against that of the first. How far the light went within those and in between isn't in it.
    Eighths,
    /// One of a later version of the protocol.
    #[serde(other)]
    Unknown,
}
