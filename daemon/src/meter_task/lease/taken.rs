//! A lease in the hands of the client that took it.

use std::sync::Arc;

use settled_protocol::lease::Lease;

use super::Held;
use crate::meter_task::shared::Shared;

/// A lease that somebody has. Dropping it gives the meter back.
#[derive(Debug)]
pub struct Taken {
    shared: Arc<Shared>,
    held: Held,
}

impl Taken {
    pub(in crate::meter_task) fn new(shared: Arc<Shared>, held: Held) -> Self {
        Self { shared, held }
    }

    /// Whether it still counts.
    #[must_use]
    pub fn is_in_force(&self) -> bool {
        self.shared.desk.is_in_force(&self.held.token)
    }

    /// As its holder is told of it.
    #[must_use]
    pub fn lease(&self) -> Lease {
        self.held.lease(&self.shared.id)
    }
}

impl Drop for Taken {
    fn drop(&mut self) {
        self.shared.release(&self.held.token, "its client is gone");
    }
}
