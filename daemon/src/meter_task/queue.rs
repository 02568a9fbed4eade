//! Who waits for an exposure, and whom the next one serves. Pure: it is told the time.
//!
//! Turns are fair between clients, however much each of them asks for ([`member`]). The client whose turn it is has its oldest
//! item served; whoever asks for the same shares that exposure. An exposure serves only what was in the queue when it began.
//! Requests that leave the integration time to the meter all ask for the same, however long settlings make it ([`alike`]).

use std::collections::BTreeMap;
use std::sync::Arc;

use settled_drivers::sample::Exposure;
use tokio::sync::oneshot;

use super::{Outcome, ZeroReply};
use crate::client::{By, ClientId};

mod alike;
mod item;
mod member;
mod owed;
mod places;

pub use alike::Exposed;
pub use item::{Lengths, Purpose, Wanted};
pub use places::Demanded;

pub(super) use item::{Demand, Waiting, Zeroing};
pub(super) use places::Places;

use alike::Alike;
use item::{Item, Placed};
use member::{Member, Turn};

/// Requests for single readings that a client may have waiting for one meter; more are refused as overloaded. A connection may
/// have no more requests of any kind waiting. Others' requests take no room from it.
pub(super) const MOST_WAITING: usize = 64;

/// Demands for readings to go on that a client may have on one meter at once; more are refused as overloaded. As many as a
/// connection may have settlings and subscriptions.
pub(super) const MOST_DEMANDS: usize = 128;

/// Requests to zero one meter that a client may have waiting; more are refused as overloaded. Each is a person's doing.
pub(super) const MOST_ZEROS: usize = 4;

/// Items that may lie in the queue without anybody caring for them, beside as many as there are others.
const LEFT_LYING: usize = 64;

/// Those whom one exposure serves.
#[derive(Debug)]
pub(super) struct Audience {
    /// Requests for single readings.
    waiting: Vec<Placed>,
    /// Who settles: each looks at the reading before it wants another.
    settling: Vec<ClientId>,
    /// What it is.
    pub(super) exposed: Exposed,
    /// How many requests it serves, demands included.
    pub(super) size: usize,
    /// One of them vouches that the aperture is covered.
    pub(super) covered: bool,
    /// The token of the lease that it is made under.
    pub(super) lease: Option<Arc<str>>,
    /// The runs that it belongs to.
    pub(super) runs: Vec<u64>,
}

impl Audience {
    /// The clients that wait for an answer, or settle.
    pub(super) fn clients(&self) -> impl Iterator<Item = ClientId> {
        let alive = self.waiting.iter().filter(|placed| placed.item.is_alive());
        alive.map(|placed| placed.by().client).chain(self.settling.iter().copied())
    }

    /// Those who wait for an answer.
    pub(super) fn replies(self) -> impl Iterator<Item = oneshot::Sender<Outcome>> {
        self.waiting.into_iter().filter_map(|placed| match placed.item {
            Item::Waiting(waiting) => Some(waiting.reply),
            Item::Demand(_) | Item::Zeroing(_) => None,
        })
    }
}

/// What to do next.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Next {
    /// Expose, as somebody asks for.
    Expose(Exposure),
    /// Zero the meter.
    Zero,
    /// Nothing is due before this, in s.
    Wait(f64),
    /// Nothing is asked for.
    Idle,
}

/// What is served now: what is due, under the lease in force.
#[derive(Clone, Debug)]
struct Served {
    now_s: f64,
    /// Demands wait until then, in s.
    demands_from_s: f64,
    /// The token of the lease in force: only what comes with it is served, and without one only what comes with none.
    held_by: Option<Arc<str>>,
}

impl Served {
    fn admits(&self, by: &By) -> bool {
        self.held_by == by.lease
    }

    /// From when on an item may be served, in s; nothing while another's lease is in force.
    fn due_s(&self, placed: &Placed) -> Option<f64> {
        let due_s = placed.due_s().map_or(f64::NEG_INFINITY, |due_s| due_s.max(self.demands_from_s));
        self.admits(placed.by()).then_some(due_s)
    }

    fn is_due(&self, placed: &Placed) -> bool {
        self.due_s(placed).is_some_and(|due_s| due_s <= self.now_s)
    }
}

/// The queue of one meter.
#[derive(Debug)]
pub(super) struct Queue {
    members: BTreeMap<ClientId, Member>,
    /// The highest pass of those that were chosen.
    reached: u64,
    /// How many exposures there have been; zeroing is one.
    exposures: u64,
    /// How many places have been given.
    places: u64,
    served: Served,
    /// How many items there are, and how many of them are no demands: each is answered once.
    items: usize,
    singles: usize,
    /// How many there were when those were last looked for that nobody cares for any more.
    swept: usize,
}

impl Default for Queue {
    fn default() -> Self {
        let served = Served { now_s: f64::NEG_INFINITY, demands_from_s: f64::NEG_INFINITY, held_by: None };
        let (members, items, singles, swept) = Default::default();
        Self { members, reached: 0, exposures: 0, places: 0, served, items, singles, swept }
    }
}

