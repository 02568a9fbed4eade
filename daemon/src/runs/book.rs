//! The runs that are not over: where each is, and how it is reached.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use settled_protocol::run::{Run, RunState};
use tokio::sync::watch;

use super::kept::Kept;

/// Runs that are not over, in all: nobody watches more, and each takes some 100 kB.
pub(super) const MOST: usize = 64;

/// The same of one meter: each wants exposures of its own where their settings differ.
pub(super) const MOST_A_METER: usize = 16;

/// A run that is not over, as everybody but its own task sees it.
#[derive(Debug)]
pub(super) struct Entry {
    /// Somebody has asked for it, and hears whether the log has it: it runs only then.
    is_asked: bool,
    /// How it is now.
    now: watch::Sender<Kept>,
    /// Why it is to stop, once somebody has said so.
    stopping: watch::Sender<Option<String>>,
    /// Whether the log has it, once that is known.
    durable: watch::Sender<Option<bool>>,
}

impl Entry {
    fn new(kept: Kept, is_asked: bool, durable: Option<bool>) -> Arc<Self> {
        let (stopping, durable) = (watch::Sender::new(None), watch::Sender::new(durable));
        Arc::new(Self { is_asked, now: watch::Sender::new(kept), stopping, durable })
    }

    /// One that somebody has asked for.
    pub(super) fn asked(kept: Kept) -> Arc<Self> {
        Self::new(kept, true, None)
    }

    /// A night that comes after another one.
    pub(super) fn night(kept: Kept) -> Arc<Self> {
        Self::new(kept, false, None)
    }

    /// One that the log has.
    pub(super) fn logged(kept: Kept) -> Arc<Self> {
        Self::new(kept, false, Some(true))
    }

    /// How it is now.
    pub(super) fn kept(&self) -> Kept {
        self.now.borrow().clone()
    }

    /// The run's number.
    pub(super) fn number(&self) -> u64 {
        self.now.borrow().run.run
    }

    /// Whether it is one of these nights that is yet to come.
    fn is_night(&self, chain: u64) -> bool {
        let kept = self.now.borrow();
        kept.chain() == Some(chain) && kept.run.state == RunState::Planned
    }

    pub(super) fn change(&self, kept: Kept) {
        self.now.send_replace(kept);
    }

    /// Waits until it is over, and gives what came of it.
    pub(super) async fn over(&self) -> Kept {
        let mut now = self.now.subscribe();
        // The sender is here.
        let _over = now.wait_for(|kept| kept.run.state.is_over()).await.is_ok();
        self.kept()
    }

    /// Has its task end it. The first reason counts.
    pub(super) fn stop(&self, why: &str) {
        self.stopping.send_if_modified(|stopping| {
            let is_first = stopping.is_none();
            stopping.get_or_insert_with(|| why.to_owned());
            is_first
        });
    }

    /// Whether somebody has stopped it.
    fn is_stopping(&self) -> bool {
        self.stopping.borrow().is_some()
    }

    /// Waits until somebody stops it, and says why.
    pub(super) async fn stopped(&self) -> String {
        let mut stopping = self.stopping.subscribe();
        let stopped = stopping.wait_for(Option::is_some).await;
        stopped.ok().and_then(|why| why.clone()).unwrap_or_default()
    }

    /// Says whether the log has it as it is now; what it once had stays.
    pub(super) fn set_durable(&self, durable: bool) {
        self.durable.send_modify(|known| *known = Some(durable || *known == Some(true)));
    }

    /// Whether the log is known to have it.
    pub(super) fn is_durable(&self) -> bool {
        *self.durable.borrow() == Some(true)
    }

    /// Whether somebody who has asked for it still waits to hear whether the log has it.
    pub(super) fn is_new(&self) -> bool {
        self.is_asked && self.durable.borrow().is_none()
    }

    /// Waits until it is known whether the log has it.
    pub(super) async fn durable(&self) -> bool {
        let mut durable = self.durable.subscribe();
        durable.wait_for(Option::is_some).await.is_ok_and(|durable| *durable == Some(true))
    }
}

/// All of them by number.
#[derive(Debug, Default)]
pub(super) struct Book(Mutex<BTreeMap<u64, Arc<Entry>>>);

impl Book {
    fn entries(&self) -> MutexGuard<'_, BTreeMap<u64, Arc<Entry>>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub(super) fn add(&self, entry: &Arc<Entry>) {
        self.entries().insert(entry.number(), Arc::clone(entry));
    }

    /// Adds a planned night, unless another one of them is planned already, or the one before it was stopped: whoever stops all of them
    /// misses none. Whether it was added.
    pub(super) fn add_night(&self, entry: &Arc<Entry>, chain: u64, besides: u64) -> bool {
        let run = entry.number();
        let mut entries = self.entries();
        let is_planned = entries.values().any(|entry| entry.is_night(chain) && entry.number() != besides);
        let is_last = entries.get(&besides).is_some_and(|before| before.is_stopping());
        let is_added = !is_planned && !is_last;
        if is_added {
            entries.insert(run, Arc::clone(entry));
        }
        is_added
    }

    /// Stops a run and every night after it, `why`; its own reason goes on with what `others` says of them. Which nights those are.
    pub(super) fn stop_all(
        &self,
        entry: &Entry,
        why: &str,
        others: impl FnOnce(&[Run]) -> String,
    ) -> Vec<Arc<Entry>> {
        let (chain, number) = (entry.kept().chain(), entry.number());
        let entries = self.entries();
        let is_after = |night: &&Arc<Entry>| chain.is_some_and(|chain| night.is_night(chain));
        let after = entries.values().filter(is_after).filter(|night| night.number() != number);
        let nights: Vec<Arc<Entry>> = after.map(Arc::clone).collect();
        nights.iter().for_each(|night| night.stop(why));
        let runs: Vec<Run> = nights.iter().map(|night| night.kept().run).collect();
        entry.stop(&format!("{why}{}", others(&runs)));
        nights
    }

    pub(super) fn remove(&self, run: u64) {
        self.entries().remove(&run);
    }

    pub(super) fn get(&self, run: u64) -> Option<Arc<Entry>> {
        self.entries().get(&run).map(Arc::clone)
    }

    /// How many there are in all, and how many of a meter.
    pub(super) fn count(&self, meter: &str) -> (usize, usize) {
        let entries = self.entries();
        let of_meter = entries.values().filter(|entry| entry.now.borrow().run.plan.meter == meter).count();
        (entries.len(), of_meter)
    }

    /// Every one, as it is now.
    pub(super) fn all(&self) -> Vec<Run> {
        self.entries().values().map(|entry| entry.now.borrow().run.clone()).collect()
    }

    /// How many are running.
    pub(super) fn running(&self) -> usize {
        self.entries().values().filter(|entry| entry.now.borrow().run.state == RunState::Running).count()
    }

    /// The night that is planned after this one, if one is.
    pub(super) fn night_after(&self, kept: &Kept) -> Option<Arc<Entry>> {
        let (chain, number) = (kept.chain()?, kept.run.run);
        let entries = self.entries();
        entries.values().find(|entry| entry.is_night(chain) && entry.number() != number).map(Arc::clone)
    }
}
