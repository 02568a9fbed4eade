//! How many demands for readings to go on a client may have on one meter, and has.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, Weak};

use super::MOST_DEMANDS;
use crate::client::ClientId;

/// How many of its places each client has taken.
#[derive(Debug, Default)]
pub(crate) struct Places(Mutex<HashMap<ClientId, usize>>);

/// A place that a client has taken.
#[derive(Debug)]
pub(super) struct Place {
    client: ClientId,
    places: Arc<Places>,
}

/// Held by whoever wants readings to go on. Dropping it ends the demand, and makes room for another.
#[derive(Debug)]
pub struct Demanded(Arc<Place>);

impl Places {
    /// One of the [`MOST_DEMANDS`] places of a client; nothing if it has taken them all.
    pub(crate) fn take(self: &Arc<Self>, client: ClientId) -> Option<Demanded> {
        let mut taken = self.taken();
        let count = taken.entry(client).or_default();
        if *count >= MOST_DEMANDS {
            return None;
        }
        *count += 1;
        Some(Demanded(Arc::new(Place { client, places: Arc::clone(self) })))
    }

    fn taken(&self) -> MutexGuard<'_, HashMap<ClientId, usize>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut taken = self.places.taken();
        if let Some(count) = taken.get_mut(&self.client) {
            *count -= 1;
            if *count == 0 {
                taken.remove(&self.client);
            }
        }
    }
}

impl Demanded {
    /// Tells whether it is still held.
    pub(in super::super) fn watch(&self) -> Alive {
        Alive(Arc::downgrade(&self.0))
    }
}

/// Tells whether somebody holds a demand.
#[derive(Clone, Debug)]
pub(in super::super) struct Alive(Weak<Place>);

impl Alive {
    /// Whether it is held.
    pub(super) fn is(&self) -> bool {
        self.0.strong_count() > 0
    }

    /// Whether both are about the same demand.
    pub(super) fn is_same(&self, other: &Self) -> bool {
        self.0.ptr_eq(&other.0)
    }
}
