//! Zeroing a meter, and saying when it must be.
//!
//! It is a turn of its own: no exposure overlaps with it, and what is asked for meanwhile waits. Once it has begun it goes on to
//! its end, whoever still waits for it.

use std::sync::Arc;
use std::sync::atomic::Ordering;

use settled_drivers::fault::{Fault, FaultKind, chain};
use settled_drivers::meter::Meter;
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::log::EventKind;
use settled_protocol::meter::Instrument;
use settled_protocol::method::Zeroed;

use super::ZeroReply;
use super::due::{Due, Last};
use super::shared::{Anew, Published};
use super::task::Task;
use crate::failure;
use crate::log::Which;

/// The error of a meter that must be zeroed before it gives any reading.
pub(super) fn needed(meter: &str, due: &Due) -> RpcError {
    let why = due.why();
    let message =
        format!("{meter} must be zeroed first ({why}): cover its aperture, then settle zero {meter}");
    RpcError::new(ErrorKind::ZeroNeeded, message).about(meter)
}

impl Task {
    /// Looks at how the meter stands with its zero, or changes it; nothing if it can't be zeroed, or isn't open.
    pub(super) fn due<T>(&self, of: impl FnOnce(&mut Due) -> T) -> Option<T> {
        self.shared.status().open.as_mut()?.due.as_mut().map(of)
    }

    /// What is known of a meter's zero as it is opened. Of one that is played back nothing: the zero that is known is that of the
    /// instrument, or of the simulation, that calls itself the same.
    pub(super) fn zero_at_opening(&self, instrument: &Instrument) -> Option<Last> {
        if self.shared.source.is_replayed() {
            return None;
        }
        let clock = &self.tools.clock;
        let kept = self.tools.log.zero(&Which::new(&self.shared.id, instrument))?;
        Last::kept(&kept, clock.now(), clock.boot())
    }

    /// Zeroes the meter. A fault means that it is lost.
    pub(super) async fn zero(&mut self, meter: &mut dyn Meter) -> Result<(), Fault> {
        let Some(reply) = self.queue.take_zero() else { return Ok(()) };
        self.shared.waiting.store(self.queue.len(), Ordering::Relaxed);
        if self.due(|_| ()).is_none() {
            let why = if self.shared.source.is_replayed() {
                "is played back from readings that were taken already, and can't be zeroed any more"
            } else {
                "has no way to zero itself that this daemon knows of"
            };
            let message = format!("{} {why}", self.shared.id);
            let error = RpcError::new(ErrorKind::Unsupported, message).about(&self.shared.id);
            let _waiting = reply.send(Err(error)).is_ok();
            return Ok(());
        }
        self.shared.zeroing.store(true, Ordering::Relaxed);
        self.shared.announce(self.tools.now_s());
        let before = self.due(|due| due.last()).flatten();
        if before.is_some() {
            // Should this task, or the daemon, not live to see its end, nobody knows what it did.
            self.keep_zero(None, true).await;
        }
        let deadline = meter.zero_deadline();
        let late = || Fault::new(FaultKind::Silent, format!("not zeroed within {deadline:?}"));
        let outcome = self.meanwhile(tokio::time::timeout(deadline, meter.zero())).await;
        self.shared.zeroing.store(false, Ordering::Relaxed);
        match outcome.unwrap_or_else(|_| Err(late())) {
            Ok(()) => {
                (self.failures, self.recoveries) = (0, 0);
                let zeroed = self.zeroed().await;
                // A client that has cancelled doesn't wait any more.
                let _waiting = reply.send(Ok(zeroed)).is_ok();
                Ok(())
            }
            Err(fault) => self.not_zeroed(meter, fault, before, reply).await,
        }
    }

    /// The meter has been zeroed: keeps that, and says so.
    async fn zeroed(&mut self) -> Zeroed {
        let moment = self.tools.clock.now();
        let (last, zero) = self.due(|due| (due.zeroed(moment), due.zero(moment.t_s))).unzip();
        self.offset_changed(last).await;
        let due = zero.as_ref().and_then(|zero| zero.due);
        let next =
            due.map_or_else(String::new, |due| format!("; the next is due at {:.19}Z", due.to_string()));
        self.note(EventKind::MeterZeroed, format!("zeroed{next}")).await;
        Zeroed {
            meter: self.shared.id.clone(),
            at: moment.at,
            t_s: moment.t_s,
            due,
            due_within_k: zero.and_then(|zero| zero.due_within_k),
            temperature_c: last.and_then(Last::celsius),
        }
    }

