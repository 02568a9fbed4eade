//! Leases, where it isn't one meter's own matter.

use std::sync::Arc;

use settled_drivers::simulated::Stage;
use settled_protocol::error::RpcError;
use settled_protocol::lease::Lease;

use super::Daemon;
use crate::config::MeterConfig;
use crate::meter_task::{MeterHandle, lost_anywhere};

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

    /// Why a simulated display may not be told what to show: several meters may look at it, and somebody else may have one of them for
    /// itself. Every one of `tokens`, which have commas between them, must be in force; a client that has leased several meters needs
    /// the token of one alone.
    pub(super) fn stage_leased(&self, stage: &Arc<Stage>, tokens: Option<&str>) -> Option<RpcError> {
        let looks = |config: &MeterConfig| config.driver.stage().is_some_and(|own| Arc::ptr_eq(&own, stage));
        let meters = self.meters.iter().filter(|(_, config)| looks(config));
        let meters: Vec<&MeterHandle> = meters.map(|(handle, _)| handle).collect();
        let mut holders = Vec::new();
        for token in tokens.iter().flat_map(|tokens| tokens.split(',')) {
            match self.meters.iter().find_map(|(handle, _)| handle.holder_of(token)) {
                Some(holder) => holders.push(holder),
                None => return meters.first()?.leased(Some(token)),
            }
        }
        meters.iter().find(|meter| !meter.is_free_for(&holders))?.leased(None)
    }
}
