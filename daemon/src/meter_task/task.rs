//! The task that owns a meter: it exposes, gives out what came of it, and looks after a meter that fails.

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use settled_drivers::clock::Clock as Spans;
use settled_drivers::driver::Driver;
use settled_drivers::fault::{Fault, FaultKind, chain};
use settled_drivers::meter::Meter;
use settled_drivers::sample::{Exposure, Sample};
use settled_protocol::colorimetry::Method;
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::log::EventKind;
use tokio::sync::OwnedMutexGuard;

use super::commit::answer;
use super::gather::Gather;
use super::limited::Limited;
use super::queue::{Audience, Next, Queue};
use super::rounds::Rounds;
use super::shared::{Published, Shared};
use super::stamp::{Stamp, stamped};
use super::summed::{Summed, Summing};
use super::through::Reads;
use super::{Belongings, Kept, MeterHandle};
use crate::clock::Clock;
use crate::failure;
use crate::log::Log;
use crate::power::{Rest, Resting};
use crate::stop::Stop;

/// The longest that bringing a meter back to order may take, whatever the meter itself says ([`Limited`] holds it to that).
pub(super) const RECOVERY: Duration = Duration::from_secs(2 * 3600);

/// The longest that closing a meter may take.
const CLOSING: Duration = Duration::from_secs(5);

/// Exposures without an answer, or with one that makes no sense, and no reading between them, before the meter is closed
/// and opened anew.
const MOST_RECOVERIES: u32 = 5;

/// The longest that demands wait after a failure, in s.
const LONGEST_PAUSE_S: f64 = 5.0;

/// How long demands wait that the meter refuses because it can't do such a thing, in s: it may be another instrument by
/// then.
const REFUSED_PAUSE_S: f64 = 1.0;

/// What a task works with.
#[derive(Clone, Debug)]
pub(crate) struct Tools {
    pub(crate) driver: Arc<dyn Driver>,
    /// How spectra are summed up.
    pub(crate) sums: Method,
    pub(crate) clock: Arc<Clock>,
    pub(crate) log: Log,
    /// When the machine sleeps.
    pub(crate) rest: Rest,
    pub(crate) stop: Stop,
}

impl Tools {
    pub(crate) fn now_s(&self) -> f64 {
        self.clock.now_s()
    }

    pub(super) fn spans(&self) -> Arc<dyn Spans> {
        self.clock.clone()
    }
}

/// The task.
#[derive(Debug)]
pub(crate) struct Task {
    pub(super) tools: Tools,
    pub(super) shared: Arc<Shared>,
    pub(super) queue: Queue,
    pub(super) gather: Gather,
    /// Exposures in a row that failed.
    pub(super) failures: u32,
    /// Those of them after which the meter had to be brought back to order.
    pub(super) recoveries: u32,
    pub(super) demands_from_s: f64,
    /// Before the next attempt to open it; none if that may come at once.
    pub(super) pause: Duration,
    pub(super) warming: bool,
    /// When the first of those has waited long enough whom a lease keeps waiting, in s, or earlier.
    pub(super) looks_at_lease_s: f64,
    summing: Summing,
    /// It was said that the meter must be zeroed.
    pub(super) zero_due_said: bool,
    /// How often what is played back has begun anew.
    pub(super) rounds: Rounds,
    /// When the machine sleeps, as this meter is told.
    pub(super) resting: Resting,
    /// What the next task takes over should this one panic.
    pub(super) kept: OwnedMutexGuard<Belongings>,
}

/// The beginning of an exposure.
struct Began {
    at_s: f64,
    /// The correction that was in force then: a reading never mixes two.
    reads: Option<Reads>,
}

/// Why a meter is no longer served.
enum End {
    Stopped,
    Lost(Fault),
    /// The machine sleeps, or has slept.
    Rest,
}

impl Task {
    /// Takes over what the meter's task before this one has left.
    pub(crate) async fn new(handle: &MeterHandle, kept: Kept, tools: Tools) -> Self {
        let now_s = tools.now_s();
        handle.shared.desk.begin_anew();
        Self {
            summing: Summing::new(tools.sums),
            rounds: Rounds::after(tools.driver.rounds()),
            resting: tools.rest.resting(),
            tools,
            shared: Arc::clone(&handle.shared),
            queue: Queue::default(),
            gather: Gather::default(),
            failures: 0,
            recoveries: 0,
            demands_from_s: now_s,
            pause: Duration::ZERO,
            warming: false,
            looks_at_lease_s: f64::INFINITY,
            zero_due_said: false,
            kept: kept.0.lock_owned().await,
        }
    }

    /// Owns the meter until the daemon stops.
    pub(crate) async fn run(mut self) {
        // Should the meter be away, a lease that was taken before counts all the same.
        self.look_at_lease();
        while let Some(mut meter) = self.open().await {
            let busy = self.resting.open();
            let end = self.serve(meter.as_mut()).await;
            self.look_at_use();
            // Closing must not hold up anything: a meter that doesn't let go is dropped.
            let _closed = tokio::time::timeout(CLOSING, meter.close()).await.is_ok();
            match end {
                End::Stopped => break,
                End::Lost(fault) => self.lost(&fault).await,
                End::Rest => self.rest(busy).await,
            }
        }
        self.finish().await;
    }

