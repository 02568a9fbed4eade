//! Selections from the log, and what happened beside readings.

use std::borrow::Cow;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::reading::Reading;
use crate::stage::Scene;
use crate::time::Timestamp;

/// The most rows one answer holds.
pub const LARGEST_PAGE: u32 = 1000;

/// Which rows of the log. Everything is optional; rows come in rising order.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Selection {
    /// Only this meter.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub meter: Option<String>,
    /// Only this run.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub run: Option<u64>,
    /// Not before this moment.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub since: Option<Timestamp>,
    /// Before this moment.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub until: Option<Timestamp>,
    /// Only rows with a higher sequence.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub after: Option<u64>,
    /// At most this many rows, 1 to 1000; 1000 if absent.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub limit: Option<u32>,
    /// Whether readings come with their spectra; a page then holds no more of them than fit a line. Events have none.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub spectra: bool,
}

/// A page of readings.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ReadingsPage {
    /// In rising order of sequence.
    pub readings: Vec<Reading>,
    /// Ask again with `after` set to this for more; absent at the end.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub next: Option<u64>,
}

/// A page of events.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct EventsPage {
    /// In rising order of sequence.
    pub events: Vec<Event>,
    /// Ask again with `after` set to this for more; absent at the end.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub next: Option<u64>,
}

/// Something that happened.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Event {
    /// Rising within one log, never used twice; counted apart from readings.
    pub sequence: u64,
    /// UTC.
    pub at: Timestamp,
    /// Boot clock, in s.
    pub t_s: f64,
    /// The boot (or the simulated clock) that `t_s` belongs to.
    pub boot: String,
    /// What kind of thing.
    pub kind: EventKind,
    /// The meter it is about, if it is about one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub meter: Option<String>,
    /// The run it is about, if it is about one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub run: Option<u64>,
    /// One plain sentence; of `stage_shown` what was shown and where meters look, as JSON.
    pub detail: String,
}

impl Event {
    /// What happened, for people: the sentence of `detail`; where that is what a simulated display was told to show, the same in words.
    #[must_use]
    pub fn words(&self) -> Cow<'_, str> {
        let scene =
            (self.kind == EventKind::StageShown).then(|| serde_json::from_str::<Scene>(&self.detail).ok());
        scene.flatten().map_or(Cow::Borrowed(&self.detail), |scene| Cow::Owned(scene.in_words()))
    }
}

/// Kinds of event.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[schemars(rename_all = "snake_case")]
pub enum EventKind {
    /// The daemon started.
    DaemonStarted,
    /// The daemon stopped in order.
    DaemonStopped,
    /// A meter was opened.
    MeterReady,
    /// A meter that was open went away.
    MeterGone,
    /// A meter could not be opened, or is unusable.
    MeterFailed,
    /// Another instrument than the last time, by its serial number, was opened for a meter.
    MeterReplaced,
    /// An exposure gave no reading.
    ExposureFailed,
    /// UTC was set: it moved against the boot clock.
    ClockStep,
    /// The machine slept.
    Suspended,
    /// A simulated display was told to show something.
    StageShown,
    /// A correction was put in force on a meter.
    CorrectionApplied,
    /// A correction was taken out of force, or removed.
    CorrectionRemoved,
    /// A meter was zeroed.
    MeterZeroed,
    /// A meter must be zeroed.
    ZeroDue,
    /// A meter could not be zeroed.
    ZeroFailed,
    /// A recording that is played back began anew: readings before and after don't compare.
    ReplayRepeated,
    /// A recording of what passes on the meters' links ended while the daemon went on.
    RecordingEnded,
    /// A lease was lost: it was not renewed in time.
    LeaseLost,
    /// A run started.
    RunStarted,
    /// A run goes on after a restart of the daemon, or of the machine.
    RunResumed,
    /// A run ended.
    RunEnded,
    /// A run has no readings of a stretch of time though some were due.
    RunGap,
    /// Something to be alarmed at.
    Alert,
    /// It is over.
    AlertOver,
    /// The log could not be written: readings went out unlogged. Written once it can be again.
    LogFailed,
    /// The log's file was damaged: what could be saved is here.
    LogRecovered,
    /// Old readings were thinned to bins.
    LogThinned,
    /// Readings that UTC calls old are not thinned, as the log doesn't show them to be.
    ThinningHeld,
    /// The log was copied.
    LogCopied,
    /// The log's disk, or its quota, runs low.
    DiskLow,
    /// The machine is about to sleep.
    FallingAsleep,
    /// UTC had a leap second.
    LeapSecond,
    /// The machine's time zone was changed: nightly runs start by the new one.
    ZoneChanged,
    /// The config was read anew.
    ConfigReloaded,
    /// A task of the daemon ended where it should not have, and was started again.
    TaskRestarted,
    /// A kind of a later version of the protocol.
    #[serde(other)]
    Unknown,
}

