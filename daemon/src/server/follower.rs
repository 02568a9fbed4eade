//! One subscription to a meter's readings. It is told of them on the spot, and writes them straight to its client.
//!
//! Who follows by sequence gets what came before from the log first, with no gap and no repeat where the one goes over into the
//! other: both are told apart by sequence.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use settled_protocol::error::RpcError;
use settled_protocol::log::{LARGEST_PAGE, Selection};
use tokio::sync::Notify;
use tokio::sync::broadcast::Receiver;
use tokio::sync::broadcast::error::TryRecvError;

use super::beat::Beat;
use super::outbox::{Outbox, Stream};
use crate::client::By;
use crate::daemon::Daemon;
use crate::meter_task::{Demanded, Listener, Logged, MeterHandle, Published, Wanted};

/// The exposures that an observer asks for.
#[derive(Debug)]
pub(super) struct Demand {
    pub(super) demanded: Demanded,
    pub(super) by: By,
    pub(super) wanted: Wanted,
}

/// What a subscription is to be given.
#[derive(Debug)]
pub(super) struct Readings {
    pub(super) meter: MeterHandle,
    pub(super) demand: Option<Demand>,
    /// What came after this sequence is given first, from the log.
    pub(super) after: Option<u64>,
    pub(super) spectra: bool,
    pub(super) every_s: Option<f64>,
}

/// A subscription.
#[derive(Debug)]
pub(super) struct Follower {
    meter: MeterHandle,
    outbox: Arc<Outbox>,
    stream: Stream,
    demand: Option<Demand>,
    by_sequence: bool,
    spectra: bool,
    place: Mutex<Place>,
    /// Its own task has something to do.
    call: Notify,
}

/// How far it has come.
#[derive(Debug)]
struct Place {
    /// Whether it is given readings as they come; else it is given those from the log.
    live: bool,
    /// The sequence of the last reading that it was given, or that was left out.
    last: u64,
    /// What went by untold since.
    untold: u64,
    beat: Option<Beat>,
}

impl Follower {
    pub(super) fn new(readings: Readings, outbox: Arc<Outbox>, stream: Stream) -> Self {
        let Readings { meter, demand, after, spectra, every_s } = readings;
        let place = Place {
            live: after.is_none(),
            last: after.unwrap_or_else(|| meter.last_out()),
            untold: 0,
            beat: every_s.and_then(Beat::new),
        };
        let (by_sequence, place, call) = (after.is_some(), Mutex::new(place), Notify::new());
        Self { meter, outbox, stream, demand, by_sequence, spectra, place, call }
    }

    fn place(&self) -> MutexGuard<'_, Place> {
        self.place.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Does what takes time: tells the meter's task of the demand whenever that is due, and reads the log. `follow` has what
    /// comes from the call on.
    pub(super) async fn run(&self, daemon: &Daemon, follow: Receiver<Published>) {
        let mut follow = Some(follow).filter(|_| self.by_sequence);
        while self.press().await.is_ok() {
            if !self.place().live {
                // What comes from now on isn't among what the log has by now.
                let follow = follow.take().unwrap_or_else(|| self.meter.follow());
                self.catch_up(daemon, follow).await;
            }
            self.call.notified().await;
        }
    }

    /// Tells the meter's task of the demand, if there is one. It waits while the task takes nothing in.
    async fn press(&self) -> Result<(), RpcError> {
        match &self.demand {
            Some(demand) => self.meter.press(&demand.demanded, &demand.by, demand.wanted).await,
            None => Ok(()),
        }
    }

    /// Gives what the log has, then what came meanwhile, until readings can be given as they come.
    async fn catch_up(&self, daemon: &Daemon, mut follow: Receiver<Published>) {
        loop {
            self.replay(daemon).await;
            self.outbox.drained(&self.stream).await;
            if self.join(&mut follow) {
                return;
            }
        }
    }

