//! Calls that aren't answered yet: how many there may be, and that none goes on when nobody waits for it any more.

use std::collections::HashMap;
use std::future::{Future, poll_fn};
use std::pin::Pin;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use settled_protocol::error::{ErrorKind, RpcError};
use zbus::export::futures_core::Stream;
use zbus::message::{Flags, Header, Type};
use zbus::names::UniqueName;
use zbus::{Connection, MatchRule, MessageStream};

use crate::daemon::Daemon;
use crate::stop::Stop;

/// Calls of one sender that may wait at once: as many as a program has meters to wait for, and some.
const MOST_OF_ONE: usize = 16;

/// Calls of all senders that may wait at once. Each costs a task, and a rule at the bus, of which one program may have 512.
const MOST_OF_ALL: usize = 128;

/// The bus, whose own name is as good as its address.
const BUS: &str = "org.freedesktop.DBus";

/// The calls.
#[derive(Debug)]
pub(super) struct Calls {
    daemon: Arc<Daemon>,
    stop: Stop,
    /// How many of each sender that has any.
    waiting: Mutex<HashMap<String, usize>>,
}

/// A call that is waiting; it counts until it is dropped.
#[derive(Debug)]
struct Waiting<'a> {
    calls: &'a Calls,
    sender: String,
}

impl Calls {
    pub(super) fn new(daemon: Arc<Daemon>, stop: Stop) -> Self {
        Self { daemon, stop, waiting: Mutex::default() }
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
        at_most: Duration,
        work: impl Future<Output = Result<T, RpcError>>,
    ) -> Result<T, RpcError> {
        let cancelled = |message: String| Err(RpcError::new(ErrorKind::Cancelled, message));
        let Some(sender) = call.sender() else {
            return Err(RpcError::new(ErrorKind::InvalidRequest, "the bus doesn't say who calls"));
        };
        if call.primary().flags().contains(Flags::NO_REPLY_EXPECTED) {
            return Err(RpcError::new(ErrorKind::InvalidRequest, "who wants no answer gets no exposure"));
        }
        let _counted = self.enter(sender)?;
        let mut stop = self.stop.clone();
        let carried_out = async {
            let mut leaving = leaving(connection, sender).await?;
            is_there(connection, sender).await?;
            tokio::select! {
                answer = work => answer,
                () = left(&mut leaving) => cancelled("the caller has left the bus".to_owned()),
            }
        };
        tokio::select! {
            answer = carried_out => answer,
            () = tokio::time::sleep(at_most) => {
                let waited_s = at_most.as_secs_f64();
                cancelled(format!(
                    "nobody said that the answer would be waited for longer than {waited_s} s: give \
                     params.timeout_s, and let your D-Bus library or tool wait as long"
                ))
            }
            () = stop.wait() => Err(RpcError::new(ErrorKind::ShuttingDown, "the daemon is stopping")),
        }
    }

    /// Counts a call in.
    fn enter(&self, sender: &UniqueName<'_>) -> Result<Waiting<'_>, RpcError> {
        let refuse = |message| Err(RpcError::new(ErrorKind::Overloaded, message).retry_after(1.0));
        let mut waiting = self.waiting.lock().unwrap_or_else(PoisonError::into_inner);
        if waiting.get(sender.as_str()).is_some_and(|count| *count >= MOST_OF_ONE) {
            return refuse(format!("a caller may have at most {MOST_OF_ONE} calls waiting"));
        }
        if waiting.values().sum::<usize>() >= MOST_OF_ALL {
            return refuse(format!("{MOST_OF_ALL} calls are waiting already, all callers together"));
        }
        *waiting.entry(sender.to_string()).or_default() += 1;
        Ok(Waiting { calls: self, sender: sender.to_string() })
    }
}

impl Drop for Waiting<'_> {
    fn drop(&mut self) {
        let mut waiting = self.calls.waiting.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(count) = waiting.get_mut(&self.sender) {
            *count -= 1;
            if *count == 0 {
                waiting.remove(&self.sender);
            }
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

/// Asks the bus who calls: who has left meanwhile is nobody.
async fn is_there(connection: &Connection, sender: &UniqueName<'_>) -> Result<u32, RpcError> {
    let reply = connection
        .call_method(Some(BUS), "/org/freedesktop/DBus", Some(BUS), "GetConnectionUnixUser", &sender.as_str())
        .await;
    reply.and_then(|reply| reply.body().deserialize()).map_err(|error| away(&error))
}

fn away(error: &zbus::Error) -> RpcError {
    RpcError::new(ErrorKind::Cancelled, format!("the bus doesn't know the caller: {error}"))
}