impl Queue {
    /// Adds a request for one reading, or gives it back if its client has too many.
    pub(super) fn wait(&mut self, waiting: Waiting) -> Result<(), Waiting> {
        if self.has(&waiting.by, MOST_WAITING, |item| matches!(item, Item::Waiting(_))) {
            return Err(waiting);
        }
        self.push(Item::Waiting(waiting));
        Ok(())
    }

    /// Adds a request for readings to go on. One that is there already keeps its place, and asks for what is wanted now.
    pub(super) fn demand(&mut self, demand: Demand) {
        let there = self.members.get_mut(&demand.by.client).and_then(|member| member.find(&demand));
        match there {
            Some(there) => (there.by, there.wanted) = (demand.by, demand.wanted),
            None => self.push(Item::Demand(demand)),
        }
    }

    /// Adds a request to zero the meter, or gives it back if its client has too many.
    pub(super) fn zero(&mut self, zeroing: Zeroing) -> Result<(), Zeroing> {
        if self.has(&zeroing.by, MOST_ZEROS, |item| matches!(item, Item::Zeroing(_))) {
            return Err(zeroing);
        }
        self.push(Item::Zeroing(zeroing));
        Ok(())
    }

    /// Whether a client has so many of a kind that are still waited for.
    fn has(&self, by: &By, most: usize, of: impl Fn(&Item) -> bool) -> bool {
        let items = self.members.get(&by.client).into_iter().flat_map(|member| &member.items);
        items.filter(|placed| of(&placed.item) && placed.item.is_alive()).count() >= most
    }

    fn push(&mut self, item: Item) {
        self.places += 1;
        self.put(Placed { item, number: self.places, came: self.places });
        // While a meter is away nothing else looks for what nobody cares for.
        if self.items > 2 * self.swept + LEFT_LYING {
            self.sweep();
        }
    }

    /// Puts something in its place. A client that had nothing in the queue joins it.
    fn put(&mut self, placed: Placed) {
        self.items += 1;
        self.singles += usize::from(placed.item.is_single());
        let joining = Turn::joining(self.reached, placed.by(), self.exposures);
        self.members.entry(placed.by().client).or_default().put(placed, joining);
    }

    fn sweep(&mut self) {
        self.members.values_mut().for_each(Member::sweep);
        self.tidy();
        self.swept = self.items;
    }

    /// Forgets the clients that have nothing in the queue any more, and counts what is left.
    fn tidy(&mut self) {
        self.members.retain(|_, member| !member.items.is_empty());
        let items = self.members.values().flat_map(|member| &member.items);
        (self.items, self.singles) = items.fold((0, 0), |(items, singles), placed| {
            (items + 1, singles + usize::from(placed.item.is_single()))
        });
    }

    /// Requests for single readings, and to zero the meter, in the queue.
    pub(super) fn len(&self) -> usize {
        self.singles
    }

    /// Takes out every request for a single reading: they all fail.
    pub(super) fn drain(&mut self) -> impl Iterator<Item = oneshot::Sender<Outcome>> {
        self.remove(|item| matches!(item, Item::Waiting(_))).0.into_iter()
    }

    /// Takes out every request to zero the meter: they all fail.
    pub(super) fn drain_zeros(&mut self) -> impl Iterator<Item = ZeroReply> {
        self.remove(|item| matches!(item, Item::Zeroing(_))).1.into_iter()
    }

    fn remove(&mut self, which: impl Fn(&Item) -> bool) -> (Vec<oneshot::Sender<Outcome>>, Vec<ZeroReply>) {
        let (mut readings, mut zeros) = (Vec::new(), Vec::new());
        for placed in self.members.values_mut().flat_map(|member| member.take(|placed| which(&placed.item))) {
            match placed.item {
                Item::Waiting(waiting) => readings.push(waiting.reply),
                Item::Zeroing(zeroing) => zeros.push(zeroing.reply),
                Item::Demand(_) => {}
            }
        }
        self.tidy();
        (readings, zeros)
    }

    /// What to do at `now_s`. Demands wait until `demands_from_s` (after a failure, say).
    pub(super) fn next(&mut self, now_s: f64, demands_from_s: f64) -> Next {
        (self.served.now_s, self.served.demands_from_s) = (now_s, demands_from_s);
        self.sweep();
        let fronts =
            self.members.values().filter_map(|member| Some((member.turn, member.front(&self.served)?)));
        match fronts.min_by_key(|(turn, front)| (*turn, front.number)) {
            Some((_, front)) => front.asks().map_or(Next::Zero, Next::Expose),
            None => {
                let waiting = self.members.values().flat_map(|member| &member.items);
                let due = waiting.filter_map(|placed| self.served.due_s(placed));
                due.min_by(f64::total_cmp).map_or(Next::Idle, Next::Wait)
            }
        }
    }

