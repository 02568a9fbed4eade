//! Any instrument that answers text lines, described in TOML.

use std::sync::Arc;

use crate::driver::{Context, Driver};
use crate::settings::Table;

/// Reads a meter's settings for this driver.
pub fn configure(_settings: &mut Table<'_>, _context: &Context) -> Option<Arc<dyn Driver>> {
    None
}
