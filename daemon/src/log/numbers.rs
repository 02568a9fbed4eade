//! The numbers that readings get. None is ever given out twice, not even where the reading could not be logged and the
//! daemon was killed: numbers are set aside in the log, many at once, before any of them is given out.

use std::sync::atomic::{AtomicU64, Ordering};

/// Numbers set aside at once. They must last for as long as the log can't be written: at the highest rate of one meter (20
/// a second) for half a day. A daemon that was killed skips what it had set aside and not used.
pub(super) const BLOCK: u64 = 1_000_000;

/// Shared between the writer and whoever takes over when it is gone.
#[derive(Debug)]
pub(super) struct Numbers {
    /// The last that was taken.
    last: AtomicU64,
    /// The last that is set aside, as far as the log is known to say so.
    reserved: AtomicU64,
}

impl Numbers {
    /// Goes on after `reserved`, which the log says an earlier daemon may have given out.
    pub(super) fn after(reserved: u64) -> Self {
        Self { last: AtomicU64::new(reserved), reserved: AtomicU64::new(reserved) }
    }

    /// The last that was taken.
    pub(super) fn last(&self) -> u64 {
        self.last.load(Ordering::Acquire)
    }

    /// Takes `count` numbers, set aside or not, and tells the one before the first: none may be given out before it is set
    /// aside.
    pub(super) fn take(&self, count: u64) -> u64 {
        self.last.fetch_add(count, Ordering::AcqRel)
    }

    /// One number that needs no commit; nothing if none is left that is set aside.
    pub(super) fn one(&self) -> Option<u64> {
        let reserved = self.reserved.load(Ordering::Acquire);
        let next = |last: u64| (last < reserved).then_some(last + 1);
        self.last.fetch_update(Ordering::AcqRel, Ordering::Acquire, next).ok().map(|last| last + 1)
    }

    /// Whether a number may be given out: it is set aside.
    pub(super) fn may_give(&self, sequence: u64) -> bool {
        sequence <= self.reserved.load(Ordering::Acquire)
    }

    /// What should be set aside next; nothing while half a block is left.
    pub(super) fn wanted(&self) -> Option<u64> {
        let (last, reserved) = (self.last(), self.reserved.load(Ordering::Acquire));
        (last + BLOCK / 2 > reserved).then_some(last + BLOCK)
    }

    /// The log says, durably, that everything up to `reserved` is set aside.
    pub(super) fn set_aside(&self, reserved: u64) {
        self.reserved.store(reserved, Ordering::Release);
    }
}
