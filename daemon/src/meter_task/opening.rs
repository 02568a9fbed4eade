//! Opening a meter, and looking for it again and again while it is away.

use std::sync::Arc;
use std::time::Duration;

use settled_drivers::fault::{Fault, FaultKind, chain};
use settled_drivers::meter::{Description, Meter};
use settled_protocol::colorimetry::Method;
use settled_protocol::error::RpcError;
use settled_protocol::log::EventKind;
use settled_protocol::meter::{Instrument, Quantity, State};

use super::due::Due;
use super::shared::{Anew, Open, Published, Status};
use super::task::{RECOVERY, Task};
use crate::failure;
use crate::log::Happening;

/// Between two attempts: at first, and at most.
const BACK_OFF: (Duration, Duration) = (Duration::from_millis(250), Duration::from_secs(5));

/// It took longer than it may, where an answer to what was asked before was due for so long.
fn late(limit: Duration, due: Duration) -> Fault {
    let waited = match due {
        Duration::ZERO => String::new(),
        due => format!(" after {due:.1?} in which an answer to an earlier command could still come"),
    };
    Fault::new(FaultKind::Silent, format!("opening took longer than {limit:?}{waited}"))
}

impl Task {
    /// Opens the meter, however long it takes; nothing if the daemon stops first.
    ///
    /// The first attempt comes at once, unless the last opening was lost before it was of use: an instrument that goes as soon as
    /// it has come is looked for no more often than one that isn't there.
    pub(super) async fn open(&mut self) -> Option<Box<dyn Meter>> {
        loop {
            if !self.pause.is_zero() {
                self.back_off().await?;
            }
            self.awake().await?;
            let outcome = self.attempt().await?;
            self.pause = (2 * self.pause).clamp(BACK_OFF.0, BACK_OFF.1);
            match outcome {
                Ok(meter) => {
                    self.opened(meter.describe().clone()).await;
                    return Some(meter);
                }
                Err(fault) => self.not_opened(&fault).await,
            }
        }
    }

    /// One attempt. Requests that come meanwhile wait for its end.
    async fn attempt(&mut self) -> Option<Result<Box<dyn Meter>, Fault>> {
        let (driver, clock) = (self.tools.driver.clone(), self.tools.spans());
        let mut stop = self.tools.stop.clone();
        let (limit, due) = (driver.opening().min(RECOVERY), driver.still_due().min(RECOVERY));
        let opening = tokio::time::timeout(limit + due, driver.open(&clock));
        tokio::pin!(opening);
        loop {
            tokio::select! {
                biased;
                outcome = &mut opening => {
                    return Some(outcome.unwrap_or_else(|_| Err(late(limit, due))));
                }
                () = stop.wait() => return None,
                alive = self.attend() => if !alive { return None },
            }
        }
    }

    /// Waits before the next attempt. News that the instrument may have come, and requests for a reading (it may just have been
    /// plugged in), cut it short, but not below the shortest wait: however often either comes, attempts stay few.
    async fn back_off(&mut self) -> Option<()> {
        let mut stop = self.tools.stop.clone();
        let driver = self.tools.driver.clone();
        let arrival = driver.arrival();
        let (soon, late) = (tokio::time::sleep(BACK_OFF.0), tokio::time::sleep(self.pause));
        tokio::pin!(soon, late, arrival);
        let mut arrived = false;
        loop {
            let hurry = arrived || self.queue.len() > 0;
            tokio::select! {
                () = stop.wait() => return None,
                () = &mut soon, if hurry => break,
                () = &mut late => break,
                () = &mut arrival, if !arrived => arrived = true,
                alive = self.attend() => if !alive { return None },
            }
        }
        if arrived {
            // What was plugged in just now may need another moment, and not a long one.
            self.pause = Duration::ZERO;
        }
        Some(())
    }

    /// An opening that lasted, or gave a reading, was of use: should it be lost, the next comes at once.
    pub(super) fn look_at_use(&mut self) {
        let open_s = self.shared.status().open.as_ref().map(|open| self.tools.now_s() - open.since_s);
        if open_s.is_some_and(|open_s| open_s >= BACK_OFF.1.as_secs_f64()) {
            self.pause = Duration::ZERO;
        }
    }

    async fn opened(&mut self, description: Description) {
        let Instrument { model, serial, quantities, .. } = &description.instrument;
        let told = serial.as_ref().map_or_else(String::new, |serial| format!(", serial {serial}"));
        let mut detail = format!("opened: {model}{told}");
        if !quantities.contains(&Quantity::Spectrum) && !spectra_are_usual(self.tools.sums) {
            detail.push_str("; it gives no spectra, so observer and bandwidth_nm of its config mean nothing");
        }
        let replaced = serial.as_ref().and_then(|serial| self.shared.identified(serial));
        let replaced = replaced.map(|before| {
            format!("{model}{told} answers where the instrument with the serial {before} did: its warm-up starts anew")
        });
        let now_s = self.tools.now_s();
        let due = description.zero.map(|need| Due::new(need, self.zero_at_opening(&description.instrument)));
        let open = Open { description: description.into(), since_s: now_s, due };
        self.warming = open.warming(now_s);
        (self.failures, self.recoveries) = (0, 0);
        self.demands_from_s = f64::NEG_INFINITY;
        let status = Status { state: State::Ready, reason: None, open: Some(open), error: None };
        self.shared.change(status, now_s);
        if let Some(replaced) = replaced {
            self.shared.publish(Published::Anew { why: Anew::Replaced, t_s: now_s });
            self.note(EventKind::MeterReplaced, replaced).await;
        }
        self.note(EventKind::MeterReady, detail).await;
        self.say_zero_due().await;
    }

    /// Says so once for each new reason, and fails those who wait.
    async fn not_opened(&mut self, fault: &Fault) {
        let error = failure::rpc_error(&self.shared.id, self.shared.source, fault);
        let reason = chain(fault);
        let changed = self.shared.status().reason.as_deref() != Some(&reason);
        if changed {
            self.unusable(fault.kind(), reason.clone(), error.clone());
            self.note(EventKind::MeterFailed, reason).await;
        }
        let error = error.retry_after(BACK_OFF.1.as_secs_f64());
        self.fail_waiting(&error);
        self.shared.publish(Published::Failed { exposure: None, error: Arc::new(error) });
    }

    /// The meter can't be used: takes the state, and tells those who observe.
    pub(super) fn unusable(&mut self, kind: FaultKind, reason: String, error: RpcError) {
        self.shared.failed(kind);
        let state = if kind == FaultKind::Gone { State::Absent } else { State::Failed };
        let error = Some(error.retry_after(BACK_OFF.1.as_secs_f64()));
        self.shared.change(Status { state, reason: Some(reason), open: None, error }, self.tools.now_s());
    }

    /// Writes down that something happened to this meter; of one that is played back, that it is.
    pub(super) async fn note(&self, kind: EventKind, detail: String) {
        let detail = if self.shared.source.is_replayed() { format!("replayed: {detail}") } else { detail };
        self.tools.log.event(&self.tools.clock, Happening::about(kind, &self.shared.id, detail)).await;
    }
}

/// Whether nothing is configured that only means something for spectra.
fn spectra_are_usual(Method { observer, bandwidth_nm, .. }: Method) -> bool {
    observer.unusual().is_none() && bandwidth_nm.is_none()
}

#[cfg(test)]
mod tests;
