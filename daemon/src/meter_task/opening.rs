//! Opening a meter, and looking for it again and again while it is away.

use std::sync::Arc;
use std::time::Duration;

use settled_drivers::fault::{Fault, FaultKind, chain};
use settled_drivers::meter::{Description, Meter};
use settled_protocol::error::RpcError;
use settled_protocol::log::EventKind;
use settled_protocol::meter::State;

use super::due::Due;
use super::shared::{Open, Published, Status};
use super::task::{RECOVERY, Task};
use crate::failure;
use crate::log::Happening;

/// The longest that opening may take, identification and start-up commands included, once nothing is due any more.
const OPENING: Duration = Duration::from_secs(20);

/// Between two attempts: at first, and at most.
const BACK_OFF: (Duration, Duration) = (Duration::from_millis(250), Duration::from_secs(5));

/// It took longer than it may, where an answer to what was asked before was due for so long.
fn late(due: Duration) -> Fault {
    let waited = match due {
        Duration::ZERO => String::new(),
        due => format!(" after {due:.1?} in which an answer to an earlier command could still come"),
    };
    Fault::new(FaultKind::Silent, format!("opening took longer than {OPENING:?}{waited}"))
}

impl Task {
    /// Opens the meter, however long it takes; nothing if the daemon stops first.
    pub(super) async fn open(&mut self) -> Option<Box<dyn Meter>> {
        let mut pause = BACK_OFF.0;
        loop {
            match self.attempt().await? {
                Ok(meter) => {
                    self.opened(meter.describe().clone()).await;
                    return Some(meter);
                }
                Err(fault) => self.not_opened(&fault).await,
            }
            self.back_off(pause).await?;
            pause = (pause * 2).min(BACK_OFF.1);
        }
    }

    /// One attempt. Requests that come meanwhile wait for its end.
    async fn attempt(&mut self) -> Option<Result<Box<dyn Meter>, Fault>> {
        let (driver, clock) = (self.tools.driver.clone(), self.tools.spans());
        let mut stop = self.tools.stop.clone();
        let due = driver.still_due().min(RECOVERY);
        let opening = tokio::time::timeout(OPENING + due, driver.open(&clock));
        tokio::pin!(opening);
        loop {
            tokio::select! {
                biased;
                outcome = &mut opening => {
                    return Some(outcome.unwrap_or_else(|_| Err(late(due))));
                }
                () = stop.wait() => return None,
                alive = self.attend() => if !alive { return None },
            }
        }
    }

    /// Waits before the next attempt. A request for a reading cuts it short: the meter may just have been plugged in.
    async fn back_off(&mut self, pause: Duration) -> Option<()> {
        let mut stop = self.tools.stop.clone();
        let driver = self.tools.driver.clone();
        let arrival = driver.arrival();
        let (soon, late) = (tokio::time::sleep(BACK_OFF.0), tokio::time::sleep(pause));
        tokio::pin!(soon, late, arrival);
        loop {
            let asked = self.queue.len() > 0;
            tokio::select! {
                () = stop.wait() => return None,
                () = &mut late => return Some(()),
                () = &mut arrival => return Some(()),
                () = &mut soon, if asked => return Some(()),
                alive = self.attend() => if !alive { return None },
            }
        }
    }

    async fn opened(&mut self, description: Description) {
        let detail = format!("opened: {}", description.instrument.model);
        let now_s = self.tools.now_s();
        let due = description.zero.map(|need| Due::new(need, self.zero_at_opening(&description.instrument)));
        let open = Open { description: description.into(), since_s: now_s, due };
        self.warming = open.warming(now_s);
        (self.failures, self.recoveries) = (0, 0);
        self.demands_from_s = f64::NEG_INFINITY;
        let status = Status { state: State::Ready, reason: None, open: Some(open), error: None };
        self.shared.change(status, now_s);
        self.note(EventKind::MeterReady, detail).await;
        self.say_zero_due().await;
    }

    /// Says so once for each new reason, and fails those who wait.
    async fn not_opened(&mut self, fault: &Fault) {
        let error = failure::rpc_error(&self.shared.id, fault);
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
        self.shared.faults.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
        let state = if kind == FaultKind::Gone { State::Absent } else { State::Failed };
        let error = Some(error.retry_after(BACK_OFF.1.as_secs_f64()));
        self.shared.change(Status { state, reason: Some(reason), open: None, error }, self.tools.now_s());
    }

    /// Writes down that something happened to this meter.
    pub(super) async fn note(&self, kind: EventKind, detail: String) {
        self.tools.log.event(&self.tools.clock, Happening::about(kind, &self.shared.id, detail)).await;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_opening_that_took_too_long_tells_what_was_waited_for() {
        assert_eq!(late(Duration::ZERO).to_string(), "opening took longer than 20s");
        let waited = late(Duration::from_millis(93_500)).to_string();
        assert!(
            waited.starts_with("opening took longer than 20s after 93.5s in which an answer"),
            "{waited}"
        );
    }
}
