//! Who waits for an exposure, and whom the next one serves. Pure: it is told the time.
//!
//! Requests with equal exposure settings share one exposure. An exposure serves only those that were in the queue when
//! it began. Unlike settings take turns: the one whose last exposure is longest ago comes next.

use std::collections::VecDeque;
use std::sync::{Arc, Weak};

use settled_drivers::sample::Exposure;
use tokio::sync::oneshot;

use super::Outcome;

/// Requests for single readings that may wait for one meter; more are refused as overloaded.
pub(super) const MOST_WAITING: usize = 1024;

/// Held by whoever wants readings to go on. Dropping it ends the demand.
#[derive(Debug)]
pub struct Demanded(#[expect(dead_code, reason = "it is there to be dropped")] Arc<()>);

impl Demanded {
    /// A demand's two halves.
    pub(super) fn pair() -> (Self, Weak<()>) {
        let alive = Arc::new(());
        let watch = Arc::downgrade(&alive);
        (Self(alive), watch)
    }
}

/// One request for one reading.
#[derive(Debug)]
pub(super) struct Waiting {
    pub(super) exposure: Exposure,
    pub(super) reply: oneshot::Sender<Outcome>,
}

/// A request for readings to go on.
#[derive(Debug)]
pub(super) struct Demand {
    pub(super) exposure: Exposure,
    /// From the beginning of one exposure to that of the next, in s; 0 is without pause.
    pub(super) interval_s: f64,
    pub(super) due_s: f64,
    pub(super) alive: Weak<()>,
}

/// Those whom one exposure serves.
#[derive(Debug, Default)]
pub(super) struct Audience {
    pub(super) waiting: Vec<oneshot::Sender<Outcome>>,
    /// How many requests it serves, demands included.
    pub(super) size: usize,
}

/// What to do next.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Next {
    /// Expose, with these settings.
    Expose(Exposure),
    /// Nothing is due before this, in s.
    Wait(f64),
    /// Nothing is asked for.
    Idle,
}

/// The queue of one meter.
#[derive(Debug, Default)]
pub(super) struct Queue {
    waiting: VecDeque<Waiting>,
    demands: Vec<Demand>,
    /// The number of the last exposure with each of the settings now in the queue.
    turns: Vec<(Exposure, u64)>,
    exposures: u64,
}

impl Queue {
    /// Adds a request for one reading, or gives it back if there are too many.
    pub(super) fn wait(&mut self, waiting: Waiting) -> Result<(), Waiting> {
        if self.waiting.len() >= MOST_WAITING {
            self.waiting.retain(|waiting| !waiting.reply.is_closed());
        }
        if self.waiting.len() >= MOST_WAITING {
            return Err(waiting);
        }
        self.waiting.push_back(waiting);
        Ok(())
    }

    /// Adds a request for readings to go on.
    pub(super) fn demand(&mut self, demand: Demand) {
        self.demands.push(demand);
    }

    /// Requests for single readings in the queue.
    pub(super) fn len(&self) -> usize {
        self.waiting.len()
    }

    /// Takes out every request for a single reading: they all fail.
    pub(super) fn drain(&mut self) -> impl Iterator<Item = oneshot::Sender<Outcome>> {
        std::mem::take(&mut self.waiting).into_iter().map(|waiting| waiting.reply)
    }

    /// What to do at `now_s`. Demands wait until `demands_from_s` (after a failure, say).
    pub(super) fn next(&mut self, now_s: f64, demands_from_s: f64) -> Next {
        self.waiting.retain(|waiting| !waiting.reply.is_closed());
        self.demands.retain(|demand| demand.alive.strong_count() > 0);
        let due = |demand: &Demand| demand.due_s.max(demands_from_s);
        let asked = self.waiting.iter().map(|waiting| waiting.exposure);
        let demanded =
            self.demands.iter().filter(|demand| due(demand) <= now_s).map(|demand| demand.exposure);
        let chosen = asked.chain(demanded).min_by_key(|exposure| self.turn(*exposure));
        match chosen {
            Some(exposure) => Next::Expose(exposure),
            None => self.demands.iter().map(due).min_by(f64::total_cmp).map_or(Next::Idle, Next::Wait),
        }
    }

