//! Runs: measurements that belong to the daemon. They outlive the client that started them, a restart and a reboot.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::error::RpcError;
use crate::quantity::{Chromaticity, Photometric};
use crate::reading::Flag;
use crate::settling::{Criteria, Settled};
use crate::stage::Stimulus;
use crate::statistics::{Drift, Statistics};
use crate::text::Text;
use crate::time::Timestamp;

pub use finding::{Banded, Finding, FoundBy};

mod finding;

/// What a run is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[schemars(rename_all = "snake_case")]
pub enum RunKind {
    /// Until the light has settled, or a limit is reached.
    WarmUp,
    /// Does light that is held for a while stay within its bands?
    Stability,
    /// How does it drift, overnight say: a burst of readings now and then.
    Drift,
}

impl RunKind {
    /// The kind as it is written on the wire.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::WarmUp => "warm_up",
            Self::Stability => "stability",
            Self::Drift => "drift",
        }
    }
}

/// Params of `runs.start`: what to measure, from when, for how long, and what to be alarmed at.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RunPlan {
    /// The meter's id.
    pub meter: String,
    /// What for.
    pub kind: RunKind,
    /// A name to know it by.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub label: Option<Text>,
    /// `warm_up`: what to call settled. `stability` and `drift`: the bands that the light is held against.
    #[serde(default)]
    pub criteria: Criteria,
    /// The integration time of each exposure, in s; the meter's own choice if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub integration_s: Option<f64>,
    /// From the beginning of one burst to that of the next, in s, 0 to 86400; 0 is without pause. If absent 60 for `drift`, 0 for
    /// `stability`. Not for `warm_up`, which never pauses.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub interval_s: Option<f64>,
    /// Readings of a burst, 1 to 1000, whose mean is one point; 1 if absent. Not for `warm_up`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub burst: Option<u32>,
    /// How long it lasts from its start, in s, 1 to 31 557 600 (a year). `warm_up`: the longest wait; 7200 if absent, as `until` is. `stability` needs
    /// it, or `until`. A `drift` without either goes on until it is stopped.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub duration_s: Option<f64>,
    /// When it ends, instead of `duration_s`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub until: Option<Timestamp>,
    /// When it starts; at once if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub start: Option<Timestamp>,
    /// Starts anew every day. Then it has a `duration_s` of a day at most, and neither `start` nor `until`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub nightly: Option<Nightly>,
    /// What a simulated display is told to show as it starts; a real one is set by whoever starts the run.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stimulus: Option<Stimulus>,
    /// What to be alarmed at.
    #[serde(default)]
    pub alert: AlertRules,
}

/// From one burst of a drift run to the next unless its plan says otherwise, in s.
const USUAL_INTERVAL_S: f64 = 60.0;

impl RunPlan {
    /// From the beginning of one burst to that of the next, in s; 0 where it measures without pause.
    #[must_use]
    pub fn pace_s(&self) -> f64 {
        self.interval_s.unwrap_or(if self.kind == RunKind::Drift { USUAL_INTERVAL_S } else { 0.0 })
    }
}

/// Every day at one time of the daemon's own zone.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Nightly {
    /// The time of day, such as 18:00. Where the zone skips that time it starts as much later, where it comes twice at the first.
    pub at: String,
    /// How many times in all, 1 to 10000; until it is stopped if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub nights: Option<u32>,
}

/// What to be alarmed at. That the disk runs low, or the log can't be written, is an alert always.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct AlertRules {
    /// Luminance further from the run's reference than this share of it: 0.02 is 2 %. From 1e-6 to 10; no alert if absent.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub luminance: Option<f64>,
    /// Chromaticity further from the run's reference than this, in u′v′. From 1e-6 to 1; no alert if absent.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub chromaticity: Option<f64>,
    /// The meter has given no reading for longer than this, in s, beyond what its plan says. From 1 to 86400; 60 if absent.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lost_s: Option<f64>,
}

/// Where a run is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[schemars(rename_all = "snake_case")]
pub enum RunState {
    /// Its start is yet to come.
    Planned,
    /// It goes on.
    Running,
    /// It came to its end.
    Done,
    /// Somebody stopped it.
    Stopped,
    /// It could not go on, or not at all.
    Failed,
    /// A state of a later version of the protocol.
    #[serde(other)]
    Unknown,
}

impl RunState {
    /// Every state of this version.
    pub const ALL: [Self; 5] = [Self::Planned, Self::Running, Self::Done, Self::Stopped, Self::Failed];

    /// The state as it is written on the wire.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Planned => "planned",
            Self::Running => "running",
            Self::Done => "done",
            Self::Stopped => "stopped",
            Self::Failed => "failed",
            Self::Unknown => "unknown",
        }
    }

    /// Whether it changes no more.
    #[must_use]
    pub fn is_over(self) -> bool {
        matches!(self, Self::Done | Self::Stopped | Self::Failed)
    }
}

