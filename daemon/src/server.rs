//! The socket, and who is on it.
//!
//! One task a connection. Whatever it asks for runs in tasks that it owns, so that they end with it.

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::line::LONGEST_LINE;
use settled_protocol::message::{LARGEST_BATCH, RequestId, response_line};
use settled_protocol::method::Limits;
use tokio::io::AsyncWriteExt;
use tokio::net::{UnixListener, UnixStream};
use tokio::task::JoinSet;

use crate::client::{Client, Peer};
use crate::daemon::Daemon;
use crate::stop::Stop;

mod beat;
mod connection;
mod dispatch;
mod follower;
mod observe;
mod outbox;
mod room;
mod session;
mod socket;
mod subscriptions;

pub use socket::{BindError, Bound};

/// What a client may ask for at once, at most; `hello` tells what [`limits`] makes of it.
pub const LIMITS: Limits = Limits {
    line_bytes: LONGEST_LINE,
    batch: LARGEST_BATCH,
    connections: 1024,
    pending_requests: 64,
    subscriptions: 64,
    waiting_notifications: 256,
    waiting_bytes: 4 << 20,
    connections_of_user: 512,
    pending_bytes: 2 << 20,
};

/// What a client may ask for at once on this system. Raises the limit of open files if that is needed and allowed.
#[must_use]
pub fn limits() -> Limits {
    Limits { connections: room::for_connections(LIMITS.connections), ..LIMITS }
}

/// After a failed accept (no file descriptors left, say), before the next.
const ACCEPT_PAUSE: Duration = Duration::from_millis(100);

/// How long sessions may take to hand over their last answers when the daemon stops.
const FAREWELL: Duration = Duration::from_secs(2);

/// Serves clients until the daemon stops.
pub async fn serve(listener: &UnixListener, daemon: &Arc<Daemon>, mut stop: Stop) {
    let mut sessions = JoinSet::new();
    loop {
        let accepted = tokio::select! {
            accepted = listener.accept() => accepted,
            Some(_ended) = sessions.join_next(), if !sessions.is_empty() => continue,
            () = stop.wait() => break,
        };
        match accepted {
            Ok((stream, _)) if sessions.len() >= daemon.limits.connections => {
                sessions.spawn(turn_away(stream, daemon.limits.connections));
            }
            Ok((stream, _)) => {
                let client = Client::new(peer(&stream));
                sessions.spawn(session(stream, Arc::clone(daemon), client, stop.clone()));
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

async fn session(stream: UnixStream, daemon: Arc<Daemon>, client: Client, stop: Stop) {
    daemon.clients.fetch_add(1, Ordering::Relaxed);
    let _leaving = Leaving(Arc::clone(&daemon));
    session::run(stream, daemon, client, stop).await;
}

/// Counts a client out, however its session ends.
struct Leaving(Arc<Daemon>);

impl Drop for Leaving {
    fn drop(&mut self) {
        self.0.clients.fetch_sub(1, Ordering::Relaxed);
    }
}

/// Who has connected, as the kernel vouches for it.
fn peer(stream: &UnixStream) -> Option<Peer> {
    match stream.peer_cred() {
        Ok(peer) => {
            tracing::debug!(uid = peer.uid(), pid = peer.pid(), "client connected");
            Some(Peer { uid: peer.uid(), pid: peer.pid().and_then(|pid| u32::try_from(pid).ok()) })
        }
        Err(error) => {
            tracing::debug!(%error, "client connected, credentials unknown");
            None
        }
    }
}

/// Tells a client that there are too many, and closes.
async fn turn_away(mut stream: UnixStream, most: usize) {
    let error = RpcError::new(ErrorKind::Overloaded, format!("{most} connections are open already"));
    if let Ok(mut line) = response_line(&RequestId::Null, Err::<&(), _>(&error.retry_after(1.0))) {
        line.push('\n');
        let said = tokio::time::timeout(FAREWELL, stream.write_all(line.as_bytes())).await;
        tracing::warn!(told = said.is_ok(), "too many connections: a client was turned away");
    }
}
