//! Requests of a client that aren't answered yet: how many, and how large.

use std::collections::HashMap;

use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::message::RequestId;
use settled_protocol::method::Limits;
use tokio::task::{AbortHandle, Id};

use super::super::outbox::Stream;

/// Where an answer goes.
#[derive(Clone, Copy, Debug)]
pub(super) enum Target {
    Line,
    Batch(u64),
}

/// What is to be answered.
#[derive(Debug)]
pub(super) struct Asked {
    /// None for a notification, which gets no answer.
    pub(super) id: Option<RequestId>,
    pub(super) target: Target,
    /// What was asked for, as the client wrote it.
    pub(super) method: String,
}

/// A request that isn't answered yet.
#[derive(Debug)]
pub(super) struct Request {
    pub(super) asked: Asked,
    pub(super) task: AbortHandle,
    pub(super) progress: Option<Stream>,
    /// Its length as it was sent.
    pub(super) bytes: usize,
}

/// Those that there are.
#[derive(Debug, Default)]
pub(super) struct Pending {
    requests: HashMap<Id, Request>,
    bytes: usize,
}

impl Pending {
    pub(super) fn is_empty(&self) -> bool {
        self.requests.is_empty()
    }

    /// Whether there is room for another of so many bytes, while answers of so many bytes wait for the rest of their batches.
    pub(super) fn room(&self, limits: &Limits, bytes: usize, answers: usize) -> Result<(), RpcError> {
        let message = if self.requests.len() >= limits.pending_requests {
            format!("a connection may have at most {} requests waiting", limits.pending_requests)
        } else if self.bytes.saturating_add(answers).saturating_add(bytes) > limits.pending_bytes {
            let most = limits.pending_bytes;
            format!(
                "a connection may have at most {most} bytes of requests, and of answers to unfinished batches, waiting"
            )
        } else {
            return Ok(());
        };
        Err(RpcError::new(ErrorKind::Overloaded, message).retry_after(1.0))
    }

    pub(super) fn add(&mut self, request: Request) {
        self.bytes += request.bytes;
        self.requests.insert(request.task.id(), request);
    }

    pub(super) fn take(&mut self, id: Id) -> Option<Request> {
        let request = self.requests.remove(&id)?;
        self.bytes -= request.bytes;
        Some(request)
    }

    /// The one that its client calls so.
    pub(super) fn called(&self, id: &RequestId) -> Option<&Request> {
        self.requests.values().find(|request| request.asked.id.as_ref() == Some(id))
    }

    pub(super) fn take_all(&mut self) -> impl Iterator<Item = Request> + use<> {
        std::mem::take(self).requests.into_values()
    }
}
