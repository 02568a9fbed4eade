//! What leases ask of the queue, and make of it.

use std::sync::Arc;

use tokio::sync::oneshot;

use super::item::{Demand, Item, Placed, Purpose};
use super::{Outcome, Queue, ZeroReply};
use crate::client::{By, ClientId};

impl Queue {
    /// Lets only what comes with this lease be served from now on; with none, only what comes with none. What others have in the queue
    /// keeps its place. Observers whose own lease is over go on as anybody does.
    pub(in super::super) fn hold(&mut self, lease: Option<Arc<str>>) {
        if lease == self.served.held_by {
            return;
        }
        self.served.held_by = lease;
        for placed in self.members.values_mut().flat_map(|member| &mut member.items) {
            if let Item::Demand(Demand { by, wanted, .. }) = &mut placed.item
                && wanted.purpose == Purpose::Observing
            {
                by.lease.take_if(|lease| Some(&*lease) != self.served.held_by.as_ref());
            }
        }
    }

    /// What comes from now on has come later than this.
    pub(in super::super) fn mark(&self) -> u64 {
        self.places
    }

    /// What came no later than `mark` and has to be over before a lease that `client` asked for then can begin, in words, and by whom:
    /// single readings and zeros, whoever asked for them, and others' settlings.
    pub(in super::super) fn owed(&self, mark: u64, client: ClientId) -> Option<(&By, &'static str)> {
        let items = self.members.values().flat_map(|member| &member.items);
        let mut owed = items.filter(|placed| placed.came <= mark && placed.item.is_alive());
        owed.find_map(|placed| match &placed.item {
            Item::Waiting(waiting) => Some((&waiting.by, "a reading")),
            Item::Zeroing(zeroing) => Some((&zeroing.by, "a zero")),
            Item::Demand(Demand { wanted, by, .. }) => {
                let is_settling = matches!(wanted.purpose, Purpose::Settling(_));
                (is_settling && by.client != client).then_some((by, "a settling"))
            }
        })
    }

    /// Takes out the requests for single readings, and to zero the meter, that are so.
    pub(in super::super) fn take_out(
        &mut self,
        so: impl Fn(&By) -> bool,
    ) -> (Vec<oneshot::Sender<Outcome>>, Vec<ZeroReply>) {
        let is_so = |placed: &Placed| placed.item.is_single() && so(placed.by());
        if !self.members.values().flat_map(|member| &member.items).any(is_so) {
            return (Vec::new(), Vec::new());
        }
        self.remove(|item| item.is_single() && so(item.by()))
    }

    /// Until when the first of those waits that somebody else's lease keeps waiting, in s.
    pub(in super::super) fn patience_s(&self) -> f64 {
        if self.served.held_by.is_none() || self.singles == 0 {
            return f64::INFINITY;
        }
        let items = self.members.values().flat_map(|member| &member.items);
        let kept = items.filter(|placed| placed.item.is_single() && !self.served.admits(placed.by()));
        kept.map(|placed| placed.by().until_s).fold(f64::INFINITY, f64::min)
    }
}
