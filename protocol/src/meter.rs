//! What a client may know of a meter.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::colorimetry::observer::Observer;
use crate::correction::InForce;
use crate::lease::Holder;
use crate::time::Timestamp;

/// One configured meter, present or not.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Meter {
    /// The name the config gave it.
    pub id: String,
    /// The driver that speaks to it.
    pub driver: String,
    /// Where the daemon looks for it: a port's path, a network address, the file that is played back. Where neither the instrument nor the config tells a serial
    /// number, whatever answers there is this meter.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub address: Option<String>,
    /// Whether its light is simulated.
    pub simulated: bool,
    /// Whether its light is played back from a recording.
    #[serde(default)]
    pub replayed: bool,
    /// How it is now.
    pub state: State,
    /// Why it is in that state, where that isn't plain.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// Failures since the daemon started: exposures that gave no reading, and failed openings. A meter that was asked for what it can't do didn't fail.
    pub faults: u64,
    /// What the instrument said of itself when it was opened; absent until it has been.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub instrument: Option<Instrument>,
    /// Its own warm-up.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub warm_up: Option<WarmUp>,
    /// How it stands with its zero; absent where it has none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub zero: Option<Zero>,
    /// The correction in force.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub correction: Option<InForce>,
    /// By whose eye its spectra are summed up, where it gives spectra and that isn't CIE 1931, 2°.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub observer: Option<Observer>,
    /// The bandwidth in nm that the sums over its spectra are corrected for, where it gives spectra and they are.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bandwidth_nm: Option<f64>,
    /// Who has it for itself, if somebody does.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lease: Option<Holder>,
}

/// What an instrument says of itself, or its profile on its behalf.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Instrument {
    /// The model.
    pub model: String,
    /// The serial number, where it tells one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub serial: Option<String>,
    /// The kind of instrument.
    pub kind: Kind,
    /// What it measures.
    pub quantities: Vec<Quantity>,
    /// The integration times it can be asked for; absent where it chooses for itself.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub integration_s: Option<Span>,
    /// The stated range in cd/m² (lx for an illuminance meter).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub range: Option<Span>,
    /// The smallest step of its answers, in cd/m² (or lx), where known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub resolution: Option<f64>,
}

/// From a smallest to a largest value.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Span {
    /// The smallest.
    pub min: f64,
    /// The largest.
    pub max: f64,
}

impl Span {
    /// Whether `value` lies within, ends included.
    #[must_use]
    pub fn contains(self, value: f64) -> bool {
        (self.min..=self.max).contains(&value)
    }
}

/// Kinds of light meter.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// Filters approximate the colour-matching functions.
    Colorimeter,
    /// A spectrum is measured and weighted.
    Spectrometer,
    /// Luminance alone.
    Photometer,
    /// Illuminance.
    IlluminanceMeter,
}

/// What a meter measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Quantity {
    /// Luminance, cd/m².
    Luminance,
    /// Illuminance, lx.
    Illuminance,
    /// Tristimulus values.
    Xyz,
    /// A spectrum.
    Spectrum,
}

/// How a meter is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum State {
    /// Open and idle.
    Ready,
    /// An exposure is going on.
    Reading,
    /// It is being zeroed: it measures its own offset, with its aperture covered.
    Zeroing,
    /// Open, and in its own warm-up: readings are given and flagged.
    Warming,
    /// Not attached, or not answering to being opened. The daemon keeps looking.
    Absent,
    /// Attached but unusable. The daemon keeps trying.
    Failed,
}

/// The meter's own warm-up.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WarmUp {
    /// What it needs, in s.
    pub needed_s: f64,
    /// Since it was opened, in s.
    pub elapsed_s: f64,
}

/// How a meter stands with its zero: the offset that it measures with its aperture covered, and takes off from then on.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Zero {
    /// When it was last zeroed, as far as that is known and still counts.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub at: Option<Timestamp>,
    /// When it must be zeroed again, at the latest; absent where only its temperature tells, or nothing does.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub due: Option<Timestamp>,
    /// By how much its temperature may move from that at the zero before it must be zeroed again, in K.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub due_within_k: Option<f64>,
    /// Whether it must be zeroed now.
    pub needed: bool,
    /// Why it must be, where it must; in words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
    /// Whether it gives no readings while that is so; else they are given, and flagged.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub refuses: bool,
}
