//! The numbers that readings get. None is ever given out twice, not even where the reading could not be logged and the
//! daemon was killed: numbers are set aside in the log, many at once, before any of them is given out.
//!
//! Where the log can set none aside (it could not be opened yet, or failed for longer than those last), numbers come from the
//! machine's clock: microseconds of UTC, which are far above any that were counted, fit what JSON's readers take for a whole
//! number (2^53, reached in 2255) and go on faster than readings come. The log goes on above them once it is written again.

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

    /// A log has been opened that says that everything up to `reserved` is set aside, and that everything up to `used` may have been
    /// given out.
    pub(super) fn opened(&self, used: u64, reserved: u64) {
        self.last.fetch_max(used, Ordering::AcqRel);
        self.reserved.store(reserved, Ordering::Release);
    }

    /// The last that was taken.
    pub(super) fn last(&self) -> u64 {
        self.last.load(Ordering::Acquire)
    }

    /// Takes `count` numbers, and tells the one before the first: of those set aside, else from the clock, at which it is `now_us`.
    pub(super) fn take(&self, count: u64, now_us: u64) -> u64 {
        let reserved = self.reserved.load(Ordering::Acquire);
        let before = |last: u64| if last + count <= reserved { last } else { last.max(now_us) };
        let taken =
            self.last.fetch_update(Ordering::AcqRel, Ordering::Acquire, |last| Some(before(last) + count));
        // The closure never declines.
        before(taken.unwrap_or_else(|last| last))
    }

    /// Whether everything up to `sequence` is set aside: else it must not be written either.
    pub(super) fn covers(&self, sequence: u64) -> bool {
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_rise_wherever_they_come_from() {
        let numbers = Numbers::after(7);
        // Nothing is set aside yet.
        assert_eq!(numbers.take(2, 1_000_000), 1_000_000);
        assert_eq!(numbers.take(1, 900_000), 1_000_002, "a clock that is set back makes no number anew");
        // What came from the clock is above all that the log knows, and set aside nowhere.
        numbers.opened(500, 500);
        assert!(numbers.wanted().is_some() && !numbers.covers(1_000_003));
        numbers.set_aside(1_000_100);
        assert_eq!(numbers.take(3, 2_000_000), 1_000_003);
        assert!(numbers.covers(1_000_006) && !numbers.covers(1_000_101));
        assert_eq!(numbers.take(200, 2_000_000), 2_000_000, "those set aside are not enough");
    }
}
