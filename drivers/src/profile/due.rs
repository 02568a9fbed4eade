//! Until when an answer to something that was sent may still come. It outlives the link: an instrument that was asked
//! before its line was closed answers after it was opened again.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use tokio::time::Instant;

/// Shared by an instrument and every opening of it.
#[derive(Clone, Debug, Default)]
pub struct Due(Arc<Mutex<Option<Instant>>>);

impl Due {
    fn moment(&self) -> MutexGuard<'_, Option<Instant>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// When the last answer will have come, if it ever does; nothing if every answer has.
    #[must_use]
    pub fn until(&self) -> Option<Instant> {
        *self.moment()
    }

    /// For how long from now an answer may still come.
    #[must_use]
    pub fn remaining(&self) -> Duration {
        self.until().map_or(Duration::ZERO, |due| due.saturating_duration_since(Instant::now()))
    }

    /// An answer may come until `moment`, and nothing that may come later already is forgotten.
    pub fn extend(&self, moment: Instant) {
        let mut due = self.moment();
        *due = due.max(Some(moment));
    }

    /// Every answer has come, or never will.
    pub fn clear(&self) {
        *self.moment() = None;
    }
}
