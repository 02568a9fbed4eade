//! One type a method: its name, its params, its result.

use schemars::JsonSchema;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use crate::bins::{BinsPage, BinsParams};
use crate::correction::{
    CorrectParams, Corrected, CorrectionChanged, CorrectionsPage, ListCorrections, NewCorrection,
    RemoveCorrection,
};
use crate::lease::{Lease, LeaseParams, ReleaseParams, RenewParams};
use crate::limits::Limits;
use crate::log::{EventsPage, ReadingsPage, Selection};
use crate::message::RequestId;
use crate::meter::Meter;
use crate::reading::Reading;
use crate::run::{ListRuns, ObserveRuns, Run, RunPlan, RunsPage, ShowRun, StopRun};
use crate::settling::{Criteria, Settled};
use crate::stage::Stimulus;
use crate::statistics::{CompareParams, Comparison, Statistics, StatisticsParams};
use crate::status::{Backup, LogChecked, PageAddressed};
pub use crate::status::{LogRoom, LogStatus, MeterQueue, RecordingStatus, Status};
use crate::text::Text;
use crate::time::Timestamp;

/// The version of the protocol that these types describe.
pub const PROTOCOL_VERSION: u32 = 1;

/// A method of the protocol.
pub trait Method {
    /// `noun.verb`.
    const NAME: &'static str;
    /// One line for the OpenRPC document.
    const SUMMARY: &'static str;
    /// A JSON object; may be left out where every member is optional.
    type Params: Serialize + DeserializeOwned + JsonSchema;
    /// The result.
    type Output: Serialize + DeserializeOwned + JsonSchema;
}

