//! Whether the meter waits a moment for those whom it has just answered. Pure: it is told the time.
//!
//! Clients that ask again as soon as they are answered would fall into two groups: as an exposure ends, the next begins at once for those
//! who came meanwhile, and those who are just being answered come too late for it. Each group would get half of what the meter gives, for
//! ever. So the meter waits for those it has answered, until each has asked for something again, where the next exposure is the like of
//! the last, and somebody waits for it.
//!
//! It may spend no more on that than a small share of the time it exposes, and a little more where all come back. Where answers take long
//! to go out, because the disk does, it saves up: what was spent in vain once isn't spent again before there is twice as much of it.

use std::collections::BTreeSet;

use super::queue::Exposed;
use crate::client::ClientId;

/// What may be spent on waiting, of the time that is spent on exposures: those who don't come back slow nobody by more.
const SHARE: f64 = 0.02;

/// What is spent beside that, of the exposure before, where all come back: each of them saves an exposure.
const REWARD: f64 = 0.03;

/// What may be saved up, in s: as long as a disk takes that isn't a slow one.
const MOST_S: f64 = 0.02;

/// What is spent at once, in s, unless as much was spent in vain: many clients ask again within that. Who has left costs no more.
const USUAL_S: f64 = 0.005;

/// The least that it is worth to begin with, in s: timers are as coarse as that.
const LEAST_S: f64 = 0.001;

/// What one meter waits for.
#[derive(Debug)]
pub(super) struct Gather {
    /// Those whom the last exposure answers, and who haven't asked for anything since.
    awaited: BTreeSet<ClientId>,
    /// What the last exposure was.
    last: Option<Exposed>,
    /// How long it took, in s.
    lasted_s: f64,
    /// When it ended or, once they have, when its answers went out, in s.
    from_s: f64,
    /// Since when somebody waits for those who are awaited, in s.
    since_s: Option<f64>,
    /// Somebody came back since the last exposure.
    came_back: bool,
    /// What may be spent, in s.
    saved_s: f64,
    /// What must be there to be spent, in s.
    needed_s: f64,
}

impl Default for Gather {
    fn default() -> Self {
        Self {
            awaited: BTreeSet::new(),
            last: None,
            lasted_s: 0.0,
            from_s: f64::NEG_INFINITY,
            since_s: None,
            came_back: false,
            saved_s: 0.0,
            needed_s: LEAST_S,
        }
    }
}

impl Gather {
    /// An exposure has ended that answers these.
    pub(super) fn exposed(
        &mut self,
        exposed: Exposed,
        answers: impl Iterator<Item = ClientId>,
        began_s: f64,
        ended_s: f64,
    ) {
        self.awaited = answers.collect();
        (self.last, self.lasted_s, self.from_s) = (Some(exposed), ended_s - began_s, ended_s);
        self.came_back = false;
        self.saved_s = (self.saved_s + SHARE * self.lasted_s).min(MOST_S);
    }

    /// Answers have gone out.
    pub(super) fn went_out(&mut self, now_s: f64) {
        self.from_s = now_s;
    }

    /// A client asks for something.
    pub(super) fn came(&mut self, client: ClientId) {
        self.came_back |= self.awaited.remove(&client);
    }

    /// Until when to wait, in s, if somebody waits for such an exposure now; nothing if it is to begin.
    pub(super) fn until_s(&mut self, next: Exposed, now_s: f64) -> Option<f64> {
        let until_s = self.from_s + self.saved_s.min(self.needed_s.max(USUAL_S));
        let is_worth_it =
            !self.awaited.is_empty() && self.last == Some(next) && self.saved_s >= self.needed_s;
        if !is_worth_it || until_s <= now_s {
            return None;
        }
        self.since_s.get_or_insert(now_s);
        Some(until_s)
    }

    /// An exposure begins: nobody is awaited any more.
    pub(super) fn begins(&mut self, now_s: f64) {
        self.stops(now_s);
        self.awaited.clear();
    }

    /// Nobody waits any more for those who are awaited: what was spent is paid for.
    pub(super) fn stops(&mut self, now_s: f64) {
        let Some(since_s) = self.since_s.take() else { return };
        let waited_s = now_s - since_s;
        let free_s = if self.awaited.is_empty() { REWARD * self.lasted_s } else { 0.0 };
        self.saved_s -= (waited_s - free_s).max(0.0);
        self.needed_s = if self.came_back { LEAST_S } else { (2.0 * waited_s).clamp(LEAST_S, MOST_S) };
    }
}

#[cfg(test)]
mod tests {
    use settled_drivers::sample::Exposure;

    use super::*;
    use crate::client::By;

    /// How long an exposure takes, in s.
    const LASTS_S: f64 = 0.1;

    fn exposed(integration_s: f64) -> Exposed {
        Exposed { exposure: Exposure { integration_s: Some(integration_s) }, free: false }
    }

    fn clients(count: usize) -> Vec<ClientId> {
        (0..count).map(|_| By::itself().client).collect()
    }

    /// A meter, and how it spends its time.
    #[derive(Default)]
    struct Meter {
        gather: Gather,
        now_s: f64,
        waited_s: f64,
    }

