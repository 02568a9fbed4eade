//! Leases, where it isn't one meter's own matter.

use settled_protocol::error::RpcError;
use settled_protocol::lease::Lease;

use super::Daemon;
use crate::meter_task::lost_anywhere;

impl Daemon {
    /// Lets a lease last from now on for `ttl_s`, or for as long as before.
    ///
    /// # Errors
    /// `lease_lost` if it isn't in force.
    pub fn renew(&self, token: &str, ttl_s: Option<f64>) -> Result<Lease, RpcError> {
        let renewed = self.meters.iter().find_map(|(handle, _)| handle.renew(token, ttl_s));
        renewed.ok_or_else(lost_anywhere)
    }

    /// Gives a meter back.
    ///
    /// # Errors
    /// `lease_lost` if the lease isn't in force: it was given back already, say.
    pub fn release(&self, token: &str) -> Result<(), RpcError> {
        let released = self.meters.iter().any(|(handle, _)| handle.release(token));
        released.then_some(()).ok_or_else(lost_anywhere)
    }
}
