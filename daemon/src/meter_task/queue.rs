//! Who waits for an exposure, and whom the next one serves. Pure: it is told the time.
//!
//! Requests with equal exposure settings share one exposure. An exposure serves only those that were in the queue when
//! it began. Unlike settings take turns: the one comes next that has waited longest, counted in exposures, since its own
//! last one or since it joined the queue.

use std::collections::VecDeque;
use std::sync::{Arc, Weak};

use settled_drivers::sample::Exposure;
use tokio::sync::{OwnedSemaphorePermit, oneshot};

use super::{Outcome, ZeroReply};
use crate::client::By;

mod owed;

/// Requests for single readings that may wait for one meter; more are refused as overloaded.
pub(super) const MOST_WAITING: usize = 1024;

/// Demands for readings to go on that one meter may have at once; more are refused as overloaded. A bench has a handful
/// of programs: this is far beyond, and the queue is looked through before every exposure.
pub(super) const MOST_DEMANDS: usize = 1024;

/// Requests to zero one meter that may wait; more are refused as overloaded. Each is a person's doing.
pub(super) const MOST_ZEROS: usize = 16;

/// Held by whoever wants readings to go on. Dropping it ends the demand, and makes room for another.
#[derive(Debug)]
pub struct Demanded(Arc<OwnedSemaphorePermit>);

impl Demanded {
    /// A demand that has one of the [`MOST_DEMANDS`] places.
    pub(super) fn new(place: OwnedSemaphorePermit) -> Self {
        Self(Arc::new(place))
    }

    /// Tells whether it is still held.
    pub(super) fn watch(&self) -> Weak<OwnedSemaphorePermit> {
        Arc::downgrade(&self.0)
    }
}

/// One request for one reading.
#[derive(Debug)]
pub(super) struct Waiting {
    pub(super) by: By,
    pub(super) exposure: Exposure,
    /// The client vouches that the aperture is covered.
    pub(super) covered: bool,
    pub(super) reply: oneshot::Sender<Outcome>,
}

/// Readings that are to go on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wanted {
    /// The settings of each exposure.
    pub exposure: Exposure,
    /// From the beginning of one exposure to that of the next, in s; 0 is without pause.
    pub interval_s: f64,
    /// What for.
    pub purpose: Purpose,
}

/// What readings are to go on for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Purpose {
    /// Until there is a verdict: an answer is waited for.
    Settling,
    /// For as long as somebody cares to look.
    Observing,
}

/// A request for readings to go on.
#[derive(Debug)]
pub(super) struct Demand {
    pub(super) by: By,
    pub(super) wanted: Wanted,
    pub(super) due_s: f64,
    pub(super) alive: Weak<OwnedSemaphorePermit>,
}

/// A request to zero the meter.
#[derive(Debug)]
pub(super) struct Zeroing {
    pub(super) by: By,
    pub(super) reply: ZeroReply,
}

/// Those whom one exposure serves.
#[derive(Debug, Default)]
pub(super) struct Audience {
    pub(super) waiting: Vec<oneshot::Sender<Outcome>>,
    /// How many requests it serves, demands included.
    pub(super) size: usize,
    /// One of them vouches that the aperture is covered.
    pub(super) covered: bool,
    /// The lease that it is taken under.
    pub(super) lease: Option<Arc<str>>,
}

/// What to do next.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Next {
    /// Expose, with these settings.
    Expose(Exposure),
    /// Zero the meter.
    Zero,
    /// Nothing is due before this, in s.
    Wait(f64),
    /// Nothing is asked for.
    Idle,
}

/// Something in the queue.
#[derive(Debug)]
struct Placed<T> {
    of: T,
    /// In which order it came.
    number: u64,
    /// How many exposures there had been when it joined, or when it was last served: the lowest comes next.
    turn: u64,
}

/// The queue of one meter.
#[derive(Debug, Default)]
pub(super) struct Queue {
    waiting: VecDeque<Placed<Waiting>>,
    demands: Vec<Placed<Demand>>,
    zeros: VecDeque<Placed<Zeroing>>,
    exposures: u64,
    /// How many requests have come.
    arrivals: u64,
    /// The token of the lease in force: only what comes with it is served.
    held_by: Option<Arc<str>>,
}

impl Queue {
    /// Adds a request for one reading, or gives it back if there are too many.
    pub(super) fn wait(&mut self, waiting: Waiting) -> Result<(), Waiting> {
        if self.waiting.len() >= MOST_WAITING {
            self.waiting.retain(|waiting| !waiting.of.reply.is_closed());
        }
        if self.waiting.len() >= MOST_WAITING {
            return Err(waiting);
        }
        let placed = self.placed(waiting);
        self.waiting.push_back(placed);
        Ok(())
    }

