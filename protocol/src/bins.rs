//! A long stretch of the log, a row for each span of time: what a plot is drawn from, and what thinning leaves.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::colorimetry::observer::Observer;
use crate::quantity::{Chromaticity, Photometric};
use crate::reading::Flag;
use crate::time::Timestamp;

/// The most bins one answer holds.
pub const MOST_BINS: u32 = 1000;

/// Params of `log.bins`. One of `meter` and `run` must be there; dark readings never count.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct BinsParams {
    /// Only this meter's readings.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub meter: Option<String>,
    /// Only this run's.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub run: Option<u64>,
    /// Not before this moment.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub since: Option<Timestamp>,
    /// Before this moment.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub until: Option<Timestamp>,
    /// The length of each bin, in s, from 0.001 to 31 557 600: the first begins at a multiple of it since 1970. 60 if absent.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub every_s: Option<f64>,
    /// Only bins of spans that begin after this moment: the `next` of the page before.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub after: Option<Timestamp>,
    /// At most this many bins, 1 to 1000; 1000 if absent. A page may hold fewer so that it comes soon, or even none, and a few more where
    /// they begin together: what lies in one span is never parted.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub limit: Option<u32>,
}

/// A page of bins.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BinsPage {
    /// In rising order of time. Where there was no reading there is no bin.
    pub bins: Vec<Bin>,
    /// Ask again with `after` set to this for more; absent at the end.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub next: Option<Timestamp>,
}

/// The readings of one span of time.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Bin {
    /// UTC of its beginning.
    pub at: Timestamp,
    /// Its length in s: that which was asked for, or longer where thinning has left nothing finer.
    pub span_s: f64,
    /// Luminance or illuminance; a bin holds one of the two. Readings that don't compare (by this, `observer` or `correction`) are in
    /// bins of their own, which may begin together.
    pub quantity: Photometric,
    /// By whose eye the light is meant, where that isn't CIE 1931, 2°.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub observer: Option<Observer>,
    /// The correction that the light went through, by its id; it is as the meter saw it if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub correction: Option<String>,
    /// Readings.
    pub count: u64,
    /// The sequence of the first.
    pub first: u64,
    /// The sequence of the last.
    pub last: u64,
    /// Mean.
    pub mean: f64,
    /// Smallest.
    pub min: f64,
    /// Largest.
    pub max: f64,
    /// Standard deviation of a reading (n − 1); absent for a single one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sd: Option<f64>,
    /// The chromaticity of the mean of X, Y and Z over the readings that tell a colour.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub chromaticity: Option<Chromaticity>,
    /// The mean of the meter's own temperature in °C.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<f64>,
    /// Flags that any of the readings has.
    pub flags: Vec<Flag>,
    /// Whether the readings themselves are gone: thinning has left this of them.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub thinned: bool,
}
