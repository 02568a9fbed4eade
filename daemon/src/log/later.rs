//! What waits in memory until the log can be written again.

use std::collections::{BTreeMap, VecDeque};

use rusqlite::Transaction;

use super::writer::write_entry;
use super::{Entry, runs};
use crate::runs::Kept;

/// Events and zeros that are kept: a night's, with a meter that comes and goes.
const MOST: usize = 4096;

/// Runs that are kept, of each the latest there was: all that may be on at once, and those that end and begin anew each day for a
/// fortnight.
const MOST_RUNS: usize = 1024;

/// What waits.
#[derive(Debug, Default)]
pub(super) struct Later {
    entries: VecDeque<Entry>,
    runs: BTreeMap<u64, Box<Kept>>,
}

impl Later {
    /// Keeps something until it can be written. Whether there was room for it.
    pub(super) fn keep(&mut self, entry: Entry) -> bool {
        let is_room = self.entries.len() < MOST;
        if is_room {
            self.entries.push_back(entry);
        }
        is_room
    }

    /// Keeps a run, in place of what was kept of it before. The daemon's trace tells of one that there is no room for.
    pub(super) fn keep_run(&mut self, kept: Box<Kept>) {
        let run = kept.run.run;
        if self.runs.len() < MOST_RUNS || self.runs.contains_key(&run) {
            self.runs.insert(run, kept);
        } else {
            tracing::warn!(
                run,
                state = kept.run.state.name(),
                "too many runs wait to be written: this one is not"
            );
        }
    }

    pub(super) fn is_empty(&self) -> bool {
        self.entries.is_empty() && self.runs.is_empty()
    }

    /// Writes all of it: runs first, as events are about them.
    pub(super) fn write(&self, transaction: &Transaction<'_>) -> rusqlite::Result<()> {
        self.runs.values().try_for_each(|kept| runs::write(transaction, kept))?;
        self.entries.iter().try_for_each(|entry| write_entry(transaction, entry))
    }

    /// It has been written.
    pub(super) fn clear(&mut self) {
        *self = Self::default();
    }
}
