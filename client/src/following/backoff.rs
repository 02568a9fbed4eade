//! How long to wait between attempts: longer each time, up to a bound, and never in step with other clients.

use std::hash::{BuildHasher, RandomState};
use std::time::Duration;

/// Before the first attempt: a daemon that is started anew answers within a fraction of a second.
const FIRST: Duration = Duration::from_millis(50);

/// At the longest: what somebody who has just started the daemon is willing to wait.
const LONGEST: Duration = Duration::from_secs(5);

/// Doubling waits, of which a random half is left out.
#[derive(Debug)]
pub(crate) struct Backoff {
    wait: Duration,
    /// Keyed at random for each.
    chance: RandomState,
}

impl Default for Backoff {
    fn default() -> Self {
        Self { wait: FIRST, chance: RandomState::new() }
    }
}

impl Backoff {
    /// How long to wait once a connection has ended that lasted so long. One that lasted is the end of earlier trouble.
    pub(crate) fn after(&mut self, lasted: Duration) -> Duration {
        if lasted > LONGEST {
            self.wait = FIRST;
        }
        self.next()
    }

    /// How long to wait this time.
    pub(crate) fn next(&mut self) -> Duration {
        let whole = self.wait;
        self.wait = (whole * 2).min(LONGEST);
        let half = whole / 2;
        let thousandth = u32::try_from(self.chance.hash_one(whole) % 1001).unwrap_or(0);
        half + half * thousandth / 1000
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_connection_that_lasts_is_the_end_of_long_waits_and_one_that_does_not_is_none() {
        let mut backoff = Backoff::default();
        for _ in 0..10 {
            let _wait = backoff.next();
        }
        assert!(backoff.after(LONGEST / 2) >= LONGEST / 2);
        assert!(backoff.after(LONGEST * 2) <= FIRST);
    }

    #[test]
    fn waits_grow_to_a_bound_and_no_two_clients_keep_step() {
        let waits = || {
            let mut backoff = Backoff::default();
            (0..20).map(|_| backoff.next()).collect::<Vec<_>>()
        };
        let of_many: Vec<_> = (0..50).map(|_| waits()).collect();
        for waits in &of_many {
            assert!(waits[0] >= FIRST / 2 && waits[0] <= FIRST, "{waits:?}");
            assert!(waits.iter().all(|wait| *wait <= LONGEST), "{waits:?}");
            assert!(waits[10..].iter().all(|wait| *wait >= LONGEST / 2), "{waits:?}");
        }
        let mut firsts: Vec<_> = of_many.iter().map(|waits| waits[0]).collect();
        firsts.sort();
        firsts.dedup();
        assert!(firsts.len() > 10, "{firsts:?}");
    }
}