    impl Meter {
        fn expose(&mut self, answers: &[ClientId]) {
            self.gather.begins(self.now_s);
            let began_s = self.now_s;
            self.now_s += LASTS_S;
            self.gather.exposed(exposed(0.1), answers.iter().copied(), began_s, self.now_s);
        }

        /// Waits for the next exposure while others come back, each so long after the exposure's end, in s.
        fn wait(&mut self, coming: &[(ClientId, f64)]) {
            let ended_s = self.now_s;
            for (client, after_s) in coming {
                match self.gather.until_s(exposed(0.1), self.now_s) {
                    Some(until_s) if until_s > ended_s + after_s => self.now_s = ended_s + after_s,
                    _ => break,
                }
                self.gather.came(*client);
            }
            self.now_s = self.gather.until_s(exposed(0.1), self.now_s).unwrap_or(self.now_s);
            self.waited_s += self.now_s - ended_s;
        }
    }

    #[test]
    fn who_comes_back_is_waited_for_and_nobody_else() {
        let (mut meter, clients) = (Meter::default(), clients(3));
        meter.expose(&clients);
        let until_s = meter.gather.until_s(exposed(0.1), meter.now_s);
        assert_eq!(until_s, Some(meter.now_s + SHARE * LASTS_S));
        meter.gather.came(clients[0]);
        meter.gather.came(By::itself().client);
        meter.gather.came(clients[1]);
        assert_eq!(meter.gather.until_s(exposed(0.1), meter.now_s), until_s);
        meter.gather.came(clients[2]);
        assert_eq!(meter.gather.until_s(exposed(0.1), meter.now_s), None);
    }

    #[test]
    fn nobody_is_waited_for_where_only_demands_were_served_or_the_next_is_unlike() {
        let mut meter = Meter::default();
        meter.expose(&[]);
        assert_eq!(meter.gather.until_s(exposed(0.1), meter.now_s), None);
        meter.expose(&clients(1));
        assert_eq!(meter.gather.until_s(exposed(0.2), meter.now_s), None);
        let free = Exposed { free: true, ..exposed(0.1) };
        assert_eq!(meter.gather.until_s(free, meter.now_s), None);
        assert!(meter.gather.until_s(exposed(0.1), meter.now_s).is_some());
    }

    #[test]
    fn a_meter_that_has_idled_begins_at_once() {
        let mut meter = Meter::default();
        meter.expose(&clients(2));
        meter.gather.went_out(meter.now_s + 0.01);
        assert!(meter.gather.until_s(exposed(0.1), meter.now_s + 0.0119).is_some());
        assert_eq!(meter.gather.until_s(exposed(0.1), meter.now_s + 0.0121), None);
    }

    #[test]
    fn those_who_never_come_back_slow_the_meter_by_no_more_than_its_share() {
        let mut meter = Meter::default();
        for _ in 0..1000 {
            meter.expose(&clients(3));
            meter.wait(&[]);
        }
        assert!(meter.waited_s > 0.0 && meter.waited_s <= SHARE * 1000.0 * LASTS_S, "{} s", meter.waited_s);
    }

    #[test]
    fn those_who_take_their_time_slow_it_by_no_more_than_that_and_the_reward() {
        for after_s in [0.001, 0.004, 0.01, 0.015, 0.03] {
            let (mut meter, clients) = (Meter::default(), clients(1));
            for _ in 0..1000 {
                meter.expose(&clients);
                meter.wait(&[(clients[0], after_s)]);
            }
            assert!(meter.waited_s <= 1.001 * (SHARE + REWARD) * 1000.0 * LASTS_S, "{} s", meter.waited_s);
        }
    }

    #[test]
    fn one_who_leaves_costs_those_who_stay_one_exposure_at_most() {
        let (mut meter, clients) = (Meter::default(), clients(9));
        for _ in 0..100 {
            meter.expose(&clients);
            clients.iter().for_each(|client| meter.gather.came(*client));
        }
        meter.expose(&clients[8..]);
        meter.wait(&[]);
        assert!(meter.waited_s <= 1.001 * USUAL_S, "{} s", meter.waited_s);
        meter.expose(&clients[..4]);
        let coming: Vec<_> = clients[..4].iter().map(|client| (*client, 0.002)).collect();
        meter.wait(&coming);
        assert!(meter.gather.awaited.is_empty());
    }

    #[test]
    fn answers_that_are_long_on_their_way_to_the_disk_are_saved_up_for() {
        let (mut meter, clients) = (Meter::default(), clients(2));
        let comes_back = |meter: &mut Meter| {
            meter.expose(&clients);
            meter.wait(&[(clients[0], 0.012), (clients[1], 0.012)]);
            meter.gather.awaited.is_empty()
        };
        assert!(!comes_back(&mut meter));
        assert!((0..50).any(|_| comes_back(&mut meter)));
    }

    #[test]
    fn what_takes_no_time_is_not_waited_for_each_time() {
        let (mut meter, clients) = (Meter::default(), clients(2));
        meter.gather.exposed(exposed(0.1), clients.iter().copied(), 0.0, 0.0001);
        assert_eq!(meter.gather.until_s(exposed(0.1), 0.0001), None);
    }
}
