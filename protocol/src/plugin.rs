//! The meter half of the protocol: what the daemon asks of a plugin on its standard input, and what the plugin says on its
//! standard output. JSON-RPC 2.0, one message a line, one request at a time; drivers/PLUGINS.md tells it in words.
//!
//! A request is decoded by [`Incoming`](crate::message::Incoming) and written by
//! [`request_line`](crate::message::request_line), as a client's is: [`Hello`], [`MeterOpen`], [`MeterMeasure`] and [`MeterZero`] are
//! methods. There is none to close: standard input ends.

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;

use crate::message::{RequestId, without_position};
use crate::meter::{Kind, Quantity, Span};
use crate::method::{Method, Nothing, types};
use crate::quantity::Xyz;
use crate::spectrum::Spectrum;

/// The version of the meter half that these types describe.
pub const VERSION: u32 = 1;

/// Longest line from a plugin, in bytes, without its end: twice what the longest spectrum takes.
pub const LONGEST_LINE: usize = 256 * 1024;

/// What a plugin says unasked once its instrument has gone; the params are [`Gone`].
pub const GONE: &str = "meter.gone";

types! {
    /// First words: the daemon's versions and the settings from the config.
    Hello = "hello", HelloParams => HelloResult, "First words: versions, and the settings from the config.";
    /// Find the instrument, and say what it is.
    MeterOpen = "meter.open", Nothing => Opened, "Find the instrument, and say what it is and needs.";
    /// One exposure, begun now.
    MeterMeasure = "meter.measure", MeasureParams => Measured, "One exposure, begun after the request was read.";
    /// Zeroing; the aperture is covered.
    MeterZero = "meter.zero", Nothing => Nothing, "Zero the instrument; the aperture is covered.";
}

/// Params of `hello`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HelloParams {
    /// The versions of the meter half that the daemon speaks.
    pub protocol: Vec<u32>,
    /// What the config calls the meter.
    pub meter: String,
    /// The meter's table `settings`, as the config has it.
    #[serde(default)]
    pub settings: serde_json::Map<String, serde_json::Value>,
}

/// Result of `hello`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HelloResult {
    /// The version in use: one of those offered.
    pub protocol: u32,
}

/// Result of `meter.open`: what the instrument is and needs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Opened {
    /// The model.
    pub model: String,
    /// The serial number, where it tells one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub serial: Option<String>,
    /// The kind of instrument.
    pub kind: Kind,
    /// What it measures: either `luminance` or `illuminance`, and `xyz` or `spectrum` if it does.
    pub quantities: Vec<Quantity>,
    /// The integration times it can be asked for, in s; absent where it chooses for itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub integration_s: Option<Span>,
    /// The stated range in cd/m² (lx for an illuminance meter).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub range: Option<Span>,
    /// The smallest step of its answers, in cd/m² (or lx), where known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub resolution: Option<f64>,
    /// Its own warm-up, in s after it was opened; 0 if it needs none.
    #[serde(default)]
    pub warm_up_s: f64,
    /// When it must be zeroed, if it can be.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zero: Option<ZeroNeed>,
    /// The longest that an exposure takes whose integration time the instrument chooses, in s: 0.1 to 600.
    #[serde(default = "ten")]
    pub deadline_s: f64,
    /// How much longer an exposure may take for each second of integration that was asked for: 0 to 100.
    #[serde(default = "one")]
    pub deadline_factor: f64,
}

fn one() -> f64 {
    1.0
}

fn ten() -> f64 {
    10.0
}

/// When an instrument must be zeroed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ZeroNeed {
    /// Whether one is due as soon as the meter is opened.
    #[serde(default)]
    pub at_start: bool,
    /// How long one is good for, in s; for ever if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub every_s: Option<f64>,
    /// By how much the instrument's temperature may move before another is due, in K; by any if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub within_k: Option<f64>,
    /// Whether readings are refused while one is overdue; else they are given, with a flag.
    #[serde(default)]
    pub refuse_overdue: bool,
    /// The longest that taking one may take, in s: 0.1 to 600.
    #[serde(default = "ten")]
    pub deadline_s: f64,
}

/// Params of `meter.measure`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MeasureParams {
    /// The integration time wanted, in s, within what the instrument said it can do; its own choice if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub integration_s: Option<f64>,
}

/// Result of `meter.measure`. Exactly one of `luminance_cd_m2`, `illuminance_lx`, `xyz` and `spectrum` is present.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Measured {
    /// Luminance, in cd/m².
    #[serde(skip_serializing_if = "Option::is_none")]
    pub luminance_cd_m2: Option<f64>,
    /// Illuminance, in lx.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub illuminance_lx: Option<f64>,
    /// CIE 1931 x and y, beside a luminance or an illuminance; left out where it is too dark to tell.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub xy: Option<[f64; 2]>,
    /// CIE 1931 X, Y, Z, Y in cd/m² (lx where the instrument measures illuminance).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub xyz: Option<Xyz>,
    /// A spectrum.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub spectrum: Option<Spectrum>,
    /// The integration time that was used, in s.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub integration_s: Option<f64>,
    /// The instrument's temperature, in °C.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<f64>,
}

/// Params of `meter.gone`.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Gone {
    /// Why, in a few plain words.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

