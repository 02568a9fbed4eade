//! What is handed to the thread that writes.

use settled_protocol::reading::{Flag, Reading};
use tokio::sync::oneshot;

use super::{Change, Happening, Order, Which, Zero, thin};
use crate::clock::Moment;

/// One thing to write.
#[derive(Debug)]
pub(super) enum Entry {
    Reading {
        draft: Box<Reading>,
        numbered: oneshot::Sender<Numbered>,
    },
    Event {
        happening: Happening,
        moment: Moment,
        boot: String,
    },
    Correction {
        change: Change,
        happening: Option<Happening>,
        moment: Moment,
        boot: String,
        then: Then,
    },
    Zero {
        which: Which,
        zero: Option<Zero>,
        written: oneshot::Sender<()>,
    },
    Run {
        kept: Box<crate::runs::Kept>,
        /// Whether it is written later where it can't be now.
        or_later: bool,
        written: oneshot::Sender<bool>,
    },
    /// Something is wrong with the file itself.
    Damaged(String),
    /// One at a time: whoever orders it waits for it.
    Thin {
        order: Order,
        done: thin::Done,
    },
    /// Nothing to write: says that all before it has been looked at.
    Mark {
        reached: oneshot::Sender<()>,
    },
}

/// What became of a reading.
#[derive(Clone, Copy, Debug)]
pub struct Numbered {
    /// Its sequence.
    pub sequence: u64,
    /// Whether it is durable; else it must be flagged.
    pub durable: bool,
}

/// A reading with its number, and the flag it earns if it isn't durable.
#[must_use]
pub fn numbered(mut draft: Reading, numbered: Numbered) -> Reading {
    draft.sequence = numbered.sequence;
    if !numbered.durable {
        draft.flags.push(Flag::Unlogged);
    }
    draft
}

/// What is to be done once something has been written, or could not be.
pub struct Then(Box<dyn FnOnce(bool) + Send>);

impl Then {
    /// `action` gets whether it was written.
    pub fn new(action: impl FnOnce(bool) + Send + 'static) -> Self {
        Self(Box::new(action))
    }

    pub(super) fn done(self, written: bool) {
        (self.0)(written);
    }
}

impl std::fmt::Debug for Then {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Then").finish_non_exhaustive()
    }
}
