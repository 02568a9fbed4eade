//! How the daemon is, and what its log holds up to.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::time::Timestamp;

/// Result of `daemon.status`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Status {
    /// The daemon's version.
    pub version: String,
    /// Since the daemon started, in s of its clock.
    pub uptime_s: f64,
    /// Connections open now.
    pub clients: usize,
    /// Configured meters.
    pub meters: Vec<MeterQueue>,
    /// The log.
    pub log: LogStatus,
    /// The recording of what passes on the meters' links, where one was begun.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub recording: Option<RecordingStatus>,
}

/// How a recording of what passes on the meters' links is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct RecordingStatus {
    /// The file.
    pub file: String,
    /// How much has been written, in bytes.
    pub bytes: u64,
    /// Whether it goes on.
    pub writing: bool,
    /// Why it has ended, if it has.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

/// How busy a meter is.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MeterQueue {
    /// The meter's id.
    pub meter: String,
    /// Requests that wait for an exposure.
    pub waiting: usize,
    /// Exposures since the daemon started, successful or not.
    pub exposures: u64,
}

/// How the log is.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LogStatus {
    /// Whether readings are being logged.
    pub writing: bool,
    /// Size of the database in bytes, where there is one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bytes: Option<u64>,
    /// The last sequence that is durable.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub last_sequence: Option<u64>,
    /// Why it isn't, if it isn't.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// A UUID of this log: another log has another. Absent where there is none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// Room that is left for it, where that is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub room: Option<LogRoom>,
    /// Readings that could not be logged since the daemon started.
    #[serde(default)]
    pub unlogged: u64,
}

/// Room that is left for the log.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct LogRoom {
    /// Bytes that it may still take: of its disk, or of its quota where that is less.
    pub left_bytes: u64,
    /// The most bytes that it may take in all, where the config says so.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub quota_bytes: Option<u64>,
    /// Whether that is so little that one should see to it.
    pub low: bool,
}

/// Result of `log.backup`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Backup {
    /// The new file, on the daemon's machine, in the folder that the config names.
    pub file: String,
    /// Its size in bytes.
    pub bytes: u64,
    /// UTC when it was complete.
    pub at: Timestamp,
    /// The last sequence that is in it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last_sequence: Option<u64>,
}

/// Result of `log.check`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct LogChecked {
    /// Whether the log is whole.
    pub sound: bool,
    /// What is wrong with it, a sentence each; at most a hundred.
    pub problems: Vec<String>,
    /// Readings in it.
    pub readings: u64,
    /// Events in it.
    pub events: u64,
    /// Bins that thinning has left.
    pub bins: u64,
}

/// Result of `page.address`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PageAddressed {
    /// To be opened in a browser on the daemon's machine, or through a tunnel to it. Whoever has it sees meters, readings, runs and events
    /// until the token, which is its fragment, is made anew, so it is to be kept as a password is.
    pub address: String,
    /// The port on the loopback, for a tunnel.
    pub port: u16,
}