/// Methods, each a type of its own.
macro_rules! types {
    ($($(#[$doc:meta])* $type:ident = $name:literal, $params:ty => $output:ty, $summary:literal;)*) => {
        $(
            $(#[$doc])*
            #[derive(Debug)]
            pub enum $type {}

            impl $crate::method::Method for $type {
                const NAME: &'static str = $name;
                const SUMMARY: &'static str = $summary;
                type Params = $params;
                type Output = $output;
            }
        )*
    };
}
pub(crate) use types;

/// Methods of the socket: what is to be done with all of them comes beside.
macro_rules! methods {
    ($($(#[$doc:meta])* $type:ident = $name:literal, $params:ty => $output:ty, $summary:literal;)*) => {
        types! {
            $($(#[$doc])* $type = $name, $params => $output, $summary;)*
        }

        /// The name of every method, in the order of the document.
        pub const NAMES: &[&str] = &[$($name),*];

        /// Hands every method to `visitor`.
        pub fn visit(visitor: &mut impl Visitor) {
            $(visitor.method::<$type>();)*
        }
    };
}

/// Something to be done with every method.
pub trait Visitor {
    /// Called once a method.
    fn method<M: Method>(&mut self);
}

methods! {
    /// Optional first words.
    Hello = "hello", HelloParams => HelloResult, "Who is there: versions, clock and limits. Not needed before other calls.";
    /// How the daemon is.
    DaemonStatus = "daemon.status", Nothing => Status, "How the daemon is: uptime, clients, queues, log, recording.";
    /// Every configured meter.
    MetersList = "meters.list", Nothing => MetersListResult, "Every configured meter, present or not.";
    /// Meters as they come, go, fail and recover.
    MetersObserve = "meters.observe", Nothing => Subscribed, "Subscribe to meters.changed: meters that come, go, fail or recover.";
    /// One reading.
    MeterRead = "meter.read", ReadParams => Reading, "One reading, from an exposure that began after the request arrived.";
    /// A settled reading.
    MeterSettle = "meter.settle", SettleParams => Settled, "Wait until the light has settled, and say how sure that is.";
    /// The meter's own offset, measured anew.
    MeterZero = "meter.zero", ZeroParams => Zeroed, "Let a meter measure its own offset, with its aperture covered.";
    /// A meter for oneself.
    MeterLease = "meter.lease", LeaseParams => Lease, "Have a meter for oneself, for a while; others' readings go on once it is released.";
    /// A lease that goes on.
    MeterRenew = "meter.renew", RenewParams => Lease, "Keep a lease for longer.";
    /// The end of a lease.
    MeterRelease = "meter.release", ReleaseParams => Nothing, "Give a meter back.";
    /// Readings as they are taken.
    MeterObserve = "meter.observe", ObserveParams => Subscribed, "Subscribe to a meter's readings.";
    /// A meter's correction.
    MeterCorrect = "meter.correct", CorrectParams => Corrected, "Put a correction in force on a meter, or take it out of force.";
    /// The corrections there are.
    CorrectionsList = "corrections.list", ListCorrections => CorrectionsPage, "The corrections there are, a page at a time.";
    /// Another correction.
    CorrectionsAdd = "corrections.add", NewCorrection => CorrectionChanged, "Make a correction from paired readings, or take one as it is given.";
    /// A correction that nobody wants any more.
    CorrectionsRemove = "corrections.remove", RemoveCorrection => CorrectionChanged, "Remove a correction that is not in force.";
    /// The end of a subscription.
    SubscriptionCancel = "subscription.cancel", SubscriptionParams => Nothing, "End a subscription.";
    /// A request taken back.
    RequestCancel = "request.cancel", CancelParams => Nothing, "Take a request back; it answers with the error cancelled. Usually a notification.";
    /// Readings from the log.
    LogReadings = "log.readings", Selection => ReadingsPage, "Readings from the log, a page at a time.";
    /// Events from the log.
    LogEvents = "log.events", Selection => EventsPage, "What happened beside readings, a page at a time.";
    /// The log, a row for each span of time.
    LogBins = "log.bins", BinsParams => BinsPage, "A meter's or a run's readings, a row for each span of time, a page at a time.";
    /// Figures of a stretch.
    LogStatistics = "log.statistics", StatisticsParams => Statistics, "What a stretch of the log comes to: mean, spread, drift, Allan deviation.";
    /// One stretch against another.
    LogCompare = "log.compare", CompareParams => Comparison, "One night against another.";
    /// A copy of the log.
    LogBackup = "log.backup", Nothing => Backup, "Copy the log into a new file while it goes on.";
    /// Whether the log is whole.
    LogCheck = "log.check", Nothing => LogChecked, "Look through the whole log for damage.";
    /// Another run.
    RunsStart = "runs.start", RunPlan => Run, "Have a meter watched unattended: a run belongs to the daemon, and outlives its client and a restart.";
    /// The runs there are.
    RunsList = "runs.list", ListRuns => RunsPage, "The runs there are, the latest first, a page at a time.";
    /// One run.
    RunsShow = "runs.show", ShowRun => Run, "One run, with the figures of its readings.";
    /// The end of a run.
    RunsStop = "runs.stop", StopRun => Run, "End a run, or take a planned one back; of one that repeats, the nights to come, too.";
    /// Runs as they get on.
    RunsObserve = "runs.observe", ObserveRuns => Subscribed, "Subscribe to runs.changed: how runs get on, and their alerts.";
    /// Where the page is.
    PageAddress = "page.address", Nothing => PageAddressed, "Where the daemon's local page is to be had, with the token that it asks for.";
    /// What a simulated display shows.
    StageShow = "stage.show", ShowParams => Shown, "Tell a simulated display what to show from now on.";
}

/// No params, or no result worth words: an object without members.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Nothing {}

/// Params of `hello`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct HelloParams {
    /// The client's name, echoed in the daemon's log.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub client: Option<Text>,
    /// The versions of the protocol that the client speaks; this daemon's own if absent.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub protocol: Option<Vec<u32>>,
}

/// Result of `hello`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HelloResult {
    /// The version in use.
    pub protocol: u32,
    /// The daemon's name and version.
    pub daemon: String,
    /// A UUID of this start of the daemon.
    pub instance: String,
    /// The clock that times come from.
    pub clock: ClockInfo,
    /// What a client may ask for at once.
    pub limits: Limits,
    /// The methods that this client may call: it is a guest. Absent: all of them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub may: Option<Vec<String>>,
}

/// The daemon's clock.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ClockInfo {
    /// Real or rehearsed time.
    pub kind: ClockKind,
    /// Times real time; 1 for the system's clock.
    pub speed: f64,
}

/// Kinds of clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ClockKind {
    /// The machine's clock.
    System,
    /// A clock that runs faster, for rehearsals on simulated meters.
    Simulated,
}

/// Result of `meters.list`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MetersListResult {
    /// In the order of the config.
    pub meters: Vec<Meter>,
}

/// Result of every method that subscribes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Subscribed {
    /// The subscription's id, unique on this connection.
    pub subscription: String,
}

/// Params of `meter.read`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ReadParams {
    /// The meter's id.
    pub meter: String,
    /// The integration time to use, in s; the meter's own choice if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub integration_s: Option<f64>,
    /// A reading whose exposure began no longer ago than this, in s, will do.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub max_age_s: Option<f64>,
    /// The aperture is covered: the reading is a dark one, flagged `dark`, and tells of the meter's own zero. Not with `max_age_s`.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub covered: bool,
    /// The lease that the meter is held by, if the client has one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lease: Option<String>,
    /// How long to wait while somebody else has the meter, in s, up to a day; 0 if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wait_s: Option<f64>,
}

