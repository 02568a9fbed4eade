//! What others may know of a meter without asking its task: its state, and its readings as they come.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, AtomicUsize, Ordering};
use std::sync::{Mutex, MutexGuard, PoisonError};

use serde_json::value::{RawValue, to_raw_value};
use settled_drivers::driver::{Driver, Source};
use settled_drivers::fault::FaultKind;
use settled_drivers::meter::Description;
use settled_drivers::sample::Exposure;
use settled_protocol::colorimetry::Method;
use settled_protocol::error::RpcError;
use settled_protocol::meter::{Meter, Quantity, State, WarmUp};
use settled_protocol::reading::{Flag, Reading};
use settled_protocol::settling::Verdict;
use tokio::sync::broadcast;

use super::due::Due;
use super::fan::Fan;
use super::lease::Desk;
use super::queue::Exposed;
use super::through::{Reads, Through};
use super::unlogged::Unlogged;
use super::zeroing;
use crate::clock::Clock;
use crate::metrics::counts::Tally;
use crate::settle::mover::Darks;

/// Readings that a subscriber inside the daemon may lag behind. They forward at once, so this is a scheduling hiccup's
/// worth; a reading takes some 500 bytes, one with a spectrum of 401 values some 15 kB.
const READINGS: usize = 256;

/// Changes of state that a subscriber inside the daemon may lag behind.
const CHANGES: usize = 64;

/// A reading as it was logged, and its JSON: serialised once, for everyone; one with a spectrum once with it and once without.
#[derive(Debug)]
pub struct Logged {
    /// The reading.
    pub reading: Reading,
    /// The same as JSON, without its spectrum.
    lean: Box<RawValue>,
    /// With it, if it has one.
    whole: Option<Box<RawValue>>,
}

#[cfg(test)]
thread_local! {
    /// Readings that this thread has serialised.
    pub(crate) static SERIALISED: std::cell::Cell<usize> = const { std::cell::Cell::new(0) };
}

impl Logged {
    /// Serialises a reading.
    ///
    /// # Errors
    /// Never in practice: a reading holds nothing that JSON can't.
    pub fn new(reading: Reading) -> serde_json::Result<Self> {
        #[cfg(test)]
        SERIALISED.with(|count| count.set(count.get() + 1));
        let all = to_raw_value(&reading)?;
        if reading.spectrum.is_none() {
            return Ok(Self { reading, lean: all, whole: None });
        }
        let lean = to_raw_value(&Reading { spectrum: None, ..reading.clone() })?;
        Ok(Self { reading, lean, whole: Some(all) })
    }

    /// The reading as JSON, with or without its spectrum.
    #[must_use]
    pub fn json(&self, spectra: bool) -> &RawValue {
        self.whole.as_ref().filter(|_| spectra).unwrap_or(&self.lean)
    }
}

/// What a meter's task makes known.
#[derive(Clone, Debug)]
pub enum Published {
    /// A reading, and how it was exposed.
    Reading {
        /// How it was exposed, and what requests that serves.
        exposure: Exposed,
        /// The reading.
        logged: Arc<Logged>,
        /// The token of the lease that was in force as its exposure began: what others see of the light then is none of their own
        /// measurement, as its holder may have changed it.
        lease: Option<Arc<str>>,
    },
    /// An exposure that gave none; or, about the meter as a whole, one that went away or whose task was restarted: who wants readings
    /// to go on must say so again.
    Failed {
        /// How it was exposed; absent if it is about the meter as a whole.
        exposure: Option<Exposed>,
        /// Why.
        error: Arc<RpcError>,
    },
    /// Readings before and after don't compare.
    Anew {
        /// Why.
        why: Anew,
        /// Since when, in s.
        t_s: f64,
    },
    /// The meter gives no readings until it has been zeroed; demands are met again then.
    Refused(Arc<RpcError>),
    /// A lease has begun, or ended: who may have readings is another question from now on.
    Leased,
}