/// What went wrong, for the daemon to act on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum PluginFault {
    /// Not attached, or unplugged. The plugin is ended, and started again until the instrument is there.
    Gone,
    /// Another program holds the instrument. As `gone`.
    Busy,
    /// The daemon's user may not open the instrument. As `gone`.
    Denied,
    /// The instrument didn't answer.
    Silent,
    /// The instrument's answer made no sense.
    Garbled,
    /// Too little light for an answer.
    BelowRange,
    /// Too much light for an answer.
    AboveRange,
    /// The instrument can't do that.
    Unsupported,
    /// Anything else: the instrument, or the plugin, answered with an error of its own.
    #[default]
    #[serde(other)]
    Refused,
}

impl PluginFault {
    /// Every kind.
    pub const ALL: [Self; 9] = [
        Self::Gone,
        Self::Busy,
        Self::Denied,
        Self::Silent,
        Self::Garbled,
        Self::BelowRange,
        Self::AboveRange,
        Self::Unsupported,
        Self::Refused,
    ];
}

/// The error member of a plugin's response.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PluginError {
    /// Any whole number: the daemon goes by the kind. -32601 (no such method) without a kind is `unsupported`.
    pub code: i64,
    /// What was being done and what came of it, in one plain clause.
    pub message: String,
    /// The kind; `refused` without it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub data: Option<FaultData>,
}

/// What the daemon goes by.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct FaultData {
    /// The kind; an unknown one is `refused`.
    pub kind: PluginFault,
}

impl PluginError {
    /// An error of `kind`.
    #[must_use]
    pub fn new(kind: PluginFault, message: impl Into<String>) -> Self {
        Self { code: -32000, message: message.into(), data: Some(FaultData { kind }) }
    }

    /// The kind, as far as the plugin told.
    #[must_use]
    pub fn kind(&self) -> PluginFault {
        match (self.data, self.code) {
            (Some(data), _) => data.kind,
            (None, -32601) => PluginFault::Unsupported,
            (None, _) => PluginFault::Refused,
        }
    }
}

impl fmt::Display for PluginError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.message)
    }
}

impl std::error::Error for PluginError {}

/// A plugin's response, without the line's end.
///
/// # Errors
/// If the result can't be written as JSON.
pub fn answer_line(
    id: &RequestId,
    outcome: Result<&impl Serialize, &PluginError>,
) -> serde_json::Result<String> {
    #[derive(Serialize)]
    struct Answer<'a, R> {
        jsonrpc: &'static str,
        id: &'a RequestId,
        #[serde(skip_serializing_if = "Option::is_none")]
        result: Option<&'a R>,
        #[serde(skip_serializing_if = "Option::is_none")]
        error: Option<&'a PluginError>,
    }
    let (result, error) = (outcome.ok(), outcome.err());
    serde_json::to_string(&Answer { jsonrpc: "2.0", id, result, error })
}

/// Reads the result of a plugin's response.
///
/// # Errors
/// [`Nonsense`]: the path of the first member that doesn't fit, and why.
pub fn result<M: Method>(text: &str) -> Result<M::Output, Nonsense> {
    let mut json = serde_json::Deserializer::from_str(text);
    serde_path_to_error::deserialize(&mut json).map_err(|error| {
        let path = match error.path().to_string() {
            path if path == "." => "result".to_owned(),
            path => format!("result.{path}"),
        };
        Nonsense(format!("{path}: {}", without_position(error.inner())))
    })
}

/// What one line from a plugin says.
#[derive(Debug)]
pub enum Said {
    /// The answer to a request.
    Answer {
        /// The request's id.
        id: i64,
        /// The result as written, or the error.
        outcome: Result<Box<RawValue>, PluginError>,
    },
    /// The instrument has gone.
    Gone(Gone),
}

/// A line that is not of the meter half; the text says why.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Nonsense(String);

impl fmt::Display for Nonsense {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for Nonsense {}

impl Said {
    /// Decodes a line from a plugin, strictly.
    ///
    /// # Errors
    /// [`Nonsense`] if it is no JSON, no JSON-RPC 2.0, or neither a response nor `meter.gone`.
    pub fn decode(line: &[u8]) -> Result<Self, Nonsense> {
        #[derive(Deserialize)]
        struct Raw {
            jsonrpc: Option<String>,
            id: Option<i64>,
            result: Option<Box<RawValue>>,
            error: Option<PluginError>,
            method: Option<String>,
            params: Option<Gone>,
        }
        let nonsense = |why: &str| Err(Nonsense(why.to_owned()));
        let raw: Raw = serde_json::from_slice(line).map_err(|error| {
            let not_json = if error.is_data() { "" } else { "not JSON: " };
            Nonsense(format!("{not_json}{}", without_position(&error)))
        })?;
        if raw.jsonrpc.as_deref() != Some("2.0") {
            return nonsense("jsonrpc must be \"2.0\"");
        }
        match raw {
            Raw { method: Some(method), id: None, params, .. } if method == GONE => {
                Ok(Self::Gone(params.unwrap_or_default()))
            }
            Raw { method: Some(_), .. } => nonsense("a plugin says nothing unasked but meter.gone"),
            Raw { id: None, .. } => nonsense("id must be that of the request, a whole number"),
            Raw { result: Some(_), error: Some(_), .. } => nonsense("result and error exclude each other"),
            Raw { id: Some(id), result: Some(result), .. } => Ok(Self::Answer { id, outcome: Ok(result) }),
            Raw { id: Some(id), error: Some(error), .. } => Ok(Self::Answer { id, outcome: Err(error) }),
            _ => nonsense("a response has a result, which is an object, or an error"),
        }
    }
}

#[cfg(test)]
mod tests;
