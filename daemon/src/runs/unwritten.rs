//! Runs that are over while the log can't be written: their rows say that they go on, and what is told of them comes from here until the
//! log has caught up.

use std::collections::BTreeMap;
use std::sync::{Mutex, MutexGuard, PoisonError};

use settled_protocol::run::{ListRuns, Run};

/// Runs that are kept, of which the oldest gives way: as many as the log itself keeps until it can be written.
const MOST: usize = 1024;

/// Those runs, by number.
#[derive(Debug, Default)]
pub(super) struct Unwritten(Mutex<BTreeMap<u64, Run>>);

impl Unwritten {
    fn runs(&self) -> MutexGuard<'_, BTreeMap<u64, Run>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Keeps one that has just ended.
    pub(super) fn keep(&self, run: &Run) {
        let mut runs = self.runs();
        runs.insert(run.run, run.clone());
        if runs.len() > MOST {
            runs.pop_first();
        }
    }

    /// What is told of a run, given its row in the log, if it has one. One whose row says that it is over needn't be kept any more.
    pub(super) fn told(&self, number: u64, row: Option<Run>) -> Option<Run> {
        let mut runs = self.runs();
        if row.as_ref().is_some_and(|row| row.state.is_over()) {
            runs.remove(&number);
        }
        runs.get(&number).cloned().or(row)
    }

    /// Puts those that are missing, and those of `others` that have no row yet, into a page of runs, the latest first, and takes out whatever
    /// isn't asked for as it is now. Only numbers above `lowest` belong to this page.
    pub(super) fn complete(&self, page: &mut Vec<Run>, others: Vec<Run>, which: &ListRuns, lowest: u64) {
        let is_asked_for = |run: &Run| {
            which.state.is_none_or(|state| run.state == state)
                && which.meter.as_ref().is_none_or(|meter| run.plan.meter == *meter)
                && which.before.is_none_or(|before| run.run < before)
        };
        page.retain(is_asked_for);
        let kept: Vec<Run> = self.runs().values().cloned().collect();
        for run in kept.into_iter().chain(others).filter(|run| run.run > lowest && is_asked_for(run)) {
            if page.iter().all(|known| known.run != run.run) {
                page.push(run);
            }
        }
        page.sort_by_key(|run| std::cmp::Reverse(run.run));
    }
}