    /// Takes out the request to zero the meter whose turn it is.
    pub(super) fn take_zero(&mut self) -> Option<ZeroReply> {
        let fronts =
            self.members.values().filter_map(|member| Some((member.turn, member.front(&self.served)?)));
        let zeros = fronts.filter(|(_, front)| matches!(front.item, Item::Zeroing(_)));
        let number = zeros.map(|(turn, front)| (turn, front.number)).min()?.1;
        let zero = self.serve(|placed| placed.number == number).pop();
        self.tidy();
        match zero?.item {
            Item::Zeroing(zeroing) => Some(zeroing.reply),
            Item::Waiting(_) | Item::Demand(_) => None,
        }
    }

    /// The exposure that is made now for somebody who asks for this.
    pub(super) fn exposed(&self, asked: Exposure) -> Exposed {
        self.alike().exposed(asked)
    }

    /// Takes out those whom an exposure that begins at `now_s`, as somebody asks for, serves.
    pub(super) fn take(&mut self, asked: Exposure, now_s: f64) -> Audience {
        let exposed = self.exposed(asked);
        let served = self.served.clone();
        let taken = self.serve(|placed| placed.is_for(exposed) && served.admits(placed.by()));
        let (size, mut waiting, mut settling) = (taken.len(), Vec::new(), Vec::new());
        let mut runs: Vec<u64> = taken.iter().filter_map(|placed| placed.by().run).collect();
        runs.sort_unstable();
        runs.dedup();
        for mut placed in taken {
            let Item::Demand(demand) = &mut placed.item else {
                waiting.push(placed);
                continue;
            };
            demand.met(now_s);
            if demand.wanted.purpose.is_settling() {
                settling.push(placed.by().client);
            }
            // It asks for the next, behind whatever else its client asks for.
            self.places += 1;
            placed.number = self.places;
            if let Some(member) = self.members.get_mut(&placed.by().client) {
                member.items.push_back(placed);
            }
        }
        self.tidy();
        let covers = |placed: &Placed| matches!(&placed.item, Item::Waiting(waiting) if waiting.covered);
        let covered = waiting.iter().any(covers);
        Audience { covered, waiting, settling, exposed, size, lease: served.held_by, runs }
    }

    /// Takes out what is so, and that somebody waits for. Each client for which that was its turn has its next one later.
    fn serve(&mut self, so: impl Fn(&Placed) -> bool) -> Vec<Placed> {
        self.exposures += 1;
        let served = &self.served;
        let fronts = self.members.values().filter_map(|member| Some((member.turn, member.front(served)?)));
        let chosen = fronts.filter(|(_, front)| so(front)).map(|(turn, _)| turn.pass).min();
        self.reached = self.reached.max(chosen.unwrap_or(0));
        let mut taken = Vec::new();
        for member in self.members.values_mut() {
            // Whoever has nothing due is served ahead of its time: that is a turn, too.
            let is_turn = member.front(served).is_none_or(&so);
            let before = taken.len();
            taken.extend(member.take(&so).filter(|placed| placed.item.is_alive()));
            if let Some(first) = taken.get(before).filter(|_| is_turn) {
                member.turn = Turn::served(self.reached, first.by(), self.exposures);
            }
        }
        taken
    }

    /// What requests that leave the integration time to the meter ask for.
    fn alike(&self) -> Alike {
        let items = self.members.values().flat_map(|member| &member.items);
        Alike::new(items.filter(|placed| self.served.admits(placed.by())).filter_map(|placed| {
            match &placed.item {
                Item::Demand(demand) => demand.lengths(),
                Item::Waiting(_) | Item::Zeroing(_) => None,
            }
        }))
    }

    /// Lets the demands that ask for what such an exposure gives, and no others, wait until `until_s`.
    pub(super) fn postpone(&mut self, exposed: Exposed, until_s: f64) {
        let served = self.served.clone();
        for placed in self.members.values_mut().flat_map(|member| &mut member.items) {
            let is_for = placed.is_for(exposed) && served.admits(placed.by());
            if let Item::Demand(demand) = &mut placed.item
                && is_for
            {
                demand.due_s = demand.due_s.max(until_s);
            }
        }
    }

    /// The meter refused an exposure that was lengthened: none is made as long as that. Whoever left the integration time to the
    /// meter, and waits for an answer, goes back to its place; those who asked for just this are left.
    pub(super) fn shorten(&mut self, audience: Audience) -> Audience {
        let Audience { waiting, settling, exposed, size, covered, lease, runs } = audience;
        for placed in self.members.values_mut().flat_map(|member| &mut member.items) {
            if let Item::Demand(demand) = &mut placed.item {
                demand.shorten(exposed);
            }
        }
        let (back, waiting): (Vec<_>, Vec<_>) =
            waiting.into_iter().partition(|placed| placed.asks() == Some(Exposure::default()));
        back.into_iter().for_each(|placed| self.put(placed));
        Audience {
            waiting,
            settling,
            exposed: Exposed { free: false, ..exposed },
            size,
            covered,
            lease,
            runs,
        }
    }
}

#[cfg(test)]
mod model;
#[cfg(test)]
mod shares;
#[cfg(test)]
mod tests;
