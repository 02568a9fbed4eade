//! What the daemon says unasked: one type a notification.

use schemars::JsonSchema;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use crate::error::RpcError;
use crate::message::RequestId;
use crate::meter::Meter;
use crate::reading::Reading;
use crate::run::{Alert, Run};
use crate::settling::{Estimate, Evidence};

/// A notification of the protocol.
pub trait Notification: Serialize + DeserializeOwned + JsonSchema {
    /// Its method name.
    const NAME: &'static str;
}

/// `reading`: one for each reading of an observed meter.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ReadingTaken {
    /// The subscription it is for.
    pub subscription: String,
    /// The reading.
    pub reading: Reading,
}

impl Notification for ReadingTaken {
    const NAME: &'static str = "reading";
}

/// `meters.changed`: a meter came, went, failed or recovered.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MeterChanged {
    /// The subscription it is for.
    pub subscription: String,
    /// The meter as it is now.
    pub meter: Meter,
}

impl Notification for MeterChanged {
    const NAME: &'static str = "meters.changed";
}

/// `settle.progress`: how a `meter.settle` is getting on.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SettleProgress {
    /// The id of the request it is about.
    pub request: RequestId,
    /// Since the request arrived, in s of the daemon's clock.
    pub waited_s: f64,
    /// Readings looked at so far.
    pub count: u64,
    /// The latest reading's luminance or illuminance; where `waiting` is there, that from before.
    pub latest: f64,
    /// What keeps the meter from giving readings at present, its absence say; readings are waited for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub waiting: Option<RpcError>,
    /// The best estimate so far.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value: Option<Estimate>,
    /// How it stands.
    pub evidence: Evidence,
}

impl Notification for SettleProgress {
    const NAME: &'static str = "settle.progress";
}

/// `runs.changed`: a run started, got on, was alarmed at something, or ended.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RunChanged {
    /// The subscription it is for.
    pub subscription: String,
    /// The run as it is now.
    pub run: Run,
    /// What it is alarmed at since the last time.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub alert: Option<Alert>,
}

impl Notification for RunChanged {
    const NAME: &'static str = "runs.changed";
}

/// `missed`: these are gone from the stream, at this place in it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Missed {
    /// The subscription it is for.
    pub subscription: String,
    /// How many notifications; at most this many where the log could not be read or written.
    pub count: u64,
    /// The first missed reading's sequence; absent where they weren't readings.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub from: Option<u64>,
    /// The last missed reading's sequence.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub to: Option<u64>,
    /// Why.
    pub why: MissedWhy,
}

impl Notification for Missed {
    const NAME: &'static str = "missed";
}

/// Why notifications were missed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum MissedWhy {
    /// The reader did not keep up.
    SlowReader,
    /// The log, which should have told them, could not be read or written.
    LogUnavailable,
}
