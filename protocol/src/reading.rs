//! A reading: what the daemon vouches for. Stamped, numbered, flagged, and never changed afterwards.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::quantity::Light;
use crate::spectrum::Spectrum;
use crate::time::Timestamp;

/// One exposure's result.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Reading {
    /// Rising within one log, never used twice, not even for a reading with the flag `unlogged`. Where the log is off, counted from
    /// 1 at each start.
    pub sequence: u64,
    /// The meter's id.
    pub meter: String,
    /// UTC at the end of the exposure.
    pub at: Timestamp,
    /// Boot clock at the end of the exposure, in s: monotonic, counts suspend. Spans are taken from this.
    pub t_s: f64,
    /// Boot clock at the beginning of the exposure, in s.
    pub began_s: f64,
    /// The boot (or the simulated clock) that `t_s` belongs to.
    pub boot: String,
    /// The integration time that was used, in s, where the meter states one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub integration_s: Option<f64>,
    /// The light.
    #[serde(flatten)]
    pub light: Light,
    /// What the light was made of, where the meter sees that.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub spectrum: Option<Spectrum>,
    /// The correction that the light went through, by its id; the light is as the meter saw it if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub correction: Option<String>,
    /// The meter's own temperature in °C, where it tells.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<f64>,
    /// What one must know before trusting it. Empty is good.
    pub flags: Vec<Flag>,
}

/// A caution on a reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[schemars(rename_all = "snake_case")]
pub enum Flag {
    /// The light and the meter are simulated.
    Simulated,
    /// Played back from a recording: nobody looked at this light now.
    Replayed,
    /// Below what the meter states it can measure.
    BelowRange,
    /// Above what the meter states it can measure.
    AboveRange,
    /// The meter has not had its own warm-up yet.
    MeterWarming,
    /// The meter's dark (zero) reading is overdue.
    ZeroOverdue,
    /// The exposure served more than one request.
    Shared,
    /// Taken with the aperture covered, as the client said: the meter's own zero, and no light of any display.
    Dark,
    /// Not in the log: the log is off or can't be written.
    Unlogged,
    /// A flag of a later version of the protocol.
    #[serde(other)]
    Unknown,
}

impl Flag {
    /// Every flag of this version.
    pub const ALL: [Self; 9] = [
        Self::Simulated,
        Self::Replayed,
        Self::BelowRange,
        Self::AboveRange,
        Self::MeterWarming,
        Self::ZeroOverdue,
        Self::Shared,
        Self::Dark,
        Self::Unlogged,
    ];

    /// The flag as it is written on the wire.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Simulated => "simulated",
            Self::Replayed => "replayed",
            Self::BelowRange => "below_range",
            Self::AboveRange => "above_range",
            Self::MeterWarming => "meter_warming",
            Self::ZeroOverdue => "zero_overdue",
            Self::Shared => "shared",
            Self::Dark => "dark",
            Self::Unlogged => "unlogged",
            Self::Unknown => "unknown",
        }
    }
}
