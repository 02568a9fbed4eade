//! What leases ask of the queue, and make of it.

use std::sync::Arc;

use tokio::sync::oneshot;

use super::super::{Outcome, ZeroReply};
use super::{Purpose, Queue};
use crate::client::{By, ClientId};

impl Queue {
    /// Lets only what comes under this lease be served from now on; with none, only what comes under none. Observers whose own lease is
    /// over go on as anybody does.
    pub(in crate::meter_task) fn hold(&mut self, lease: Option<Arc<str>>) {
        if lease == self.held_by {
            return;
        }
        self.held_by = lease;
        for demand in &mut self.demands {
            if demand.of.wanted.purpose == Purpose::Observing && demand.of.by.lease != self.held_by {
                demand.of.by.lease = None;
            }
        }
    }

    /// Whether a lease is in force, as far as the queue knows.
    pub(in crate::meter_task) fn is_held(&self) -> bool {
        self.held_by.is_some()
    }

    /// The number of what came last: what comes from now on has higher ones.
    pub(in crate::meter_task) fn mark(&self) -> u64 {
        self.arrivals
    }

    /// What came no later than a number and has to be over before a lease that this client asked for then can begin: single readings and
    /// zeros, and others' settlings.
    pub(in crate::meter_task) fn owed(&self, number: u64, client: ClientId) -> Option<(&By, &'static str)> {
        let came = |at: u64| at <= number;
        let reads = self.waiting.iter().filter(|read| came(read.number) && !read.of.reply.is_closed());
        let zeros = self.zeros.iter().filter(|zero| came(zero.number) && !zero.of.reply.is_closed());
        let settlings = self.demands.iter().filter(|demand| {
            let is_settling = demand.of.wanted.purpose == Purpose::Settling && demand.of.alive.strong_count() > 0;
            is_settling && came(demand.number) && demand.of.by.client != client
        });
        let reads = reads.map(|read| (&read.of.by, "a reading"));
        let zeros = zeros.map(|zero| (&zero.of.by, "a zero"));
        reads.chain(zeros).chain(settlings.map(|demand| (&demand.of.by, "a settling"))).next()
    }

    /// Takes out the requests for single readings, and to zero the meter, that are so.
    pub(in crate::meter_task) fn take_out(
        &mut self,
        so: impl Fn(&By) -> bool,
    ) -> (Vec<oneshot::Sender<Outcome>>, Vec<ZeroReply>) {
        let (mut reads, mut zeros) = (Vec::new(), Vec::new());
        for read in std::mem::take(&mut self.waiting) {
            if so(&read.of.by) { reads.push(read.of.reply) } else { self.waiting.push_back(read) }
        }
        for zero in std::mem::take(&mut self.zeros) {
            if so(&zero.of.by) { zeros.push(zero.of.reply) } else { self.zeros.push_back(zero) }
        }
        (reads, zeros)
    }

    /// Until when the first of those waits that somebody else's lease keeps waiting, in s.
    pub(in crate::meter_task) fn patience_s(&self) -> f64 {
        let reads = self.waiting.iter().map(|read| &read.of.by);
        let kept = reads.chain(self.zeros.iter().map(|zero| &zero.of.by)).filter(|by| !self.admits(by));
        kept.map(|by| by.until_s).fold(f64::INFINITY, f64::min)
    }
}
