//! What a run is alarmed at: the light, its meter, the log.

use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::log::EventKind;
use settled_protocol::reading::Reading;
use settled_protocol::run::{Alert, AlertKind};

use super::super::alarm::Turn;
use super::super::{plan, words};
use super::Course;

impl Course {
    /// Holds a reading against what the run began with.
    pub(super) async fn look_at_light(&mut self, reading: &Reading) {
        let Some(reference) = self.kept.run.reference else { return };
        let (value, unit) = (reading.light.value(), reading.light.photometric().unit());
        let from = words::number(reference.value);
        match self.alarm.luminance(&reference, value) {
            Some(Turn::Raised(share)) => {
                let percent = words::number(100.0 * share);
                let value = words::number(value);
                let message =
                    format!("{value} {unit} is {percent} % off the {from} {unit} that it began with");
                self.raise(AlertKind::Luminance, message).await;
            }
            Some(Turn::Over) => {
                self.over(AlertKind::Luminance, "the light is near to what it began with again").await;
            }
            None => {}
        }
        match self.alarm.chromaticity(&reference, reading.light.chromaticity()) {
            Some(Turn::Raised(off)) => {
                let message =
                    format!("the colour is {} in u′v′ off that which it began with", words::number(off));
                self.raise(AlertKind::Chromaticity, message).await;
            }
            Some(Turn::Over) => {
                self.over(AlertKind::Chromaticity, "the colour is near to what it began with again").await;
            }
            None => {}
        }
    }

    /// Looks whether the log is written, and has room.
    pub(super) async fn look_at_log(&mut self) {
        let status = self.daemon.log.status();
        match status.room.filter(|room| room.low) {
            Some(room) => {
                let message = format!("the log has room for {} bytes more", room.left_bytes);
                self.raise(AlertKind::DiskLow, message).await;
            }
            None => self.over(AlertKind::DiskLow, "the log has room again").await,
        }
        match status.reason {
            Some(reason) => {
                self.raise(AlertKind::LogFailed, format!("the log can't be written: {reason}")).await;
            }
            None => self.over(AlertKind::LogFailed, "the log is written again").await,
        }
    }

    /// The meter gives nothing, for this reason where it is known. That is an alert once it has lasted.
    pub(in super::super) async fn miss(&mut self, why: Option<RpcError>) {
        if let Some(mut why) = why {
            // What a lease keeps from a program is told with what a program can do: nothing that helps who reads of it in the morning.
            if let Some(occupied) = self.meter.occupied().filter(|_| why.kind() == ErrorKind::Leased) {
                why.message = occupied;
            }
            self.kept.run.waiting = Some(why);
        }
        let since_s = self.elapsed_s() - self.last_s;
        if self.elapsed_s() >= self.lost_at_s() {
            let why = self.kept.run.waiting.as_ref().map(|error| format!(": {error}")).unwrap_or_default();
            let message =
                format!("{} has given no readings for {}{why}", self.meter.id(), words::span(since_s));
            self.raise(AlertKind::MeterLost, message).await;
        }
        self.get_on().await;
    }

    /// An alert, unless it stands already.
    pub(super) async fn raise(&mut self, kind: AlertKind, message: String) {
        if self.kept.run.standing.iter().any(|alert| alert.kind == kind) {
            return;
        }
        let alert = Alert { kind, at: self.daemon.clock.now().at, message };
        self.kept.run.standing.push(alert.clone());
        self.kept.run.alerts += 1;
        let detail = format!("{}: {}", plan::name(&self.kept.run), alert.message);
        self.event(EventKind::Alert, detail).await;
        self.refresh();
        self.daemon.runs.alarm(&self.kept.run, &alert);
        self.tell(Some(alert));
        self.keep().await;
    }

    /// An alert is over, if it stood.
    pub(super) async fn over(&mut self, kind: AlertKind, why: &str) {
        let before = self.kept.run.standing.len();
        self.kept.run.standing.retain(|alert| alert.kind != kind);
        if self.kept.run.standing.len() == before {
            return;
        }
        let detail =
            format!("{}: {why}; the alert about {} is over", plan::name(&self.kept.run), words::about(kind));
        self.event(EventKind::AlertOver, detail).await;
        self.refresh();
        self.tell(None);
        self.keep().await;
    }
}
