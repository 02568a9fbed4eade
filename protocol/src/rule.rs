//! Rules by which light is called settled: that of this project, and published ones, which are evaluated as they are worded.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::settling::Verdict;

/// A rule. What the published ones say is from memory; read them before you quote them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Rule {
    /// The trend, with its uncertainty, stays within its bands for the next hold: this project's own.
    #[default]
    Trend,
    /// IES LM-79-08, stabilisation: at least three readings over 30 min, taken 15 min apart, vary (largest less smallest) by less
    /// than 0.5 %. Of what is not said: here of their mean; 15 min is up to 16, or they are taken anew. Electrical power, which it asks for as well, is not seen by a light meter.
    #[serde(rename = "ies_lm_79")]
    IesLm79,
    /// CIE S 025/E:2015, stabilisation: operated for at least 30 min, and the largest and the smallest reading of the last 15 min
    /// differ by less than 0.5 % of the smallest. Operation is counted from the request; a silence of more than three
    /// minutes begins the 15 min anew. Electrical power is not seen by a light meter.
    #[serde(rename = "cie_s_025")]
    CieS025,
    /// A reviewer's quick look: the readings of the last 30 s lie within less than 2 cd/m² (common practice, no source).
    QuickLook,
}

impl Rule {
    /// Every rule.
    pub const ALL: [Self; 4] = [Self::Trend, Self::IesLm79, Self::CieS025, Self::QuickLook];

    /// The rule as it is written on the wire.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Trend => "trend",
            Self::IesLm79 => "ies_lm_79",
            Self::CieS025 => "cie_s_025",
            Self::QuickLook => "quick_look",
        }
    }

    /// The rule in words.
    #[must_use]
    pub fn title(self) -> &'static str {
        match self {
            Self::Trend => "its trend",
            Self::IesLm79 => "IES LM-79",
            Self::CieS025 => "CIE S 025",
            Self::QuickLook => "a quick look",
        }
    }

    /// The shortest time in which it can be met, in s; 0 where the criteria say.
    #[must_use]
    pub fn least_s(self) -> f64 {
        match self {
            Self::Trend => 0.0,
            Self::IesLm79 | Self::CieS025 => 1800.0,
            Self::QuickLook => 30.0,
        }
    }

    /// The shortest wait that it makes sense to ask for, in s: a minute more, since readings take time too.
    #[must_use]
    pub fn least_wait_s(self) -> f64 {
        if self.least_s() > 0.0 { self.least_s() + 60.0 } else { 0.0 }
    }

    /// What it allows: a share for the standards, cd/m² (or lx) for the quick look; nothing where the criteria say.
    #[must_use]
    pub fn allowed(self) -> Option<f64> {
        match self {
            Self::Trend => None,
            Self::IesLm79 | Self::CieS025 => Some(0.005),
            Self::QuickLook => Some(2.0),
        }
    }

    /// Whether what it allows is a share of the light.
    #[must_use]
    pub fn is_relative(self) -> bool {
        matches!(self, Self::IesLm79 | Self::CieS025)
    }
}

/// What a published rule found, and what the trend says beside it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Compared {
    /// Readings compared so far.
    pub n: usize,
    /// From the first of them to the last, in s.
    pub over_s: f64,
    /// Largest less smallest: a share for the standards, in cd/m² (or lx) for the quick look; absent before there are enough.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub variation: Option<f64>,
    /// The variation must be less than this, in the same unit.
    pub allowed: f64,
    /// Whether it is, over the time that the rule asks for.
    pub met: bool,
    /// What the trend says meanwhile.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub trend: Option<Verdict>,
    /// When the trend first settled, in s since the request began.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub trend_settled_s: Option<f64>,
}