    /// The meter could not be zeroed: says so, and brings it back to order. Where it may have been all the same, the offset before
    /// counts no more.
    async fn not_zeroed(
        &mut self,
        meter: &mut dyn Meter,
        fault: Fault,
        before: Option<Last>,
        reply: ZeroReply,
    ) -> Result<(), Fault> {
        if fault.kind().is_failure() {
            self.shared.failed(fault.kind());
            self.note(EventKind::ZeroFailed, chain(&fault)).await;
        }
        if fault.kind().needs_recovery() || fault.kind().needs_reopening() {
            self.due(Due::forget);
            self.offset_changed(None).await;
        } else {
            if before.is_some() {
                self.keep_zero(before, true).await;
            }
            self.shared.announce(self.tools.now_s());
        }
        let _waiting =
            reply.send(Err(failure::rpc_error(&self.shared.id, self.shared.source, &fault))).is_ok();
        self.bring_back(meter, fault).await
    }

    /// Readings from before and from now on don't compare: keeps the zero that counts now, if any does, gives out what was taken
    /// before, and says so.
    async fn offset_changed(&mut self, last: Option<Last>) {
        self.keep_zero(last, true).await;
        self.deliver_all().await;
        self.zero_due_said = false;
        let t_s = self.tools.now_s();
        self.shared.publish(Published::Anew { why: Anew::Zeroed, t_s });
        self.shared.announce(t_s);
    }

    /// Keeps it under what the instrument calls itself; nothing of one that is played back, whose zero counts until it is closed.
    async fn keep_zero(&mut self, last: Option<Last>, durably: bool) {
        if self.shared.source.is_replayed() {
            return;
        }
        let Some(open) = self.shared.status().open.clone() else { return };
        let which = Which::new(&self.shared.id, &open.description.instrument);
        let zero = last.map(|last| last.to_keep(self.tools.clock.boot()));
        let written = self.tools.log.keep_zero(which, zero).await;
        if durably {
            // It ends where it can't be written, too.
            let _written = self.meanwhile(written).await.is_ok();
        }
    }

    /// Takes note of the meter's temperature at `t_s`, as a reading tells it.
    pub(super) async fn feel(&mut self, t_s: f64, temperature_c: Option<f64>) {
        let known = temperature_c.and_then(|celsius| self.due(|due| due.told(t_s, celsius))?);
        if known.is_some() {
            self.keep_zero(known, false).await;
        }
    }

    /// Says once that the meter must be zeroed, as soon as that is so.
    pub(super) async fn look_at_zero(&mut self) {
        let now_s = self.tools.now_s();
        let is_due = self.due(|due| due.is_due(now_s)).unwrap_or(false);
        if is_due && !self.zero_due_said {
            self.shared.announce(now_s);
            self.say_zero_due().await;
        }
    }

    /// Says that the meter must be zeroed, if it must.
    pub(super) async fn say_zero_due(&mut self) {
        let now_s = self.tools.now_s();
        let why = self.due(|due| due.is_due(now_s).then(|| due.why())).flatten();
        self.zero_due_said = why.is_some();
        let Some(why) = why else { return };
        self.note(EventKind::ZeroDue, format!("must be zeroed: {why}")).await;
        if let Some(error) = self.refusal() {
            self.shared.publish(Published::Refused(Arc::new(error)));
        }
    }

    /// What a request for a reading gets while the meter must be zeroed first.
    pub(super) fn refusal(&self) -> Option<RpcError> {
        self.shared.zero_needed(self.tools.now_s())
    }

    /// Calls off the requests for readings that wait, while the meter must be zeroed first. Whether it must.
    pub(super) fn refuse(&mut self) -> bool {
        let Some(error) = self.refusal() else { return false };
        for reply in self.queue.drain() {
            let _waiting = reply.send(Err(error.clone())).is_ok();
        }
        self.shared.waiting.store(self.queue.len(), Ordering::Relaxed);
        true
    }
}