    async fn serve(&mut self, meter: &mut dyn Meter) -> End {
        let mut stop = self.tools.stop.clone();
        loop {
            while let Ok(message) = self.kept.inbox.try_recv() {
                self.accept(message);
            }
            if stop.has_come() || self.kept.inbox.is_closed() {
                return End::Stopped;
            }
            if self.resting.is_due() {
                return End::Rest;
            }
            self.look_at_zero().await;
            self.look_at_lease();
            let demands_from_s = if self.refuse() { f64::INFINITY } else { self.demands_from_s };
            match self.next(demands_from_s) {
                Next::Zero => {
                    if let Err(fault) = self.zero(meter).await {
                        return End::Lost(fault);
                    }
                }
                Next::Expose(exposure) if !self.kept.commits.is_full() => {
                    if let Err(fault) = self.expose(meter, exposure).await {
                        return End::Lost(fault);
                    }
                }
                Next::Wait(until_s) => {
                    if let Some(fault) = self.wait(meter, until_s, &mut stop).await {
                        return End::Lost(fault);
                    }
                }
                // Nothing is asked for; or the disk is behind, and it goes on once that has caught up.
                Next::Idle | Next::Expose(_) => {
                    if let Some(fault) = self.wait(meter, f64::INFINITY, &mut stop).await {
                        return End::Lost(fault);
                    }
                }
            }
        }
    }

    /// Waits for whatever comes first: work, the end of the meter's warm-up, the moment from which on it must be zeroed, the
    /// daemon's end, or the meter's departure, which is returned.
    async fn wait(&mut self, meter: &mut dyn Meter, until_s: f64, stop: &mut Stop) -> Option<Fault> {
        let warm_at_s = self.shared.status().open.as_ref().map(super::shared::Open::warm_at_s);
        let until_s = warm_at_s.filter(|_| self.warming).unwrap_or(f64::INFINITY).min(until_s);
        let due_s = self.due(|due| due.due_s()).filter(|_| !self.zero_due_said);
        let until_s = due_s.unwrap_or(f64::INFINITY).min(until_s);
        let clock = Arc::clone(&self.tools.clock);
        let mut resting = self.resting.clone();
        let departed = tokio::select! {
            _ = self.attend() => None,
            () = stop.wait() => None,
            () = resting.due() => None,
            () = clock.sleep_until(until_s), if until_s.is_finite() => None,
            fault = meter.departed() => Some(fault),
        };
        self.look_at_warm_up();
        departed
    }

    /// Tells those who observe when the meter's own warm-up is over.
    fn look_at_warm_up(&mut self) {
        let now_s = self.tools.now_s();
        let warming = self.shared.status().open.as_ref().is_some_and(|open| open.warming(now_s));
        if std::mem::replace(&mut self.warming, warming) && !warming {
            self.shared.announce(now_s);
        }
    }

    /// One exposure as somebody asks for it, to the hand-over of what came of it. A fault means that the meter is lost.
    async fn expose(&mut self, meter: &mut dyn Meter, asked: Exposure) -> Result<(), Fault> {
        let began_s = self.tools.now_s();
        self.gather.begins(began_s);
        let audience = self.queue.take(asked, began_s);
        let began = Began { at_s: began_s, reads: self.shared.reads(began_s) };
        self.shared.waiting.store(self.queue.len(), Ordering::Relaxed);
        self.shared.exposing.store(true, Ordering::Relaxed);
        let outcome = self.measure(meter, audience.exposed.exposure).await;
        self.shared.exposing.store(false, Ordering::Relaxed);
        self.shared.exposures.fetch_add(1, Ordering::Relaxed);
        self.look_at_rounds(began_s).await;
        let outcome = outcome.and_then(|sample| Ok((self.summing.sum(&sample.seen)?, sample)));
        match outcome {
            Ok((summed, sample)) => {
                self.hand_over(&sample, summed, began, audience).await;
                Ok(())
            }
            Err(fault) => self.failed(meter, fault, audience).await,
        }
    }

    /// The exposure itself, within the meter's deadline.
    async fn measure(&mut self, meter: &mut dyn Meter, exposure: Exposure) -> Result<Sample, Fault> {
        let deadline = meter.deadline(exposure);
        let late = || Fault::new(FaultKind::Silent, format!("no reading within {deadline:?}"));
        let outcome = self.meanwhile(tokio::time::timeout(deadline, meter.measure(exposure))).await;
        outcome.unwrap_or_else(|_| Err(late()))
    }

    /// Brings the meter back to order, which may take as long as an answer is due.
    async fn recover(&mut self, meter: &mut dyn Meter) -> Result<(), Fault> {
        let late = || {
            let detail = format!("bringing it back to order took longer than {RECOVERY:?}");
            Fault::new(FaultKind::Silent, detail)
        };
        let outcome = self.meanwhile(tokio::time::timeout(RECOVERY, meter.recover())).await;
        outcome.unwrap_or_else(|_| Err(late()))
    }

