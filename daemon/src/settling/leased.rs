//! A settling beside somebody else's lease.
//!
//! One that had begun when the lease did waits for as long as its client is ready to wait for a verdict: it has had the meter, and will
//! have it again. One that comes later waits no longer than it says. To either, what its holder sees is no evidence, and the time is a gap.

use settled_drivers::clock::Clock as _;
use settled_protocol::error::RpcError;
use settled_protocol::reading::{Flag, Reading};

use super::Run;
use crate::clock::Clock;

impl Run {
    /// Whether a reading is evidence for it: of light, asked for since it began, and taken while nobody else had the meter for itself,
    /// who may have shown something else meanwhile.
    pub(super) fn is_concerned(&self, reading: &Reading, lease: Option<&str>) -> bool {
        let is_ours = lease.is_none() || lease == self.by.lease.as_deref();
        is_ours && !reading.flags.contains(&Flag::Dark) && reading.began_s >= self.started_s
    }

    /// Looks whether somebody else has the meter for itself.
    pub(super) fn look_at_lease(&mut self) {
        self.leased = self.meter.leased(self.by.lease.as_deref());
        self.admitted |= self.leased.is_none();
    }

    /// Until when somebody else has it may have changed. That it is over is news that comes by itself.
    pub(super) fn look_again(&mut self) {
        if let Some(leased) = self.leased.take() {
            self.leased = Some(self.meter.leased(self.by.lease.as_deref()).unwrap_or(leased));
        }
    }

    /// Waits as long as it waits for somebody else's lease to end; for ever once it has had the meter.
    pub(super) async fn turned_away(&self, clock: &Clock) -> RpcError {
        match self.leased.clone().filter(|_| !self.admitted) {
            None => std::future::pending().await,
            Some(leased) => {
                clock.sleep_until(self.by.until_s).await;
                self.meter.leased(self.by.lease.as_deref()).unwrap_or(leased)
            }
        }
    }
}