/// What came out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[schemars(rename_all = "snake_case")]
pub enum RunVerdict {
    /// `warm_up`: the light has settled.
    Settled,
    /// `warm_up`: it has not.
    NotSettled,
    /// `stability` and `drift`: it stayed within its bands, with the confidence of the criteria.
    Within,
    /// It left them, as surely.
    Beyond,
    /// The readings can't tell.
    Undecided,
    /// A verdict of a later version of the protocol.
    #[serde(other)]
    Unknown,
}

/// Something to be alarmed at.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Alert {
    /// What.
    pub kind: AlertKind,
    /// Since when.
    pub at: Timestamp,
    /// One plain sentence.
    pub message: String,
}

/// Kinds of alert.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[schemars(rename_all = "snake_case")]
pub enum AlertKind {
    /// Luminance is beyond its band.
    Luminance,
    /// Chromaticity is.
    Chromaticity,
    /// The meter gives no readings.
    MeterLost,
    /// The log's disk runs low.
    DiskLow,
    /// The log can't be written: readings go out unlogged.
    LogFailed,
    /// A kind of a later version of the protocol.
    #[serde(other)]
    Unknown,
}

impl AlertKind {
    /// The kind as it is written on the wire.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Luminance => "luminance",
            Self::Chromaticity => "chromaticity",
            Self::MeterLost => "meter_lost",
            Self::DiskLow => "disk_low",
            Self::LogFailed => "log_failed",
            Self::Unknown => "unknown",
        }
    }
}

/// The light at some point of a run.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RunPoint {
    /// UTC, at its middle.
    pub at: Timestamp,
    /// The mean of luminance (cd/m²) or illuminance (lx).
    pub value: f64,
    /// The mean of chromaticity, where there is one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub chromaticity: Option<Chromaticity>,
    /// Readings that it is the mean of.
    pub count: u64,
}

/// A run, and how it gets on.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Run {
    /// Its number: rising within one log, never used twice.
    pub run: u64,
    /// What was asked for.
    pub plan: RunPlan,
    /// Where it is.
    pub state: RunState,
    /// When it was asked for.
    pub created: Timestamp,
    /// When it started, or will.
    pub begins: Timestamp,
    /// When it ended, or will as far as is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ends: Option<Timestamp>,
    /// How long it has been running, in s, gaps included.
    pub elapsed_s: f64,
    /// How long it will still be, in s, as far as is known: for a `warm_up` the forecast, where that tells anything; its limit is in `ends`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub left_s: Option<f64>,
    /// Points so far.
    pub points: u64,
    /// Readings so far.
    pub readings: u64,
    /// Points that were due by its interval and could not be taken. 0 where it measures without pause: there `gap_s` alone says what is lacking.
    pub missed: u64,
    /// The sequence of its first reading.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub first: Option<u64>,
    /// The sequence of its last reading.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last: Option<u64>,
    /// Gaps so far: stretches without readings though some were due. Each is an event.
    pub gaps: u64,
    /// How long they were together, in s.
    pub gap_s: f64,
    /// Luminance or illuminance, once there is a reading.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub quantity: Option<Photometric>,
    /// What the light is held against: the first point; of a run that was resumed, too.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reference: Option<RunPoint>,
    /// The latest point.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub latest: Option<RunPoint>,
    /// Alerts so far.
    pub alerts: u64,
    /// Those that still stand.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub standing: Vec<Alert>,
    /// What keeps the meter from giving readings at present.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub waiting: Option<RpcError>,
    /// Flags of its readings.
    pub flags: Vec<Flag>,
    /// The drift of luminance so far, as far as it can be told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drift: Option<Drift>,
    /// What came out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub verdict: Option<RunVerdict>,
    /// How each quantity of a `stability` or `drift` run that is over stands against its band; those of earlier daemons have none.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub findings: Vec<Finding>,
    /// What a `warm_up` came to.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub settled: Option<Settled>,
    /// All figures of its readings, once there are any: only in the answer of `runs.show`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub statistics: Option<Statistics>,
    /// The first of the nights that this one repeats.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub night_of: Option<u64>,
    /// One plain sentence.
    pub message: String,
}

/// Params of `runs.list`. Everything is optional; the latest runs come first.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct ListRuns {
    /// Only this meter's.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub meter: Option<String>,
    /// Only those in this state.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub state: Option<RunState>,
    /// Only runs with a lower number.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub before: Option<u64>,
    /// At most this many, 1 to 100; 100 if absent.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub limit: Option<u32>,
}

/// A page of runs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RunsPage {
    /// The latest first.
    pub runs: Vec<Run>,
    /// Ask again with `before` set to this for more; absent at the end.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub next: Option<u64>,
}

/// Params of `runs.show`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ShowRun {
    /// Its number.
    pub run: u64,
}

/// Params of `runs.stop`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct StopRun {
    /// Its number.
    pub run: u64,
    /// Why, for the log.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<Text>,
    /// Of a run that comes again each day this night alone: those to come are left as they are planned. If false they end with it.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub this_night: bool,
}

/// Params of `runs.observe`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct ObserveRuns {
    /// Only this one; all of them if absent.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub run: Option<u64>,
}
