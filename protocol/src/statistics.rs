//! What a stretch of the log comes to: mean and spread, drift, Allan deviation, day cycle, and night against night.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::colorimetry::observer::Observer;
use crate::quantity::Photometric;
use crate::reading::Flag;
use crate::time::Timestamp;

/// Which readings. One of `meter` and `run` must be there; dark readings never count.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Stretch {
    /// Only this meter's.
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
}

/// Params of `log.statistics`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct StatisticsParams {
    /// Only this meter's.
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
    /// The length of the equal bins that readings are averaged into before their Allan deviation, in s; one that fits how they came if
    /// absent.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bin_s: Option<f64>,
}

/// Params of `log.compare`: one night against another.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CompareParams {
    /// The one.
    pub one: Stretch,
    /// The other.
    pub other: Stretch,
}

/// What a stretch of the log comes to.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Statistics {
    /// The meter.
    pub meter: String,
    /// Luminance or illuminance: what `value` is.
    pub quantity: Photometric,
    /// By whose eye, where that isn't CIE 1931, 2°.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub observer: Option<Observer>,
    /// Readings.
    pub count: u64,
    /// Readings that are no more in the log but in what its thinning left of them: they count in mean, range and drift, not in the
    /// Allan deviation.
    pub thinned: u64,
    /// The sequence of the first.
    pub first: u64,
    /// The sequence of the last.
    pub last: u64,
    /// UTC of the first.
    pub since: Timestamp,
    /// UTC of the last.
    pub until: Timestamp,
    /// From first to last, in s of the boot clock: steps of UTC don't bend it. Across reboots UTC bridges.
    pub span_s: f64,
    /// Stretches without readings, much longer than the usual time between two.
    pub gaps: u64,
    /// How long they were together, in s.
    pub gap_s: f64,
    /// The length of the bins of the Allan deviation, in s.
    pub bin_s: f64,
    /// Luminance in cd/m², or illuminance in lx.
    pub value: Series,
    /// u′ of CIE 1976, where the readings tell a colour.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub u_prime: Option<Series>,
    /// v′ of CIE 1976.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub v_prime: Option<Series>,
    /// The meter's own temperature in °C, where it tells.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<Series>,
    /// How `value` goes with the meter's temperature, where both are known and both move.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub with_temperature: Option<WithTemperature>,
    /// Flags of the readings.
    pub flags: Vec<Flag>,
    /// The corrections that they went through, by id; more than one is more than one scale.
    pub corrections: Vec<String>,
    /// What it comes to, and what to be careful about, in plain sentences.
    pub message: String,
}

/// Figures of one quantity, in its unit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Series {
    /// Readings that have it.
    pub count: u64,
    /// Mean.
    pub mean: f64,
    /// Standard deviation of a reading (n − 1); absent for a single one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sd: Option<f64>,
    /// Smallest.
    pub min: f64,
    /// Largest.
    pub max: f64,
    /// Standard uncertainty of the mean, with the autocorrelation counted; absent where it can't be told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub uncertainty: Option<f64>,
    /// How it drifts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drift: Option<Drift>,
    /// Its part that comes again each day; absent for less than two days.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub day: Option<DayCycle>,
    /// Overlapping Allan deviation over averaging times, shortest first; empty where there are too few bins.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub allan: Vec<Deviation>,
}

/// A rate of change with its interval.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Drift {
    /// A hour, in the quantity's unit.
    pub per_h: f64,
    /// The low end of the interval that holds the rate with 95 %.
    pub low_per_h: f64,
    /// Its high end.
    pub high_per_h: f64,
    /// Why the interval should not be trusted, a random walk say; absent where nothing speaks against it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub caution: Option<String>,
}

/// A sine of a day's length.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DayCycle {
    /// Half of the way from its trough to its crest, in the quantity's unit.
    pub amplitude: f64,
    /// The low end of the interval that holds it with 95 %; 0 where there may be none.
    pub low: f64,
    /// Its high end.
    pub high: f64,
    /// The UTC hour of its crest, from 0 to 24.
    pub crest_h: f64,
}

/// Allan deviation at one averaging time (NIST SP 1065, overlapping, of readings as of frequencies).
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Deviation {
    /// Averaging time in s.
    pub tau_s: f64,
    /// The deviation, in the quantity's unit.
    pub deviation: f64,
    /// The low end of the interval that holds it with 95 %.
    pub low: f64,
    /// Its high end.
    pub high: f64,
    /// Differences that it is the mean of.
    pub count: u64,
    /// The noise that its slope tells there.
    pub noise: Noise,
}

/// Kinds of noise, by how the Allan deviation goes with the averaging time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[schemars(rename_all = "snake_case")]
pub enum Noise {
    /// As 1/τ: readings make up for each other, as where they are quantised (white or flicker phase noise in SP 1065).
    Phase,
    /// As 1/√τ: readings don't know of each other.
    White,
    /// Level: averaging for longer gains nothing.
    Flicker,
    /// As √τ: it wanders.
    RandomWalk,
    /// As τ: it drifts.
    Drift,
    /// A kind of a later version of the protocol.
    #[serde(other)]
    Unknown,
}

/// How a quantity goes with the meter's temperature. That it does so doesn't say which moves which.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WithTemperature {
    /// Correlation of the two, from −1 to 1.
    pub correlation: f64,
    /// The low end of the interval that holds it with 95 %.
    pub low: f64,
    /// Its high end.
    pub high: f64,
    /// Change a kelvin, in the quantity's unit.
    pub per_k: f64,
}

/// One night against another: the other less the one.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Comparison {
    /// The one.
    pub one: Statistics,
    /// The other.
    pub other: Statistics,
    /// Of the means of `value`; absent where an uncertainty is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mean: Option<Difference>,
    /// Of the means of u′.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub u_prime: Option<Difference>,
    /// Of the means of v′.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub v_prime: Option<Difference>,
    /// Of the drifts of `value`, an hour.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drift_per_h: Option<Difference>,
    /// What it comes to, in plain sentences.
    pub message: String,
}

/// A difference with its interval.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Difference {
    /// The other less the one.
    pub value: f64,
    /// The low end of the interval that holds it with 95 %.
    pub low: f64,
    /// Its high end.
    pub high: f64,
    /// Whether the interval leaves out 0.
    pub differs: bool,
}
