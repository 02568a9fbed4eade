//! The socket, and who is on it.
//!
//! One task a connection. Whatever it asks for runs in tasks that it owns, so that they end with it.

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::limits::Limits;
use settled_protocol::line::LONGEST_LINE;
use settled_protocol::message::LARGEST_BATCH;
use tokio::net::{UnixListener, UnixStream};
use tokio::task::JoinSet;

use crate::client::Peer;
use crate::daemon::Daemon;
use crate::stop::Stop;

mod beat;
mod connection;
mod crowd;
mod dispatch;
mod farewell;
mod follower;
mod observe;
mod outbox;
mod room;
mod running;
mod session;
mod socket;
mod subscriptions;

use crowd::{Crowd, Place};
use farewell::Farewell;

pub(crate) use crowd::RESERVED;
pub use socket::{BindError, Bound};

/// What a client may ask for at once unless the config says otherwise; `hello` tells what [`limits`] makes of it.
pub const LIMITS: Limits = Limits {
    line_bytes: LONGEST_LINE,
    batch: LARGEST_BATCH,
    connections: 1024,
    pending_requests: 64,
    subscriptions: 64,
    waiting_notifications: 256,
    waiting_bytes: 4 << 20,
    connections_of_user: 1024,
    pending_bytes: 2 << 20,
};

/// What of these limits holds on this system. Raises the limit of open files if that is needed and allowed; where it isn't, there are fewer
/// connections, of each user, too.
#[must_use]
pub fn limits(wanted: Limits) -> Limits {
    let connections = room::for_connections(wanted.connections);
    let share = wanted.connections_of_user.saturating_mul(connections).div_ceil(wanted.connections.max(1));
    Limits { connections, connections_of_user: share.min(connections), ..wanted }
}

/// After a failed accept (no file descriptors left, say), before the next.
const ACCEPT_PAUSE: Duration = Duration::from_millis(100);

/// How long sessions may take to hand over their last answers when the daemon stops.
const FAREWELL: Duration = Duration::from_secs(2);

/// Serves clients until the daemon stops.
pub async fn serve(listener: &UnixListener, daemon: &Arc<Daemon>, mut stop: Stop) {
    let (crowd, farewell) = (Crowd::new(&daemon.limits), Arc::new(Farewell::default()));
    let mut sessions = JoinSet::new();
    loop {
        let accepted = tokio::select! {
            accepted = listener.accept() => accepted,
            Some(_ended) = sessions.join_next(), if !sessions.is_empty() => continue,
            () = stop.wait() => break,
        };
        match accepted {
            Ok((stream, _)) => {
                let visitor = Visitor { stream, daemon: Arc::clone(daemon), farewell: Arc::clone(&farewell) };
                match visitor.enter(&crowd) {
                    Ok(entered) => sessions.spawn(visitor.serve(entered, stop.clone())),
                    Err((peer, error)) => sessions.spawn(visitor.turn_away(peer, error)),
                };
                // Whoever is turned away has closed before the next comes: else a storm would take all files that may be open.
                tokio::task::yield_now().await;
            }
            Err(error) => {
                tracing::warn!(%error, "accepting a connection");
                tokio::time::sleep(ACCEPT_PAUSE).await;
            }
        }
    }
    let farewell = async { while sessions.join_next().await.is_some() {} };
    let _in_time = tokio::time::timeout(FAREWELL, farewell).await.is_ok();
}

/// Somebody who has connected.
struct Visitor {
    stream: UnixStream,
    daemon: Arc<Daemon>,
    farewell: Arc<Farewell>,
}

/// Who that is, the group that they run under, and their place among the others.
struct Entered {
    peer: Peer,
    gid: u32,
    place: Place,
}

impl Visitor {
    /// Finds out who it is, as the kernel vouches for it, and takes a place.
    fn enter(&self, crowd: &Arc<Crowd>) -> Result<Entered, (Option<Peer>, RpcError)> {
        let told = self.stream.peer_cred().map_err(|error| {
            let message = format!("the system doesn't tell who connects: {error}");
            (None, RpcError::new(ErrorKind::NotPermitted, message))
        })?;
        let peer = Peer::new(told.uid(), told.pid());
        tracing::debug!(uid = peer.uid, pid = peer.pid, "client connected");
        let place = crowd.enter(peer.uid, self.daemon.access.is_privileged(peer.uid));
        match place {
            Ok(place) => Ok(Entered { peer, gid: told.gid(), place }),
            Err(error) => Err((Some(peer), error)),
        }
    }

    /// Serves it to its end, if it may come in at all.
    async fn serve(self, entered: Entered, stop: Stop) {
        let Entered { peer, gid, place } = entered;
        let access = &self.daemon.access;
        let client = match access.admit(peer, &access.vouched(gid)).await {
            Ok(client) => client,
            Err(error) => {
                drop(place);
                return self.turn_away(Some(peer), error).await;
            }
        };
        let guest = client.rights().listed().is_some();
        tracing::debug!(
            uid = peer.uid,
            pid = peer.pid,
            guest,
            turns = client.by(None).turns,
            "client admitted"
        );
        self.daemon.clients.fetch_add(1, Ordering::Relaxed);
        let _leaving = Leaving(Arc::clone(&self.daemon));
        session::run(self.stream, self.daemon, client, stop).await;
        drop(place);
    }

    async fn turn_away(self, peer: Option<Peer>, error: RpcError) {
        self.daemon.audit.turned_away(peer, &error);
        self.farewell.say(self.stream, &error).await;
    }
}

/// Counts a client out, however its session ends.
struct Leaving(Arc<Daemon>);

impl Drop for Leaving {
    fn drop(&mut self) {
        self.0.clients.fetch_sub(1, Ordering::Relaxed);
    }
}
