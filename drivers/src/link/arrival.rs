//! News that an instrument may have been attached.

use std::fmt;
use std::path::Path;

use crate::clock::Boxed;

/// A watch on the place where an instrument comes and goes. It begins when this is made, so that nothing that happens
/// between an attempt to open and the wait for the next is missed.
pub trait Arrival: Send + fmt::Debug {
    /// Waits for a change since this was made, or since the last one that was told: an edge, never a state that lasts.
    /// Dropping the future loses nothing.
    fn changed(&mut self) -> Boxed<'_, ()>;
}

/// A watch on the file at `path`, wherever on the way to it something is missing.
#[must_use]
pub fn of_file(_path: &Path) -> Option<Box<dyn Arrival>> {
    None
}