    fn admits(&self, by: &By) -> bool {
        self.held_by == by.lease
    }

    /// Something at the end of the queue.
    fn placed<T>(&mut self, of: T) -> Placed<T> {
        self.arrivals += 1;
        Placed { of, number: self.arrivals, turn: self.exposures }
    }

    /// Adds a request for readings to go on, unless it is there already. Those that nobody holds any more make way: while
    /// a meter is away nothing else looks at them.
    pub(super) fn demand(&mut self, demand: Demand) {
        self.demands.retain(|other| other.of.alive.strong_count() > 0);
        if self.demands.iter().any(|other| other.of.alive.ptr_eq(&demand.alive)) {
            return;
        }
        let placed = self.placed(demand);
        self.demands.push(placed);
    }

    /// Adds a request to zero the meter, or gives it back if there are too many.
    pub(super) fn zero(&mut self, zeroing: Zeroing) -> Result<(), Zeroing> {
        self.zeros.retain(|zero| !zero.of.reply.is_closed());
        if self.zeros.len() >= MOST_ZEROS {
            return Err(zeroing);
        }
        let placed = self.placed(zeroing);
        self.zeros.push_back(placed);
        Ok(())
    }

    /// Takes out the request to zero the meter that comes first. It counts as an exposure.
    pub(super) fn take_zero(&mut self) -> Option<ZeroReply> {
        self.exposures += 1;
        let index = self.zeros.iter().position(|zero| self.admits(&zero.of.by))?;
        self.zeros.remove(index).map(|zero| zero.of.reply)
    }

    /// Requests for single readings, and to zero the meter, in the queue.
    pub(super) fn len(&self) -> usize {
        self.waiting.len() + self.zeros.len()
    }

    /// Takes out every request for a single reading: they all fail.
    pub(super) fn drain(&mut self) -> impl Iterator<Item = oneshot::Sender<Outcome>> {
        std::mem::take(&mut self.waiting).into_iter().map(|waiting| waiting.of.reply)
    }

    /// Takes out every request to zero the meter: they all fail.
    pub(super) fn drain_zeros(&mut self) -> impl Iterator<Item = ZeroReply> {
        std::mem::take(&mut self.zeros).into_iter().map(|zero| zero.of.reply)
    }

    /// What to do at `now_s`. Demands wait until `demands_from_s` (after a failure, say).
    pub(super) fn next(&mut self, now_s: f64, demands_from_s: f64) -> Next {
        self.waiting.retain(|waiting| !waiting.of.reply.is_closed());
        self.demands.retain(|demand| demand.of.alive.strong_count() > 0);
        let due = |demand: &Placed<Demand>| demand.of.due_s.max(demands_from_s);
        self.zeros.retain(|zero| !zero.of.reply.is_closed());
        let zeros = self.zeros.iter().filter(|zero| self.admits(&zero.of.by));
        let zeros = zeros.map(|zero| (zero.turn, Next::Zero));
        let asked = self.waiting.iter().filter(|waiting| self.admits(&waiting.of.by));
        let asked = asked.map(|waiting| (waiting.turn, Next::Expose(waiting.of.exposure)));
        let demanded = self.admitted().filter(|demand| due(demand) <= now_s);
        let demanded = demanded.map(|demand| (demand.turn, Next::Expose(demand.of.wanted.exposure)));
        match zeros.chain(asked).chain(demanded).min_by_key(|(turn, _)| *turn) {
            Some((_, next)) => next,
            None => self.admitted().map(due).min_by(f64::total_cmp).map_or(Next::Idle, Next::Wait),
        }
    }

    /// Lets the demands with these settings, and no others, wait until `until_s`.
    pub(super) fn postpone(&mut self, exposure: Exposure, until_s: f64) {
        for demand in self.demands_with(exposure) {
            demand.of.due_s = demand.of.due_s.max(until_s);
        }
    }

    /// Takes out those whom an exposure that begins at `now_s` serves.
    pub(super) fn take(&mut self, exposure: Exposure, now_s: f64) -> Audience {
        self.exposures += 1;
        let turn = self.exposures;
        let mut audience = Audience { lease: self.held_by.clone(), ..Audience::default() };
        for waiting in std::mem::take(&mut self.waiting) {
            if waiting.of.exposure == exposure && self.admits(&waiting.of.by) {
                audience.covered |= waiting.of.covered;
                audience.waiting.push(waiting.of.reply);
            } else {
                self.waiting.push_back(waiting);
            }
        }
        audience.size = audience.waiting.len();
        for Placed { of: demand, turn: served, number: _ } in self.demands_with(exposure) {
            *served = turn;
            // A schedule that has been missed starts anew: it doesn't catch up in a burst.
            let interval_s = demand.wanted.interval_s;
            demand.due_s = if demand.due_s + interval_s > now_s {
                demand.due_s.min(now_s) + interval_s
            } else {
                now_s + interval_s
            };
            audience.size += 1;
        }
        audience
    }

