//! A reading: what the daemon vouches for. Stamped, numbered, flagged, and never changed afterwards.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::colorimetry::observer::Observer;
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
    /// What the light was made of, where the meter sees that and spectra were asked for: as the instrument gave it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub spectrum: Option<Spectrum>,
    /// By whose eye the light is meant (its amount, `xyz`, and all of `chromaticity`), where that isn't CIE 1931, 2°. The amount is then
    /// that observer's Y.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub observer: Option<Observer>,
    /// The bandwidth in nm that the sums over the spectrum were corrected for, where they were. The spectrum itself never is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bandwidth_nm: Option<f64>,
    /// The correction that the light went through, by its id; the light is as the meter saw it if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub correction: Option<String>,
    /// The meter's own temperature in °C, where it tells.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<f64>,
    /// The runs that it was taken for, by number.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub runs: Vec<u64>,
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
    /// The meter should have been zeroed before.
    ZeroOverdue,
    /// The exposure served more than one request.
    Shared,
    /// A dark reading: taken with the aperture covered, as the client said, so it is no light of any display.
    Dark,
    /// Went through a correction that is older than the config allows.
    CorrectionStale,
    /// The correction in force was made for another meter or another display.
    CorrectionMismatch,
    /// The spectrum doesn't reach from 380 to 780 nm: the sums lack whatever light there is beyond it.
    NarrowSpectrum,
    /// Not in the log: the log is off or can't be written.
    Unlogged,
    /// A flag of a later version of the protocol.
    #[serde(other)]
    Unknown,
}

impl Flag {
    /// Every flag of this version.
    pub const ALL: [Self; 12] = [
        Self::Simulated,
        Self::Replayed,
        Self::BelowRange,
        Self::AboveRange,
        Self::MeterWarming,
        Self::ZeroOverdue,
        Self::Shared,
        Self::Dark,
        Self::CorrectionStale,
        Self::CorrectionMismatch,
        Self::NarrowSpectrum,
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
            Self::CorrectionStale => "correction_stale",
            Self::CorrectionMismatch => "correction_mismatch",
            Self::NarrowSpectrum => "narrow_spectrum",
            Self::Unlogged => "unlogged",
            Self::Unknown => "unknown",
        }
    }
}