    /// Gives what came while the log was read. False if some of that went by too fast: the log has it by now.
    fn join(&self, follow: &mut Receiver<Published>) -> bool {
        // Held until it is live: whatever is told meanwhile waits, and is either in `follow` or still to be told.
        let mut place = self.place();
        loop {
            match follow.try_recv() {
                Ok(Published::Reading { logged, .. }) => self.give(&mut place, &logged),
                Ok(_) => {}
                Err(TryRecvError::Lagged(_)) => return false,
                Err(TryRecvError::Empty | TryRecvError::Closed) => {
                    place.live = true;
                    return true;
                }
            }
        }
    }

    /// What came after the last reading, page by page, no faster than the client reads. Where the log can't be read, the client
    /// is told what it misses for that.
    async fn replay(&self, daemon: &Daemon) {
        // With those that come from elsewhere they must not be more than may wait.
        let page = u32::try_from(daemon.limits().waiting_notifications / 2)
            .unwrap_or(u32::MAX)
            .clamp(1, LARGEST_PAGE);
        loop {
            let selection = Selection {
                meter: Some(self.meter.id().to_owned()),
                after: Some(self.place().last),
                limit: Some(page),
                spectra: self.spectra,
                ..Selection::default()
            };
            let page = match daemon.log.readings(selection).await {
                Ok(page) => page,
                Err(error) => {
                    tracing::warn!(%error, "following a meter from the log");
                    let mut place = self.place();
                    let last = daemon.log.last_given().unwrap_or(place.last);
                    self.outbox.unread(&self.stream, place.last, last);
                    place.last = place.last.max(last);
                    return;
                }
            };
            for logged in page.readings.into_iter().filter_map(|reading| Logged::new(reading).ok()) {
                self.outbox.takes(&logged, self.spectra).await;
                self.give(&mut self.place(), &Arc::new(logged));
            }
            if page.next.is_none() {
                return;
            }
            self.outbox.drained(&self.stream).await;
        }
    }

    /// Gives the reading that follows the last, if it does. Who follows by sequence is told first of what went out in between and is
    /// neither in the log nor among what still comes.
    fn give(&self, place: &mut Place, logged: &Arc<Logged>) {
        let sequence = logged.reading.sequence;
        if sequence <= place.last {
            return;
        }
        let before = std::mem::replace(&mut place.last, sequence);
        if self.by_sequence
            && let Some((from, to)) = self.meter.unlogged(before, sequence)
        {
            self.outbox.unread(&self.stream, from.saturating_sub(1), to);
        }
        self.own_up(place, before, logged);
        if place.beat.as_mut().is_none_or(|beat| beat.takes(&logged.reading)) {
            self.outbox.reading(&self.stream, logged, self.spectra);
        }
    }

    /// Says that something went by untold between the reading `before` and this one, as far as it would have been given.
    fn own_up(&self, place: &mut Place, before: u64, logged: &Logged) {
        let untold = std::mem::take(&mut place.untold);
        let beats = place.beat.as_ref().map_or(f64::INFINITY, |beat| beat.between(&logged.reading));
        let (from, to) = (before + 1, logged.reading.sequence - 1);
        if untold > 0 && beats >= 1.0 && from <= to {
            // As a number of readings, at most: beats are whole.
            let count = untold.min(to - before).min(beats as u64);
            self.outbox.lost(&self.stream, count, Some((from, to)));
        }
    }
}

impl Listener for Follower {
    fn reading(&self, logged: &Arc<Logged>) {
        let mut place = self.place();
        if place.live {
            self.give(&mut place, logged);
        }
    }

    fn lagged(&self, count: u64) {
        let mut place = self.place();
        if self.by_sequence {
            // The log has it.
            place.live = false;
        } else {
            place.untold += count;
        }
        drop(place);
        // The news of a restart may be among it.
        self.call.notify_one();
    }

    fn restarted(&self) {
        if self.demand.is_some() {
            self.call.notify_one();
        }
    }
}

#[cfg(test)]
mod tests;