    fn turn(&self, exposure: Exposure) -> u64 {
        self.turns.iter().find(|(settings, _)| *settings == exposure).map_or(0, |(_, turn)| *turn)
    }

    /// Lets the demands with these settings, and no others, wait until `until_s`.
    pub(super) fn postpone(&mut self, exposure: Exposure, until_s: f64) {
        for demand in self.demands.iter_mut().filter(|demand| demand.exposure == exposure) {
            demand.due_s = demand.due_s.max(until_s);
        }
    }

    /// Takes out those whom an exposure that begins at `now_s` serves.
    pub(super) fn take(&mut self, exposure: Exposure, now_s: f64) -> Audience {
        self.exposures += 1;
        let (waiting, demands) = (&self.waiting, &self.demands);
        self.turns.retain(|(settings, _)| {
            *settings != exposure
                && (waiting.iter().any(|other| other.exposure == *settings)
                    || demands.iter().any(|other| other.exposure == *settings))
        });
        self.turns.push((exposure, self.exposures));
        let mut audience = Audience::default();
        for waiting in std::mem::take(&mut self.waiting) {
            if waiting.exposure == exposure {
                audience.waiting.push(waiting.reply);
            } else {
                self.waiting.push_back(waiting);
            }
        }
        audience.size = audience.waiting.len();
        for demand in self.demands.iter_mut().filter(|demand| demand.exposure == exposure) {
            // A schedule that has been missed starts anew: it doesn't catch up in a burst.
            demand.due_s = if demand.due_s + demand.interval_s > now_s {
                demand.due_s.min(now_s) + demand.interval_s
            } else {
                now_s + demand.interval_s
            };
            audience.size += 1;
        }
        audience
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn exposure(integration_s: f64) -> Exposure {
        Exposure { integration_s: Some(integration_s) }
    }

    fn ask(queue: &mut Queue, integration_s: f64) -> oneshot::Receiver<Outcome> {
        let (reply, receiver) = oneshot::channel();
        queue.wait(Waiting { exposure: exposure(integration_s), reply }).unwrap();
        receiver
    }

    fn demand(queue: &mut Queue, integration_s: f64, interval_s: f64, due_s: f64) -> Demanded {
        let (demanded, alive) = Demanded::pair();
        queue.demand(Demand { exposure: exposure(integration_s), interval_s, due_s, alive });
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
    fn what_is_postponed_waits_alone() {
        let mut queue = Queue::default();
        let _postponed = demand(&mut queue, 1.0, 0.0, 0.0);
        let other = demand(&mut queue, 2.0, 0.0, 0.0);
        queue.postpone(exposure(1.0), 3.0);
        assert_eq!(queue.next(0.0, 0.0), Next::Expose(exposure(2.0)));
        drop(other);
        assert_eq!(queue.next(0.0, 0.0), Next::Wait(3.0));
    }

    proptest! {
        #[test]
        fn unlike_settings_take_turns(kinds in 2_usize..6, rounds in 1_usize..40) {
            let mut queue = Queue::default();
            let _demanded: Vec<_> = (1..=kinds).map(|kind| demand(&mut queue, f64::from(u32::try_from(kind).unwrap()), 0.0, 0.0)).collect();
            let mut counts = vec![0_usize; kinds + 1];
            for _ in 0..rounds * kinds {
                let Next::Expose(next) = queue.next(0.0, 0.0) else { panic!("there is demand") };
                #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "small whole numbers")]
                let kind = next.integration_s.unwrap() as usize;
                counts[kind] += 1;
                queue.take(next, 0.0);
            }
            prop_assert!(counts[1..].iter().all(|&count| count == rounds), "{:?}", counts);
        }
    }
}