/// Why readings before and after don't compare.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Anew {
    /// Another correction is in force: each reading names its own, so nobody else says so.
    Corrected,
    /// The meter was zeroed, or may have been.
    Zeroed,
    /// Another instrument is in its place.
    Replaced,
    /// What is played back has begun anew.
    Repeated,
    /// The machine slept, and the meter was opened anew.
    Slept,
}

/// How the meter is, as its task last said.
#[derive(Clone, Debug)]
pub(super) struct Status {
    pub(super) state: State,
    pub(super) reason: Option<String>,
    pub(super) open: Option<Open>,
    /// The error that a request gets now, if the meter isn't open.
    pub(super) error: Option<RpcError>,
}

/// What is known of an open meter.
#[derive(Clone, Debug)]
pub(super) struct Open {
    pub(super) description: Arc<Description>,
    pub(super) since_s: f64,
    /// How it stands with its zero, if it can be zeroed.
    pub(super) due: Option<Due>,
}

impl Open {
    /// Whether the meter is in its own warm-up at `now_s`.
    pub(super) fn warming(&self, now_s: f64) -> bool {
        now_s < self.warm_at_s()
    }

    /// When its warm-up ends.
    pub(super) fn warm_at_s(&self) -> f64 {
        self.since_s + self.description.warm_up_s
    }
}

/// Shared between a meter's task and its handles.
#[derive(Debug)]
pub(super) struct Shared {
    pub(super) id: String,
    pub(super) driver: &'static str,
    pub(super) address: Option<String>,
    pub(super) source: Source,
    /// Its light went through a correction before it came here.
    pub(super) is_corrected: bool,
    /// How its spectra are summed up, if it gives any.
    sums: Method,
    pub(super) exposing: AtomicBool,
    pub(super) zeroing: AtomicBool,
    /// Changes of its correction that are on their way.
    pub(super) changing: AtomicUsize,
    pub(super) exposures: AtomicU64,
    pub(super) faults: AtomicU64,
    /// The same by kind.
    pub(super) faults_of: Tally<{ FaultKind::ALL.len() }>,
    /// What settling on it came to.
    pub(super) verdicts: Tally<{ Verdict::ALL.len() }>,
    pub(super) waiting: AtomicUsize,
    pub(super) published: broadcast::Sender<Published>,
    pub(super) changes: broadcast::Sender<Arc<Meter>>,
    /// Who has the meter for itself, and who waits for that.
    pub(super) desk: Desk,
    pub(super) fan: Arc<Fan>,
    /// The serial number of the instrument that was opened last, once one has told it.
    serial: Mutex<Option<String>>,
    latest: Mutex<Option<(Exposed, Arc<Logged>)>>,
    darks: Mutex<Darks>,
    unlogged: Mutex<Unlogged>,
    /// The correction in force, and since when, in s.
    through: Mutex<(Option<Arc<Through>>, f64)>,
    status: Mutex<Status>,
}

/// Where changes of every meter's state are announced.
#[must_use]
pub fn changes() -> broadcast::Sender<Arc<Meter>> {
    broadcast::channel(CHANGES).0
}

impl Shared {
    pub(super) fn new(
        id: String,
        driver: &dyn Driver,
        sums: Method,
        changes: broadcast::Sender<Arc<Meter>>,
        clock: &Arc<Clock>,
    ) -> Self {
        let status =
            Status { state: State::Absent, reason: Some("being opened".to_owned()), open: None, error: None };
        Self {
            id,
            driver: driver.name(),
            address: driver.address(),
            source: driver.source(),
            is_corrected: driver.is_corrected(),
            sums,
            exposing: AtomicBool::new(false),
            zeroing: AtomicBool::new(false),
            changing: AtomicUsize::new(0),
            exposures: AtomicU64::new(0),
            faults: AtomicU64::new(0),
            faults_of: Tally::default(),
            verdicts: Tally::default(),
            waiting: AtomicUsize::new(0),
            published: broadcast::channel(READINGS).0,
            changes,
            desk: Desk::new(Arc::clone(clock)),
            fan: Arc::default(),
            serial: Mutex::new(None),
            latest: Mutex::new(None),
            darks: Mutex::new(Darks::default()),
            unlogged: Mutex::default(),
            through: Mutex::new((None, f64::NEG_INFINITY)),
            status: Mutex::new(status),
        }
    }

