//! A display and a meter that looks at it, as a physical model.

use std::sync::Arc;

use settled_protocol::stage::Stimulus;

use crate::driver::{Context, Driver};
use crate::settings::Table;

/// A simulated display that can be told what to show.
#[derive(Debug)]
pub struct Stage {}

impl Stage {
    /// Shows `stimulus` from `t_s` on, in s of the daemon's clock.
    pub fn show(&self, _stimulus: Stimulus, _t_s: f64) {}
}

/// Reads a meter's settings for this driver.
pub fn configure(_settings: &mut Table<'_>, _context: &Context) -> Option<Arc<dyn Driver>> {
    None
}