impl EventKind {
    /// Every kind of this version.
    pub const ALL: [Self; 35] = [
        Self::DaemonStarted,
        Self::DaemonStopped,
        Self::MeterReady,
        Self::MeterGone,
        Self::MeterFailed,
        Self::MeterReplaced,
        Self::ExposureFailed,
        Self::ClockStep,
        Self::Suspended,
        Self::StageShown,
        Self::CorrectionApplied,
        Self::CorrectionRemoved,
        Self::MeterZeroed,
        Self::ZeroDue,
        Self::ZeroFailed,
        Self::ReplayRepeated,
        Self::RecordingEnded,
        Self::LeaseLost,
        Self::RunStarted,
        Self::RunResumed,
        Self::RunEnded,
        Self::RunGap,
        Self::Alert,
        Self::AlertOver,
        Self::LogFailed,
        Self::LogRecovered,
        Self::LogThinned,
        Self::ThinningHeld,
        Self::LogCopied,
        Self::DiskLow,
        Self::FallingAsleep,
        Self::LeapSecond,
        Self::ZoneChanged,
        Self::ConfigReloaded,
        Self::TaskRestarted,
    ];

    /// Whether somebody should look at it.
    #[must_use]
    pub fn is_trouble(self) -> bool {
        match self {
            Self::MeterGone
            | Self::MeterFailed
            | Self::ExposureFailed
            | Self::ZeroFailed
            | Self::RecordingEnded
            | Self::LeaseLost
            | Self::RunGap
            | Self::Alert
            | Self::LogFailed
            | Self::LogRecovered
            | Self::DiskLow
            | Self::ThinningHeld
            | Self::TaskRestarted => true,
            Self::DaemonStarted
            | Self::DaemonStopped
            | Self::MeterReady
            | Self::MeterReplaced
            | Self::ClockStep
            | Self::Suspended
            | Self::StageShown
            | Self::CorrectionApplied
            | Self::CorrectionRemoved
            | Self::MeterZeroed
            | Self::ZeroDue
            | Self::ReplayRepeated
            | Self::RunStarted
            | Self::RunResumed
            | Self::RunEnded
            | Self::AlertOver
            | Self::LogThinned
            | Self::LogCopied
            | Self::FallingAsleep
            | Self::LeapSecond
            | Self::ZoneChanged
            | Self::ConfigReloaded
            | Self::Unknown => false,
        }
    }

    /// The kind in words.
    #[must_use]
    pub fn words(self) -> String {
        self.name().replace('_', " ")
    }

    /// The kind as it is written on the wire.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::DaemonStarted => "daemon_started",
            Self::DaemonStopped => "daemon_stopped",
            Self::MeterReady => "meter_ready",
            Self::MeterGone => "meter_gone",
            Self::MeterFailed => "meter_failed",
            Self::MeterReplaced => "meter_replaced",
            Self::ExposureFailed => "exposure_failed",
            Self::ClockStep => "clock_step",
            Self::Suspended => "suspended",
            Self::StageShown => "stage_shown",
            Self::CorrectionApplied => "correction_applied",
            Self::CorrectionRemoved => "correction_removed",
            Self::MeterZeroed => "meter_zeroed",
            Self::ZeroDue => "zero_due",
            Self::ZeroFailed => "zero_failed",
            Self::ReplayRepeated => "replay_repeated",
            Self::RecordingEnded => "recording_ended",
            Self::LeaseLost => "lease_lost",
            Self::RunStarted => "run_started",
            Self::RunResumed => "run_resumed",
            Self::RunEnded => "run_ended",
            Self::RunGap => "run_gap",
            Self::Alert => "alert",
            Self::AlertOver => "alert_over",
            Self::LogFailed => "log_failed",
            Self::LogRecovered => "log_recovered",
            Self::LogThinned => "log_thinned",
            Self::ThinningHeld => "thinning_held",
            Self::LogCopied => "log_copied",
            Self::DiskLow => "disk_low",
            Self::FallingAsleep => "falling_asleep",
            Self::LeapSecond => "leap_second",
            Self::ZoneChanged => "zone_changed",
            Self::ConfigReloaded => "config_reloaded",
            Self::TaskRestarted => "task_restarted",
            Self::Unknown => "unknown",
        }
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn words(kind: &str, detail: &str) -> String {
        let event = json!({ "sequence": 1, "at": "2026-11-26T18:30:00Z", "t_s": 1.0, "boot": "b", "kind": kind, "detail": detail });
        serde_json::from_value::<Event>(event).unwrap().words().into_owned()
    }

    #[test]
    fn what_was_shown_is_told_in_words_and_all_else_as_it_is() {
        let shown =
            json!({ "colour": [512, 512, 512], "background": [0, 0, 0], "bits": 10, "window_percent": 10.0 });
        let told = "512,512,512 in a window of 10 % on 0,0,0 (10-bit code values)";
        assert_eq!(words("stage_shown", &shown.to_string()), told);
        let mut aside = shown.clone();
        aside["position"] = json!([0.1, 0.5]);
        let looked_at = format!("{told}, looked at 10 % from the left and 50 % from the top");
        assert_eq!(words("stage_shown", &aside.to_string()), looked_at);
        assert_eq!(words("run_started", &shown.to_string()), shown.to_string());
        assert_eq!(words("stage_shown", "not JSON"), "not JSON");
        assert_eq!(EventKind::StageShown.words(), "stage shown");
    }
}