    /// Takes the serial number of the instrument that has been opened. If it is another instrument than before, what that one
    /// saw is nothing to this one's readings, and is forgotten; gives the serial number that was known before.
    pub(super) fn identified(&self, serial: &str) -> Option<String> {
        let mut known = self.serial.lock().unwrap_or_else(PoisonError::into_inner);
        let before = known.replace(serial.to_owned()).filter(|before| before != serial)?;
        *self.latest.lock().unwrap_or_else(PoisonError::into_inner) = None;
        *self.darks.lock().unwrap_or_else(PoisonError::into_inner) = Darks::default();
        Some(before)
    }

    /// Counts a failure.
    pub(super) fn failed(&self, kind: FaultKind) {
        self.faults.fetch_add(1, Ordering::Relaxed);
        self.faults_of.add(&FaultKind::ALL, &kind);
    }

    pub(super) fn status(&self) -> MutexGuard<'_, Status> {
        self.status.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Takes a new state, and says so to those who observe meters.
    pub(super) fn change(&self, status: Status, now_s: f64) {
        *self.status() = status;
        self.announce(now_s);
    }

    /// Takes back what a task that panicked has left: nothing is being exposed, and nobody waits for it. Whether it was zeroing.
    pub(super) fn restarting(&self, now_s: f64) -> bool {
        self.exposing.store(false, Ordering::Relaxed);
        let was_zeroing = self.zeroing.swap(false, Ordering::Relaxed);
        self.waiting.store(0, Ordering::Relaxed);
        let reason = Some("its task failed inside the daemon and is being restarted".to_owned());
        self.change(Status { state: State::Failed, reason, open: None, error: None }, now_s);
        was_zeroing
    }

    pub(super) fn announce(&self, now_s: f64) {
        // Nobody may be listening.
        let _heard = self.changes.send(Arc::new(self.meter(now_s))).is_ok();
    }

    /// Takes another correction, or none, for exposures that begin from now on, and says so to those who observe meters.
    pub(super) fn correct(&self, through: Option<Arc<Through>>, now_s: f64) {
        *self.through.lock().unwrap_or_else(PoisonError::into_inner) = (through, now_s);
        self.announce(now_s);
    }

