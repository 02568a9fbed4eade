//! How many are on the socket, and of whom, so that no user takes every connection, and whoever runs the daemon can always look.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::limits::Limits;

/// Connections that are kept for the owner and root: enough to look at the daemon from a terminal or two while every other is taken.
pub(crate) const RESERVED: usize = 4;

#[derive(Debug, Default)]
struct Open {
    /// How many there may be, and how many of one user.
    most: (usize, usize),
    all: usize,
    of: HashMap<u32, usize>,
}

/// Who is on the socket.
#[derive(Debug)]
pub(super) struct Crowd {
    open: Mutex<Open>,
}

/// One connection's place, until dropped.
#[derive(Debug)]
pub(super) struct Place {
    crowd: Arc<Crowd>,
    uid: u32,
}

impl Crowd {
    pub(super) fn new(limits: &Limits) -> Arc<Self> {
        let crowd = Arc::new(Self { open: Mutex::default() });
        crowd.hold(limits);
        crowd
    }

    /// Holds whoever comes from now on to these limits; those who are there stay.
    pub(super) fn hold(&self, limits: &Limits) {
        self.open().most = (limits.connections, limits.connections_of_user);
    }

    fn open(&self) -> MutexGuard<'_, Open> {
        self.open.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A place for somebody. Who is `privileged` gets the last few, and a few more than other users.
    ///
    /// # Errors
    /// `overloaded`, if there is none.
    pub(super) fn enter(self: &Arc<Self>, uid: u32, privileged: bool) -> Result<Place, RpcError> {
        let mut open = self.open();
        let (connections, of_user) = open.most;
        let reserved = RESERVED.min(connections / 2);
        let (most, of_user) = match privileged {
            true => (connections, of_user.saturating_add(reserved)),
            false => (connections - reserved, of_user),
        };
        let refuse = |message| Err(RpcError::new(ErrorKind::Overloaded, message).retry_after(1.0));
        if open.all >= most {
            return refuse(format!("{} connections are open already, as many as there may be", open.all));
        }
        let of = open.of.get(&uid).copied().unwrap_or(0);
        if of >= of_user {
            return refuse(format!(
                "user {uid} has {of} connections open already, as many as a user may have"
            ));
        }
        open.all += 1;
        open.of.insert(uid, of + 1);
        Ok(Place { crowd: Arc::clone(self), uid })
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut open = self.crowd.open();
        open.all -= 1;
        if let Some(of) = open.of.get_mut(&self.uid) {
            *of -= 1;
            if *of == 0 {
                open.of.remove(&self.uid);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::server::LIMITS;

    fn crowd(connections: usize, connections_of_user: usize) -> Arc<Crowd> {
        Crowd::new(&Limits { connections, connections_of_user, ..LIMITS })
    }

    fn fill(crowd: &Arc<Crowd>, uid: u32, privileged: bool) -> Vec<Place> {
        std::iter::from_fn(|| crowd.enter(uid, privileged).ok()).collect()
    }

    #[test]
    fn a_user_at_its_limit_leaves_room_for_others_and_all_of_them_for_the_owner() {
        let crowd = crowd(20, 10);
        let mut first = fill(&crowd, 1, false);
        assert_eq!(first.len(), 10);
        let error = crowd.enter(1, false).unwrap_err();
        assert_eq!(error.kind(), ErrorKind::Overloaded);
        assert!(error.message.contains("user 1 has 10 connections"), "{error}");
        let second = fill(&crowd, 2, false);
        assert_eq!(second.len(), 20 - 10 - RESERVED);
        assert!(crowd.enter(3, false).unwrap_err().message.starts_with("16 connections are open"));
        assert_eq!(fill(&crowd, 0, true).len(), RESERVED, "kept for root, and free again");
        drop(first.pop());
        assert!(crowd.enter(3, false).is_ok());
        drop((first, second));
        assert_eq!(fill(&crowd, 0, true).len(), 10 + RESERVED, "the owner has a limit, too");
        assert!(crowd.open().all == 0 && crowd.open().of.is_empty());
    }

    #[test]
    fn where_there_are_few_places_at_all_half_of_them_are_kept() {
        assert_eq!(fill(&crowd(2, 2), 1, false).len(), 1);
        assert_eq!(fill(&crowd(1, 1), 1, false).len(), 1);
        assert_eq!(fill(&crowd(8, 8), 0, true).len(), 8);
    }
}