/// Params of `meter.settle`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SettleParams {
    /// The meter's id.
    pub meter: String,
    /// What to call settled.
    #[serde(default)]
    pub criteria: Criteria,
    /// The integration time to use, in s; the meter's own choice if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub integration_s: Option<f64>,
    /// Whether to send `settle.progress`.
    #[serde(default)]
    pub progress: bool,
    /// The lease that the meter is held by, if the client has one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lease: Option<String>,
    /// How long to wait while somebody else has the meter, in s, up to a day; 0 if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wait_s: Option<f64>,
}

/// Params of `meter.zero`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ZeroParams {
    /// The meter's id.
    pub meter: String,
    /// The aperture is covered, so that no light gets in: must be true. Whatever light there is would be taken off every reading.
    #[serde(default)]
    pub covered: bool,
    /// The lease that the meter is held by, if the client has one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lease: Option<String>,
    /// How long to wait while somebody else has the meter, in s, up to a day; 0 if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wait_s: Option<f64>,
}

/// Result of `meter.zero`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Zeroed {
    /// The meter's id.
    pub meter: String,
    /// UTC at the end of zeroing.
    pub at: Timestamp,
    /// Boot clock at the end of zeroing, in s.
    pub t_s: f64,
    /// When it must be zeroed again, at the latest.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub due: Option<Timestamp>,
    /// By how much its temperature may move before it must be zeroed again, in K.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub due_within_k: Option<f64>,
    /// The temperature that this counts from, in °C; absent as long as no reading has told one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub temperature_c: Option<f64>,
}

/// Params of `meter.observe`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ObserveParams {
    /// The meter's id.
    pub meter: String,
    /// Take a reading this often, in s, if nobody else has. Absent: only watch, and cause no exposure.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub interval_s: Option<f64>,
    /// The integration time to use, in s, with `interval_s`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub integration_s: Option<f64>,
    /// First deliver from the log what came after this sequence.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub after: Option<u64>,
    /// Whether readings come with their spectra.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub spectra: bool,
    /// Deliver one reading each so many seconds, at most, and leave the others out; all of them if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub every_s: Option<f64>,
    /// The lease that the meter is held by, if the client has one; with `interval_s`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lease: Option<String>,
}

/// Params of `subscription.cancel`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SubscriptionParams {
    /// The subscription's id.
    pub subscription: String,
}

/// Params of `request.cancel`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CancelParams {
    /// The id of the request to take back.
    pub id: RequestId,
}

/// Params of `stage.show`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ShowParams {
    /// The simulated meter that looks at the display; may be left out where there is only one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub meter: Option<String>,
    /// What to show.
    pub stimulus: Stimulus,
    /// Where the meters look at the screen from now on, as shares of its width and height from the top left, each from 0 to 1; at the
    /// middle, [0.5, 0.5], if absent, whatever was told before.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position: Option<[f64; 2]>,
    /// The leases that the meters which look at the display are held by, if they are: the tokens, with commas between several. One
    /// token stands for all meters that its client has leased.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lease: Option<String>,
}

/// Result of `stage.show`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Shown {
    /// The meter that looks at the display.
    pub meter: String,
    /// UTC of the change.
    pub at: Timestamp,
    /// Boot clock of the change, in s.
    pub t_s: f64,
    /// What the display showed until then.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub before: Option<Stimulus>,
    /// Where the meters looked until then; at the middle if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub position_before: Option<[f64; 2]>,
}
