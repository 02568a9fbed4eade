//! Calls that aren't answered yet: how many there may be, and that none goes on when nobody waits for it any more.

use std::collections::HashMap;
use std::future::poll_fn;
use std::pin::Pin;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use settled_protocol::error::{ErrorKind, RpcError};
use tokio::sync::OnceCell;
use zbus::export::futures_core::Stream;
use zbus::message::{Flags, Header, Type};
use zbus::names::UniqueName;
use zbus::{Connection, MatchRule, MessageStream};

use super::members::Members;
use crate::client::{Client, Peer};
use crate::daemon::Daemon;
use crate::stop::Stop;

/// Calls of one sender that may wait at once: as many as a program has meters to wait for, and some.
const MOST_OF_ONE: usize = 16;

/// Calls of all senders that may wait at once. Each costs a task, and a rule at the bus, of which one program may have 512.
const MOST_OF_ALL: usize = 128;

/// The bus, whose own name is as good as its address.
const BUS: &str = "org.freedesktop.DBus";
const PATH: &str = "/org/freedesktop/DBus";

/// The calls.
#[derive(Debug)]
pub(super) struct Calls {
    daemon: Arc<Daemon>,
    stop: Stop,
    /// Senders that have any. Each is one client for as long.
    senders: Mutex<HashMap<String, Sender>>,
}

#[derive(Debug, Default)]
struct Sender {
    waiting: usize,
    client: Arc<OnceCell<Client>>,
}

/// A call that is waiting; it counts until it is dropped.
#[derive(Debug)]
struct Waiting<'a> {
    calls: &'a Calls,
    sender: String,
    client: Arc<OnceCell<Client>>,
}

impl Calls {
    pub(super) fn new(daemon: Arc<Daemon>, stop: Stop) -> Self {
        Self { daemon, stop, senders: Mutex::default() }
    }

    pub(super) fn daemon(&self) -> &Daemon {
        &self.daemon
    }

    /// Carries out what a caller asks for, and takes it back where the caller leaves the bus, has waited for as long as it would, or the
    /// daemon stops.
    pub(super) async fn carry_out<T>(
        &self,
        connection: &Connection,
        call: &Header<'_>,
        method: &'static str,
        at_most: Duration,
        work: impl AsyncFnOnce(&Client) -> Result<T, RpcError>,
    ) -> Result<T, RpcError> {
        let Some(sender) = call.sender() else {
            return Err(RpcError::new(ErrorKind::InvalidRequest, "the bus doesn't say who calls"));
        };
        if call.primary().flags().contains(Flags::NO_REPLY_EXPECTED) {
            return Err(RpcError::new(ErrorKind::InvalidRequest, "who wants no answer gets no exposure"));
        }
        let waiting = self.enter(sender).inspect_err(|error| self.daemon.audit.turned_away(None, error))?;
        let cancelled = |message: &str| Err(RpcError::new(ErrorKind::Cancelled, message));
        let carried_out = async {
            let mut leaving = leaving(connection, sender).await?;
            // Only now, so that a caller who has left meanwhile is missed.
            let (peer, groups) = peer(connection, sender).await?;
            let client = waiting.client.get_or_try_init(|| self.admit(peer, &groups)).await?;
            let permitted = async {
                client.rights().may(method)?;
                work(client).await
            };
            tokio::select! {
                answer = permitted => answer.inspect_err(|error| self.daemon.audit.answered(client, method, error)),
                () = left(&mut leaving) => cancelled("the caller has left the bus"),
            }
        };
        let mut stop = self.stop.clone();
        tokio::select! {
            answer = carried_out => answer,
            () = tokio::time::sleep(at_most) => cancelled(&format!(
                "params.timeout_s is over, after {} s: for a longer one, set it, and let your D-Bus library or tool wait as long",
                at_most.as_secs_f64()
            )),
            () = stop.wait() => Err(RpcError::new(ErrorKind::ShuttingDown, "the daemon is stopping")),
        }
    }

    /// Takes in who calls, by the same rules as whoever connects to the socket.
    async fn admit(&self, peer: Peer, groups: &[u32]) -> Result<Client, RpcError> {
        let admitted = self.daemon.access.admit(peer, groups).await;
        admitted.inspect_err(|error| self.daemon.audit.turned_away(Some(peer), error))
    }

    /// Counts a call in.
    fn enter(&self, name: &UniqueName<'_>) -> Result<Waiting<'_>, RpcError> {
        let refuse = |message| Err(RpcError::new(ErrorKind::Overloaded, message).retry_after(1.0));
        let mut senders = self.senders.lock().unwrap_or_else(PoisonError::into_inner);
        if senders.values().map(|sender| sender.waiting).sum::<usize>() >= MOST_OF_ALL {
            return refuse(format!("{MOST_OF_ALL} calls are waiting already, all callers together"));
        }
        let sender = senders.entry(name.to_string()).or_default();
        if sender.waiting >= MOST_OF_ONE {
            return refuse(format!("a caller may have at most {MOST_OF_ONE} calls waiting"));
        }
        sender.waiting += 1;
        Ok(Waiting { calls: self, sender: name.to_string(), client: Arc::clone(&sender.client) })
    }
}

impl Drop for Waiting<'_> {
    fn drop(&mut self) {
        let mut senders = self.calls.senders.lock().unwrap_or_else(PoisonError::into_inner);
        let Some(sender) = senders.get_mut(&self.sender) else { return };
        sender.waiting -= 1;
        if sender.waiting == 0 {
            senders.remove(&self.sender);
        }
    }
}

/// What the bus says when a name of its own giving goes away: one message, as such names never come back. So nothing is missed, and
/// nothing fills up, should nobody look.
async fn leaving(connection: &Connection, sender: &UniqueName<'_>) -> Result<MessageStream, RpcError> {
    let rule = MatchRule::builder()
        .msg_type(Type::Signal)
        .sender(BUS)
        .interface(BUS)
        .member("NameOwnerChanged")
        .arg(0, sender.as_str())
        .build();
    match rule {
        Ok(rule) => MessageStream::for_match_rule(rule, connection, None).await.map_err(|error| away(&error)),
        Err(error) => Err(away(&error)),
    }
}

/// Waits until the one who calls has left, or the bus is gone.
async fn left(leaving: &mut MessageStream) {
    let _news = poll_fn(|context| Pin::new(&mut *leaving).poll_next(context)).await;
}

/// Asks the bus who calls, and in which groups it says they are: who has left meanwhile is nobody.
async fn peer(connection: &Connection, sender: &UniqueName<'_>) -> Result<(Peer, Vec<u32>), RpcError> {
    let name = sender.as_str();
    let asking = connection.call_method(Some(BUS), PATH, Some(BUS), "GetConnectionCredentials", &name);
    let told: Members =
        asking.await.and_then(|reply| reply.body().deserialize()).map_err(|error| away(&error))?;
    let number = |name: &str| told.get(name).and_then(|value| u32::try_from(value).ok());
    let nobody = || RpcError::new(ErrorKind::NotPermitted, "the bus doesn't say which user calls");
    let peer = Peer { uid: number("UnixUserID").ok_or_else(nobody)?, pid: number("ProcessID") };
    let groups = told.get("UnixGroupIDs").and_then(|value| Vec::try_from(value.clone()).ok());
    Ok((peer, groups.unwrap_or_default()))
}

fn away(error: &zbus::Error) -> RpcError {
    RpcError::new(ErrorKind::Cancelled, format!("the bus doesn't know the caller: {error}"))
}
