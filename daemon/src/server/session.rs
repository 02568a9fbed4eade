//! One client: its lines come in, its answers go out, and whatever it asked for runs in tasks that end with it.

use std::sync::Arc;

use serde_json::value::RawValue;
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::line::{Line, Lines};
use settled_protocol::message::{Call, Incoming, Refusal, RequestId, response_line};
use settled_protocol::method::{
    CancelParams, Method, Nothing, RequestCancel, Subscribed, SubscriptionCancel,
};
use tokio::net::UnixStream;
use tokio::task::{Id, JoinError, JoinSet};

use super::connection::Connection;
use super::dispatch::{self, Progress};
use super::observe::Source;
use super::outbox::{Outbox, Stream};
use super::subscriptions::Subscriptions;
use crate::client::Client;
use crate::daemon::Daemon;
use crate::stop::Stop;

mod batches;
mod pending;

use batches::{Batches, Done};
use pending::{Asked, Pending, Request, Target};

/// Bytes read from a client at once.
const CHUNK: usize = 8 * 1024;

/// Lines that are looked at before everybody else has a turn: a chunk may hold hundreds, and meters' timers would be late.
const LINES_IN_A_ROW: u32 = 8;

type Answer = Result<Box<RawValue>, RpcError>;

/// Serves one connection to its end.
pub(super) async fn run(stream: UnixStream, daemon: Arc<Daemon>, client: Client, stop: Stop) {
    let connection = match Connection::new(stream) {
        Ok(connection) => Arc::new(connection),
        Err(error) => return tracing::warn!(%error, "a client's socket can't be watched"),
    };
    let outbox = Arc::new(Outbox::new(Arc::clone(&connection), &daemon.limits()).counting(&daemon.missed));
    let session = Session::new(daemon, Arc::new(client), Arc::clone(&outbox));
    let serving = async {
        session.run(&connection, stop).await;
        outbox.close();
    };
    let writing = outbox.write();
    tokio::pin!(serving, writing);
    tokio::select! {
        () = &mut writing => {}
        () = &mut serving => writing.await,
    }
    connection.end();
}

#[derive(Debug)]
struct Session {
    daemon: Arc<Daemon>,
    client: Arc<Client>,
    outbox: Arc<Outbox>,
    requests: JoinSet<Answer>,
    pending: Pending,
    batches: Batches,
    subscriptions: Subscriptions,
    counter: u64,
}

impl Session {
    fn new(daemon: Arc<Daemon>, client: Arc<Client>, outbox: Arc<Outbox>) -> Self {
        Self {
            subscriptions: Subscriptions::new(Arc::clone(&daemon), Arc::clone(&outbox)),
            daemon,
            client,
            outbox,
            requests: JoinSet::new(),
            pending: Pending::default(),
            batches: Batches::default(),
            counter: 0,
        }
    }

    async fn run(mut self, connection: &Connection, mut stop: Stop) {
        let mut lines = Lines::new(self.daemon.limits().line_bytes);
        let mut chunk = vec![0; CHUNK];
        let outbox = Arc::clone(&self.outbox);
        loop {
            let read = async {
                outbox.room().await;
                connection.read(&mut chunk).await
            };
            tokio::select! {
                read = read => match read {
                    Ok(0) | Err(_) => break,
                    Ok(count) => lines.push(chunk.get(..count).unwrap_or_default()),
                },
                Some(ended) = self.requests.join_next_with_id() => self.ended(ended),
                () = stop.wait() => return self.refuse_all(),
            }
            let mut in_a_row = 0_u32;
            while let Some(line) = lines.next() {
                self.line(line);
                in_a_row += 1;
                if in_a_row.is_multiple_of(LINES_IN_A_ROW) {
                    tokio::task::yield_now().await;
                    // What has been taken back makes room for what comes next.
                    while let Some(ended) = self.requests.try_join_next_with_id() {
                        self.ended(ended);
                    }
                }
            }
        }
        self.finish(connection, &mut stop).await;
    }

    /// The client has finished speaking, but may still listen: answers what it asked for, until it is gone.
    async fn finish(&mut self, connection: &Connection, stop: &mut Stop) {
        while !self.pending.is_empty() || !self.subscriptions.is_empty() {
            tokio::select! {
                Some(ended) = self.requests.join_next_with_id() => self.ended(ended),
                () = connection.gone() => return,
                () = stop.wait() => return self.refuse_all(),
            }
        }
    }

    /// The daemon stops: every request that isn't answered is told so.
    fn refuse_all(&mut self) {
        for request in self.pending.take_all() {
            let error = RpcError::new(ErrorKind::ShuttingDown, "the daemon is stopping");
            self.answer(request.asked, &Err(error));
        }
    }

    fn line(&mut self, line: Line) {
        let incoming = match line {
            Line::Whole(bytes) if bytes.iter().all(u8::is_ascii_whitespace) => return,
            Line::Whole(bytes) => Incoming::decode(&bytes),
            Line::TooLong => {
                let message = format!("a line may have at most {} bytes", self.daemon.limits().line_bytes);
                let error = RpcError::new(ErrorKind::InvalidRequest, message);
                Incoming::Single(Err(Refusal { id: RequestId::Null, error }))
            }
        };
        match incoming {
            Incoming::Single(call) => self.call(call, Target::Line),
            Incoming::Batch(calls) => {
                let batch = self.batches.begin(calls.len());
                for call in calls {
                    self.call(call, Target::Batch(batch));
                }
                self.batch_answer(batch, None);
            }
        }
    }

