//! What a command that shows stimuli finds in its environment.

use std::ffi::OsString;

use settled_protocol::socket;

use crate::connection::Connection;
use crate::lease::{Lease, VARIABLE, handed_on};

/// The daemon's socket, and the lease under which its display is measured, so that it may read with the
/// meter too. Under a lease that this very program was started under it finds that anyway.
pub(super) fn of(connection: &Connection, lease: Option<&Lease>) -> Vec<(&'static str, OsString)> {
    let socket = connection.path().and_then(|path| std::path::absolute(path).ok());
    let leases = lease.map(|lease| {
        let before = std::env::var(VARIABLE).ok();
        handed_on(before.as_deref(), lease.meter(), lease.token())
    });
    let socket = socket.map(|path| (socket::VARIABLE, path.into_os_string()));
    socket.into_iter().chain(leases.map(|leases| (VARIABLE, leases.into()))).collect()
}
