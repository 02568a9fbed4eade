//! A display and a meter that looks at it, as a physical model.

use std::sync::Arc;

use crate::driver::{Context, Driver};
use crate::settings::Table;

mod colorimeter;
mod display;
mod eotf;
mod lag;
mod matrix;
mod meter;
mod noise;
mod options;
mod presets;
mod primaries;
#[cfg(test)]
mod rig;
mod stage;

pub use stage::Stage;

/// Reads a meter's settings for this driver.
pub fn configure(settings: &mut Table<'_>, _context: &Context) -> Option<Arc<dyn Driver>> {
    let simulated = options::read(settings)?;
    Some(Arc::new(simulated))
}