    fn call(&mut self, call: Result<Call, Refusal>, target: Target) {
        let call = match call {
            Ok(call) => call,
            Err(Refusal { id, error }) => {
                let asked = Asked { id: Some(id), target, method: String::new() };
                return self.answer(asked, &Err(error));
            }
        };
        let asked = Asked { id: call.id.clone(), target, method: call.method.clone() };
        if let Err(error) = self.client.rights().may_call(&call) {
            self.answer(asked, &Err(error));
        } else if let Some(answer) = self.at_once(&call) {
            self.answer(asked, &answer);
        } else if let Some(source) = Source::of(&self.daemon, &self.client, &call) {
            self.subscribe(asked, source);
        } else {
            self.spawn(call, asked);
        }
    }

    /// What needs the session itself, or no time at all.
    fn at_once(&mut self, call: &Call) -> Option<Answer> {
        match call.method.as_str() {
            RequestCancel::NAME => {
                Some(call.params::<RequestCancel>().and_then(|params| self.cancel(&params)))
            }
            SubscriptionCancel::NAME => Some(
                call.params::<SubscriptionCancel>().and_then(|params| self.unsubscribe(&params.subscription)),
            ),
            _ => dispatch::at_once(&self.daemon, &self.client, call),
        }
    }

    /// Answers first, then lets the stream begin. In a batch that is when the whole batch is answered.
    fn subscribe(&mut self, asked: Asked, source: Result<Source, RpcError>) {
        match source.and_then(|source| self.subscriptions.add(source)) {
            Err(error) => self.answer(asked, &Err(error)),
            Ok(name) => {
                let answer = dispatch::raw(&Subscribed { subscription: name.clone() });
                match asked.target {
                    Target::Line => {
                        self.answer(asked, &answer);
                        self.subscriptions.begin(&name);
                    }
                    Target::Batch(batch) => {
                        self.batches.subscribe(batch, name);
                        self.answer(asked, &answer);
                    }
                }
            }
        }
    }

    fn unsubscribe(&mut self, name: &str) -> Answer {
        if self.subscriptions.end(name) {
            return dispatch::raw(&Nothing {});
        }
        let message = format!("params.subscription: there is no {name:?} here");
        Err(RpcError::new(ErrorKind::InvalidParams, message))
    }

    fn spawn(&mut self, call: Call, asked: Asked) {
        let bytes = call.bytes;
        if let Err(error) = self.pending.room(&self.daemon.limits(), bytes, self.batches.bytes()) {
            return self.answer(asked, &Err(error));
        }
        self.counter += 1;
        let stream: Stream = format!("p{}", self.counter).into();
        let progress = asked
            .id
            .clone()
            .map(|request| Progress::new(request, Arc::clone(&stream), Arc::clone(&self.outbox)));
        let (daemon, client) = (Arc::clone(&self.daemon), Arc::clone(&self.client));
        let task = self.requests.spawn(dispatch::carry_out(daemon, client, call, progress));
        self.pending.add(Request { asked, task, progress: Some(stream), bytes });
    }

    /// Takes a request back. It answers `cancelled` when its task has ended.
    fn cancel(&mut self, params: &CancelParams) -> Answer {
        let Some(request) = self.pending.called(&params.id) else {
            let message = format!("params.id: no request {} is waiting", params.id);
            return Err(RpcError::new(ErrorKind::InvalidParams, message));
        };
        request.task.abort();
        dispatch::raw(&Nothing {})
    }

    fn ended(&mut self, ended: Result<(Id, Answer), JoinError>) {
        let (id, answer) = match ended {
            Ok((id, answer)) => (id, answer),
            Err(error) if error.is_cancelled() => {
                (error.id(), Err(RpcError::new(ErrorKind::Cancelled, "the request was cancelled")))
            }
            Err(error) => {
                tracing::error!(%error, "a request's task panicked");
                (
                    error.id(),
                    Err(RpcError::new(
                        ErrorKind::Internal,
                        "the request failed inside the daemon; its log has more",
                    )),
                )
            }
        };
        if let Some(request) = self.pending.take(id) {
            if let Some(stream) = &request.progress {
                self.outbox.forget(stream);
            }
            self.answer(request.asked, &answer);
        }
    }

    /// Sends an answer where it belongs; a notification gets none. Refusals are told in the audit.
    fn answer(&mut self, asked: Asked, answer: &Answer) {
        let Asked { id, target, method } = asked;
        if let Err(error) = answer {
            self.daemon.audit.answered(&self.client, &method, error);
        }
        let line = id.and_then(|id| match response_line(&id, answer.as_ref()) {
            Ok(line) => Some(line),
            Err(error) => {
                tracing::error!(%error, "writing an answer");
                None
            }
        });
        match target {
            Target::Batch(batch) => self.batch_answer(batch, line),
            Target::Line => {
                if let Some(line) = line {
                    self.outbox.answer(vec![line]);
                }
            }
        }
    }

    /// One call of a batch is done. The last sends the answers, if there are any, and lets what was subscribed to begin.
    fn batch_answer(&mut self, batch: u64, line: Option<String>) {
        let Some(Done { line, subscriptions }) = self.batches.answer(batch, line) else { return };
        if !line.is_empty() {
            self.outbox.answer(line);
        }
        for name in subscriptions {
            self.subscriptions.begin(&name);
        }
    }
}

#[cfg(test)]
mod tests;
