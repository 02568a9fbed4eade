//! The object that knows the others.

use std::sync::Arc;

use zbus::{OwnedObjectPath, interface};

use super::path;
use super::refusal::Refusal;
use crate::daemon::{Daemon, VERSION};

/// What there is on the bus.
#[derive(Debug)]
pub(super) struct Manager {
    daemon: Arc<Daemon>,
}

impl Manager {
    pub(super) fn new(daemon: &Arc<Daemon>) -> Self {
        Self { daemon: Arc::clone(daemon) }
    }
}

/// The path as the bus has it. Every path of ours is one.
fn owned(id: &str) -> Option<OwnedObjectPath> {
    OwnedObjectPath::try_from(path::of(id)).ok()
}

#[interface(name = "io.github.settled1.Manager")]
impl Manager {
    /// The object of the meter of that id.
    #[zbus(out_args("meter"))]
    fn get_meter(&self, id: &str) -> Result<OwnedObjectPath, Refusal> {
        let meter = self.daemon.meter(id)?;
        owned(meter.id()).ok_or_else(|| Refusal::internal("the meter has no path"))
    }

    /// The daemon's version.
    #[zbus(property(emits_changed_signal = "const"))]
    fn version(&self) -> &str {
        VERSION
    }

    /// A UUID of this start of the daemon.
    #[zbus(property(emits_changed_signal = "const"))]
    fn instance(&self) -> &str {
        &self.daemon.instance
    }

    /// Every configured meter's object, present or not, in the order of the config.
    #[zbus(property(emits_changed_signal = "const"))]
    fn meters(&self) -> Vec<OwnedObjectPath> {
        self.daemon.handles().filter_map(|handle| owned(handle.id())).collect()
    }
}