    async fn hand_over(&mut self, sample: &Sample, summed: Summed, began: Began, audience: Audience) {
        (self.failures, self.recoveries) = (0, 0);
        self.pause = Duration::ZERO;
        self.look_at_warm_up();
        let ended = self.tools.clock.now();
        self.feel(ended.t_s, sample.temperature_c).await;
        self.look_at_zero().await;
        if let Some(error) = self.refusal() {
            return answer(audience, &Err(error));
        }
        let Some(open) = self.shared.status().open.clone() else { return };
        let stamp = Stamp {
            meter: &self.shared.id,
            boot: self.tools.clock.boot(),
            began_s: began.at_s,
            ended,
            warming: self.warming,
            zero_overdue: open.due.as_ref().is_some_and(|due| due.is_due(ended.t_s)),
            source: self.shared.source,
            shared: audience.size > 1,
            dark: audience.covered,
            reads: began.reads.as_ref(),
        };
        let runs = audience.runs.clone();
        let mut draft = stamped(sample, summed.light, &open.description, &stamp);
        summed.label(&mut draft);
        draft.runs = runs;
        self.gather.exposed(audience.exposed, audience.clients(), began.at_s, ended.t_s);
        self.kept.commits.send(&self.tools.log, &self.shared, draft, audience).await;
        // A meter that answers at once must not keep everyone else waiting.
        tokio::task::yield_now().await;
    }

    /// An exposure gave no reading: says so, and brings the meter back to order. A fault means that it is lost.
    async fn failed(&mut self, meter: &mut dyn Meter, fault: Fault, audience: Audience) -> Result<(), Fault> {
        let error = failure::rpc_error(&self.shared.id, self.shared.source, &fault);
        if fault.kind().is_failure() {
            self.shared.failed(fault.kind());
            self.note(EventKind::ExposureFailed, chain(&fault)).await;
        }
        let (exposed, kind) = (audience.exposed, fault.kind());
        let is_too_long =
            exposed.lengthened_s().is_some() && !kind.needs_recovery() && !kind.needs_reopening();
        let audience = if is_too_long { self.queue.shorten(audience) } else { audience };
        self.shared.waiting.store(self.queue.len(), Ordering::Relaxed);
        if !fault.kind().is_failure() || is_too_long {
            self.queue.postpone(audience.exposed, self.tools.now_s() + REFUSED_PAUSE_S);
        }
        answer(audience, &Err(error.clone()));
        self.shared.publish(Published::Failed { exposure: Some(exposed), error: Arc::new(error) });
        if is_too_long {
            // Nobody asked for one as long as that: those who want readings to go on don't wait.
            tokio::task::yield_now().await;
            return Ok(());
        }
        self.bring_back(meter, fault).await
    }

    /// Brings the meter back to order after a fault, and lets demands wait for a while. A fault means that it is lost.
    pub(super) async fn bring_back(&mut self, meter: &mut dyn Meter, fault: Fault) -> Result<(), Fault> {
        if fault.kind().needs_reopening() {
            return Err(fault);
        }
        if !fault.kind().is_failure() {
            // Nothing was exposed, so nothing was waited for: others must have their turn all the same.
            tokio::task::yield_now().await;
            return Ok(());
        }
        self.failures += 1;
        let pause_s = (0.25 * f64::from(1_u32 << self.failures.min(5))).min(LONGEST_PAUSE_S);
        self.demands_from_s = self.tools.now_s() + pause_s;
        if !fault.kind().needs_recovery() {
            return Ok(());
        }
        self.recoveries += 1;
        if self.recoveries >= MOST_RECOVERIES {
            return Err(fault);
        }
        self.recover(&mut Limited::new(meter, self.tools.stop.clone())).await
    }

    /// The meter is gone, or has to be opened anew.
    async fn lost(&mut self, fault: &Fault) {
        let error = failure::rpc_error(&self.shared.id, self.shared.source, fault);
        let kind =
            if fault.kind() == FaultKind::Gone { EventKind::MeterGone } else { EventKind::MeterFailed };
        self.unusable(fault.kind(), chain(fault), error.clone());
        self.note(kind, chain(fault)).await;
        // What it saw comes before the news, and is no other's that may take its place.
        self.deliver_all().await;
        self.shared.publish(Published::Failed { exposure: None, error: Arc::new(error) });
    }

    pub(super) fn fail_waiting(&mut self, error: &RpcError) {
        for reply in self.queue.drain() {
            let _waiting = reply.send(Err(error.clone())).is_ok();
        }
        for reply in self.queue.drain_zeros() {
            let _waiting = reply.send(Err(error.clone())).is_ok();
        }
        self.shared.waiting.store(0, Ordering::Relaxed);
    }

    /// The daemon stops: what has been measured still goes out, what has not is refused.
    async fn finish(&mut self) {
        self.kept.commits.deliver_all(&self.shared).await;
        let error = RpcError::new(ErrorKind::ShuttingDown, "the daemon is stopping").about(&self.shared.id);
        self.fail_waiting(&error);
        self.shared.desk.refuse_all(&error);
    }
}