    fn admitted(&self) -> impl Iterator<Item = &Placed<Demand>> {
        self.demands.iter().filter(|demand| self.admits(&demand.of.by))
    }

    fn demands_with(&mut self, exposure: Exposure) -> impl Iterator<Item = &mut Placed<Demand>> {
        let held_by = self.held_by.clone();
        self.demands.iter_mut().filter(move |demand| {
            demand.of.wanted.exposure == exposure && held_by == demand.of.by.lease
        })
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use tokio::sync::Semaphore;

    use super::*;

    fn exposure(integration_s: f64) -> Exposure {
        Exposure { integration_s: Some(integration_s) }
    }

    fn ask(queue: &mut Queue, integration_s: f64) -> oneshot::Receiver<Outcome> {
        let (reply, receiver) = oneshot::channel();
        queue
            .wait(Waiting { by: By::itself(), exposure: exposure(integration_s), covered: false, reply })
            .unwrap();
        receiver
    }

    fn demand(queue: &mut Queue, integration_s: f64, interval_s: f64, due_s: f64) -> Demanded {
        let demanded = Demanded::new(Arc::new(Semaphore::new(1)).try_acquire_owned().unwrap());
        let alive = demanded.watch();
        let exposure = exposure(integration_s);
        let wanted = Wanted { exposure, interval_s, purpose: Purpose::Observing };
        queue.demand(Demand { by: By::itself(), wanted, due_s, alive });
        demanded
    }

    #[test]
    fn equal_requests_share_one_exposure() {
        let mut queue = Queue::default();
        let _receivers: Vec<_> = (0..10).map(|_| ask(&mut queue, 1.0)).collect();
        let _demanded = demand(&mut queue, 1.0, 0.0, 0.0);
        assert_eq!(queue.next(0.0, 0.0), Next::Expose(exposure(1.0)));
        assert_eq!(queue.take(exposure(1.0), 0.0).size, 11);
        assert_eq!(queue.len(), 0);
    }

    #[test]
    fn a_zero_takes_its_turn_unless_nobody_waits_for_it() {
        let mut queue = Queue::default();
        let _first = ask(&mut queue, 1.0);
        queue.take(exposure(1.0), 0.0);
        let _demanded = demand(&mut queue, 1.0, 0.0, 0.0);
        let (reply, zero) = oneshot::channel();
        queue.zero(Zeroing { by: By::itself(), reply }).unwrap();
        let _other = ask(&mut queue, 2.0);
        assert_eq!((queue.next(0.0, 0.0), queue.len()), (Next::Zero, 2));
        assert!(queue.take_zero().is_some());
        assert_eq!(queue.next(0.0, 0.0), Next::Expose(exposure(2.0)));
        let (reply, other) = oneshot::channel();
        queue.zero(Zeroing { by: By::itself(), reply }).unwrap();
        drop((zero, other));
        queue.take(exposure(2.0), 0.0);
        assert_eq!(queue.next(0.0, 0.0), Next::Expose(exposure(1.0)));
        assert_eq!(queue.len(), 0);
    }

    #[test]
    fn more_zeros_than_there_is_room_for_are_given_back() {
        let mut queue = Queue::default();
        let mut waiting = Vec::new();
        for _ in 0..MOST_ZEROS {
            let (reply, receiver) = oneshot::channel();
            queue.zero(Zeroing { by: By::itself(), reply }).unwrap();
            waiting.push(receiver);
        }
        assert!(queue.zero(Zeroing { by: By::itself(), reply: oneshot::channel().0 }).is_err());
        waiting.pop();
        assert!(queue.zero(Zeroing { by: By::itself(), reply: oneshot::channel().0 }).is_ok());
    }

    #[test]
    fn a_request_that_nobody_waits_for_causes_no_exposure() {
        let mut queue = Queue::default();
        drop(ask(&mut queue, 1.0));
        drop(demand(&mut queue, 1.0, 0.0, 0.0));
        assert_eq!(queue.next(0.0, 0.0), Next::Idle);
    }

    #[test]
    fn a_schedule_keeps_its_beat_and_does_not_catch_up() {
        let mut queue = Queue::default();
        let _demanded = demand(&mut queue, 1.0, 5.0, 0.0);
        queue.take(exposure(1.0), 0.1);
        assert_eq!(queue.next(0.2, 0.0), Next::Wait(5.0));
        queue.take(exposure(1.0), 5.3);
        assert_eq!(queue.next(5.4, 0.0), Next::Wait(10.0));
        queue.take(exposure(1.0), 33.0);
        assert_eq!(queue.next(33.1, 0.0), Next::Wait(38.0));
    }

    #[test]
    fn demands_wait_after_a_failure_and_single_requests_do_not() {
        let mut queue = Queue::default();
        let _demanded = demand(&mut queue, 1.0, 0.0, 0.0);
        assert_eq!(queue.next(0.0, 2.0), Next::Wait(2.0));
        let _receiver = ask(&mut queue, 3.0);
        assert_eq!(queue.next(0.0, 2.0), Next::Expose(exposure(3.0)));
    }

    #[test]
    fn demands_that_nobody_holds_take_no_room() {
        let mut queue = Queue::default();
        let _held = demand(&mut queue, 1.0, 0.0, 0.0);
        for _ in 0..1000 {
            drop(demand(&mut queue, 1.0, 0.0, 0.0));
        }
        assert!(queue.demands.len() <= 2, "{}", queue.demands.len());
    }

    #[test]
    fn a_demand_that_is_made_again_keeps_its_place_and_takes_no_other() {
        let mut queue = Queue::default();
        let demanded = demand(&mut queue, 1.0, 5.0, 0.0);
        queue.take(exposure(1.0), 0.0);
        for _ in 0..3 {
            let alive = demanded.watch();
            queue.demand(Demand {
                by: By::itself(),
                wanted: Wanted { exposure: exposure(1.0), interval_s: 5.0, purpose: Purpose::Observing },
                due_s: f64::NEG_INFINITY,
                alive,
            });
        }
        assert_eq!(queue.next(0.1, 0.0), Next::Wait(5.0));
        assert_eq!(queue.take(exposure(1.0), 5.0).size, 1);
    }

    #[test]
    fn what_is_postponed_waits_alone() {
        let mut queue = Queue::default();
        let _postponed = demand(&mut queue, 1.0, 0.0, 0.0);
        let other = demand(&mut queue, 2.0, 0.0, 0.0);
        queue.postpone(exposure(1.0), 3.0);
        assert_eq!(queue.next(0.0, 0.0), Next::Expose(exposure(2.0)));
        drop(other);
        assert_eq!(queue.next(0.0, 0.0), Next::Wait(3.0));
    }

    /// A one-shot reader that comes back, or nothing for a demand that stays: how many exposures after its own.
    type Lag = Option<usize>;

    /// Who asks for one of the settings.
    struct Asker {
        lag: Lag,
        /// The exposure before which it joined the queue; nothing while it isn't there.
        since: Option<usize>,
        /// When it comes back.
        back: usize,
        receivers: Vec<oneshot::Receiver<Outcome>>,
    }

    fn setting(kind: usize) -> f64 {
        f64::from(u32::try_from(kind + 1).unwrap())
    }

    /// Exposes for one after another, and gives the most exposures that anyone waited for.
    fn longest_wait(lags: &[Lag], rounds: usize) -> usize {
        let mut queue = Queue::default();
        let _demanded: Vec<_> = (0..lags.len())
            .filter(|&kind| lags[kind].is_none())
            .map(|kind| demand(&mut queue, setting(kind), 0.0, 0.0))
            .collect();
        let asker = |&lag: &Lag| Asker { lag, since: lag.is_none().then_some(0), back: 0, receivers: vec![] };
        let mut askers: Vec<Asker> = lags.iter().map(asker).collect();
        let mut longest = 0;
        for round in 0..rounds * lags.len() {
            for (kind, asker) in askers.iter_mut().enumerate() {
                if asker.since.is_none() && asker.back <= round {
                    asker.receivers.push(ask(&mut queue, setting(kind)));
                    asker.since = Some(round);
                }
            }
            let Next::Expose(next) = queue.next(0.0, 0.0) else { continue };
            queue.take(next, 0.0);
            for (kind, asker) in askers.iter_mut().enumerate() {
                let Some(since) = asker.since else { continue };
                longest = longest.max(round + 1 - since);
                if exposure(setting(kind)) == next {
                    asker.since = asker.lag.is_none().then_some(round + 1);
                    asker.back = round + 1 + asker.lag.unwrap_or(0);
                }
            }
        }
        longest
    }

    #[test]
    fn readers_that_come_back_do_not_starve_a_demand_that_stays() {
        assert!(longest_wait(&[None, Some(1), Some(1)], 10) <= 3);
    }

    proptest! {
        #[test]
        fn unlike_settings_take_turns_whoever_stays_and_whoever_comes_back(
            lags in proptest::collection::vec(proptest::option::of(0_usize..4), 2..6),
            rounds in 1_usize..40,
        ) {
            // With as many settings nobody waits for more exposures than that, the own one included.
            prop_assert!(longest_wait(&lags, rounds) <= lags.len());
        }
    }
}
