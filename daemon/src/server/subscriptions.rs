//! One connection's subscriptions. Each is there from the call on, begins once its answer is on its way, and ends with
//! the connection.

use std::collections::HashMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use settled_protocol::error::{ErrorKind, RpcError};
use tokio::task::{AbortHandle, JoinSet};

use super::observe::Source;
use super::outbox::{Outbox, Stream};
use crate::daemon::Daemon;
use crate::meter_task::Listening;

/// The subscriptions.
#[derive(Debug)]
pub(super) struct Subscriptions {
    daemon: Arc<Daemon>,
    outbox: Arc<Outbox>,
    by_name: HashMap<String, Subscription>,
    tasks: JoinSet<()>,
    counter: u64,
}

#[derive(Debug)]
struct Subscription {
    stream: Stream,
    state: State,
}

#[derive(Debug)]
enum State {
    /// Its answer hasn't been sent yet.
    Unanswered(Source),
    /// Its task, and that it is told of what comes: once this is dropped, no more is.
    Begun(AbortHandle, Option<Listening>, Counted),
}

/// One of those that have begun, until dropped.
#[derive(Debug)]
struct Counted(Arc<AtomicUsize>);

impl Counted {
    fn among(begun: &Arc<AtomicUsize>) -> Self {
        begun.fetch_add(1, Ordering::Relaxed);
        Self(Arc::clone(begun))
    }
}

impl Drop for Counted {
    fn drop(&mut self) {
        self.0.fetch_sub(1, Ordering::Relaxed);
    }
}

impl Subscriptions {
    pub(super) fn new(daemon: Arc<Daemon>, outbox: Arc<Outbox>) -> Self {
        Self { daemon, outbox, by_name: HashMap::new(), tasks: JoinSet::new(), counter: 0 }
    }

    /// Whether there are none.
    pub(super) fn is_empty(&self) -> bool {
        self.by_name.is_empty()
    }

    /// Adds one and gives its name. Nothing is forwarded until it [begins](Self::begin).
    pub(super) fn add(&mut self, source: Source) -> Result<String, RpcError> {
        let most = self.daemon.limits().subscriptions;
        if self.by_name.len() >= most {
            let message = format!("a connection may have at most {most} subscriptions");
            return Err(RpcError::new(ErrorKind::Overloaded, message));
        }
        self.counter += 1;
        let name = format!("s{}", self.counter);
        let stream: Stream = name.as_str().into();
        self.by_name.insert(name.clone(), Subscription { stream, state: State::Unanswered(source) });
        Ok(name)
    }

    /// The answer is on its way: what comes from now on is forwarded, unless the subscription was ended meanwhile.
    pub(super) fn begin(&mut self, name: &str) {
        while self.tasks.try_join_next().is_some() {}
        let Some((name, Subscription { stream, state })) = self.by_name.remove_entry(name) else { return };
        let state = match state {
            State::Begun(..) => state,
            State::Unanswered(source) => {
                let (daemon, outbox) = (Arc::clone(&self.daemon), Arc::clone(&self.outbox));
                let (listening, task) = source.forward(daemon, outbox, Arc::clone(&stream));
                State::Begun(self.tasks.spawn(task), listening, Counted::among(&self.daemon.subscriptions))
            }
        };
        self.by_name.insert(name, Subscription { stream, state });
    }

    /// Ends one; false if there is none of that name.
    pub(super) fn end(&mut self, name: &str) -> bool {
        let Some(Subscription { stream, state }) = self.by_name.remove(name) else { return false };
        if let State::Begun(task, listening, counted) = state {
            drop((listening, counted));
            task.abort();
        }
        self.outbox.forget(&stream);
        true
    }
}
