//! Runs: measurements that belong to the daemon. They outlive the client that started them, a restart and a reboot.

use tokio::sync::watch;

/// Every run that is not over.
#[derive(Debug)]
pub struct Runs {
    /// How many are running.
    active: watch::Sender<usize>,
}

impl Default for Runs {
    fn default() -> Self {
        Self { active: watch::Sender::new(0) }
    }
}

impl Runs {
    /// How many runs are running, planned ones not counted: now, and as that changes.
    #[must_use]
    pub fn active(&self) -> watch::Receiver<usize> {
        self.active.subscribe()
    }
}