    fn through(&self) -> (Option<Arc<Through>>, f64) {
        self.through.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// What an exposure that begins at `now_s` is read with, where a correction is in force.
    pub(super) fn reads(&self, now_s: f64) -> Option<Reads> {
        let description = Arc::clone(&self.status().open.as_ref()?.description);
        Some(self.through().0?.reads(&self.id, &description.instrument, now_s))
    }

    /// The latest reading, if it is what such a request asks for and began no earlier than `since_s`, nor than the correction in force.
    pub(super) fn recent(&self, exposure: Exposure, since_s: f64) -> Option<Arc<Logged>> {
        let latest = self.latest.lock().unwrap_or_else(PoisonError::into_inner);
        let (settings, logged) = latest.as_ref()?;
        let (_, corrected_s) = self.through();
        let began_s = logged.reading.began_s;
        (settings.serves(exposure) && began_s >= since_s && began_s > corrected_s).then(|| Arc::clone(logged))
    }

    /// The latest reading that isn't a dark one.
    pub(super) fn latest(&self) -> Option<Arc<Logged>> {
        let latest = self.latest.lock().unwrap_or_else(PoisonError::into_inner);
        latest.as_ref().map(|(_, logged)| Arc::clone(logged))
    }

    /// The error that a request for a reading gets at `now_s` because the meter must be zeroed first.
    pub(super) fn zero_needed(&self, now_s: f64) -> Option<RpcError> {
        let status = self.status();
        let due = status.open.as_ref()?.due.as_ref().filter(|due| due.refuses(now_s))?;
        Some(zeroing::needed(&self.id, due))
    }

    /// The latest dark readings.
    pub(super) fn darks(&self) -> Darks {
        self.darks.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Takes over which readings went out unlogged before the daemon started.
    pub(super) fn recall(&self, stretches: &[(u64, u64)]) {
        self.unlogged.lock().unwrap_or_else(PoisonError::into_inner).recall(stretches);
    }

    /// From which to which sequence readings went out unlogged, of those after one and before another.
    pub(super) fn unlogged(&self, after: u64, before: u64) -> Option<(u64, u64)> {
        self.unlogged.lock().unwrap_or_else(PoisonError::into_inner).between(after, before)
    }

    pub(super) fn publish(&self, published: Published) {
        if let Published::Reading { logged, .. } = &published {
            let is_unlogged = logged.reading.flags.contains(&Flag::Unlogged);
            let mut unlogged = self.unlogged.lock().unwrap_or_else(PoisonError::into_inner);
            unlogged.push(logged.reading.sequence, is_unlogged);
            self.fan.goes_out(logged.reading.sequence);
        }
        if let Published::Reading { logged, .. } = &published
            && logged.reading.flags.contains(&Flag::Dark)
        {
            let mut darks = self.darks.lock().unwrap_or_else(PoisonError::into_inner);
            darks.push(logged.reading.t_s, logged.reading.light.value());
        } else if let Published::Reading { exposure, logged, .. } = &published {
            *self.latest.lock().unwrap_or_else(PoisonError::into_inner) =
                Some((*exposure, Arc::clone(logged)));
        }
        if matches!(published, Published::Anew { why: Anew::Zeroed | Anew::Repeated | Anew::Slept, .. }) {
            *self.darks.lock().unwrap_or_else(PoisonError::into_inner) = Darks::default();
            *self.latest.lock().unwrap_or_else(PoisonError::into_inner) = None;
        }
        // Nobody may be listening.
        let _heard = self.published.send(published).is_ok();
    }

    /// The meter as clients are told of it.
    pub(super) fn meter(&self, now_s: f64) -> Meter {
        let through = self.through().0;
        let status = self.status();
        let open = status.open.as_ref();
        let gives_spectra =
            |open: &&Open| open.description.instrument.quantities.contains(&Quantity::Spectrum);
        let sums = open.filter(gives_spectra).map(|_| self.sums);
        let state = match status.state {
            State::Ready if self.zeroing.load(Ordering::Relaxed) => State::Zeroing,
            State::Ready if self.exposing.load(Ordering::Relaxed) => State::Reading,
            State::Ready if open.is_some_and(|open| open.warming(now_s)) => State::Warming,
            state => state,
        };
        Meter {
            id: self.id.clone(),
            driver: self.driver.to_owned(),
            address: self.address.clone(),
            simulated: self.source.is_simulated(),
            replayed: self.source.is_replayed(),
            state,
            reason: status.reason.clone(),
            faults: self.faults.load(Ordering::Relaxed),
            instrument: open.map(|open| open.description.instrument.clone()),
            warm_up: open
                .filter(|open| open.description.warm_up_s > 0.0)
                .map(|open| WarmUp { needed_s: open.description.warm_up_s, elapsed_s: now_s - open.since_s }),
            zero: open.and_then(|open| open.due.as_ref()).map(|due| due.zero(now_s)),
            correction: through.map(|through| {
                through.in_force(&self.id, open.map(|open| &open.description.instrument), now_s)
            }),
            observer: sums.and_then(|sums| sums.observer.unusual()),
            bandwidth_nm: sums.and_then(|sums| sums.bandwidth_nm),
            lease: self.desk.holder(now_s),
        }
    }
}
