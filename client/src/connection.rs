//! One connection to the daemon. Calls may overlap; each gets its own answer.
//!
//! Two tasks belong to a connection, one that reads and one that writes; they end with it. Dropping a call's future takes the
//! request back.

use std::collections::HashMap;
use std::fmt;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError};

use serde_json::value::RawValue;
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::line::{LONGEST_LINE, Line, Lines};
use settled_protocol::message::{RequestId, call_without_answer_line, request_line};
use settled_protocol::method::{
    CancelParams, Hello, HelloParams, HelloResult, MeterObserve, MetersObserve, Method, Nothing,
    ObserveParams, RequestCancel, RunsObserve, Subscribed,
};
use settled_protocol::notification::SettleProgress;
use settled_protocol::run::ObserveRuns;
use settled_protocol::socket;
use settled_protocol::text::Text;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::UnixStream;
use tokio::net::unix::{OwnedReadHalf, OwnedWriteHalf};
use tokio::sync::{mpsc, oneshot, watch};
use tokio::task::JoinSet;

use crate::subscription::{Feed, Subscription};

mod error;
mod told;
mod waiting;

use error::Tries;
pub use error::{CallError, OpenError};
use told::Told;

/// Lines that may wait to be written: more than a person or a measuring loop has in flight.
const OUTGOING: usize = 64;

/// Progress reports that may wait for their reader; the latest is what counts, older ones are dropped when it is full.
const PROGRESS: usize = 8;

/// Longest line from the daemon: a page of a thousand readings with room to spare.
const LONGEST_ANSWER: usize = 4 * LONGEST_LINE;

type Outcome = Result<Box<RawValue>, RpcError>;

/// A request that waits for its answer.
struct Pending {
    reply: oneshot::Sender<Outcome>,
    progress: Option<mpsc::Sender<SettleProgress>>,
    /// Where the readings of the subscription go that the answer names.
    feed: Option<Feed>,
}

#[derive(Default)]
struct Waiting {
    pending: HashMap<i64, Pending>,
    feeds: HashMap<String, Feed>,
    closed: bool,
    /// Why the daemon closed the connection, if it said so: what it answers to no request at all.
    refused: Option<RpcError>,
}

/// One connection.
pub struct Connection {
    waiting: Arc<Mutex<Waiting>>,
    lines: mpsc::Sender<String>,
    next_id: AtomicI64,
    path: Option<PathBuf>,
    name: OnceLock<Text>,
    /// Its other end goes with the task that reads.
    ended: watch::Receiver<()>,
    _tasks: JoinSet<()>,
}

impl fmt::Debug for Connection {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Connection").finish_non_exhaustive()
    }
}

fn lock(waiting: &Mutex<Waiting>) -> MutexGuard<'_, Waiting> {
    waiting.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Connection {
    /// Connects to the socket at `path`.
    ///
    /// # Errors
    /// [`OpenError`] if nobody answers there.
    pub async fn open(path: &Path) -> Result<Self, OpenError> {
        Self::open_first(vec![path.to_owned()]).await
    }

    /// Connects to the usual socket: `SETTLED_SOCKET`, else the user's own daemon, else the system's.
    ///
    /// # Errors
    /// [`OpenError`] if nobody answers at any of them.
    pub async fn open_default() -> Result<Self, OpenError> {
        Self::open_first(socket::candidates(|name| std::env::var_os(name).map(PathBuf::from))).await
    }

    async fn open_first(tried: Vec<PathBuf>) -> Result<Self, OpenError> {
        let mut tries = Tries::default();
        for path in tried {
            let outcome = UnixStream::connect(&path).await;
            told::tried(&path, outcome.as_ref());
            match outcome {
                Ok(stream) => return Ok(Self { path: Some(path), ..Self::over(stream) }),
                Err(error) => tries.failed(path, error),
            }
        }
        Err(tries.into())
    }

    /// A connection over a stream that is open already.
    #[must_use]
    pub fn over(stream: UnixStream) -> Self {
        let (reader, writer) = stream.into_split();
        let (lines, outgoing) = mpsc::channel(OUTGOING);
        let waiting = Arc::<Mutex<Waiting>>::default();
        let mut tasks = JoinSet::new();
        tasks.spawn(write(writer, outgoing));
        let (lasts, ended) = watch::channel(());
        let reading = read(reader, Arc::clone(&waiting));
        tasks.spawn(async move {
            reading.await;
            drop(lasts);
        });
        let (next_id, name) = (AtomicI64::new(1), OnceLock::new());
        Self { waiting, lines, next_id, path: None, name, ended, _tasks: tasks }
    }

    /// Waits until the daemon has closed it, or has gone.
    pub async fn closed(&self) {
        let mut ended = self.ended.clone();
        // Nothing is ever sent: the sender's end is what is waited for.
        while ended.changed().await.is_ok() {}
    }

    /// Whether the daemon has closed it, or has gone.
    #[must_use]
    pub fn is_closed(&self) -> bool {
        lock(&self.waiting).closed
    }

    /// The socket, if it was opened by its path.
    #[must_use]
    pub fn path(&self) -> Option<&Path> {
        self.path.as_deref()
    }

    /// The name it was introduced by.
    #[must_use]
    pub fn name(&self) -> Option<&Text> {
        self.name.get()
    }

    /// Tells the daemon the client's name, which others see where they wait for it, and learns who the daemon is.
    ///
    /// # Errors
    /// [`CallError`].
    pub async fn introduce(&self, name: Option<Text>) -> Result<HelloResult, CallError> {
        if let Some(name) = name {
            // The first name stays.
            let _kept = self.name.set(name).is_ok();
        }
        self.call::<Hello>(&HelloParams { client: self.name.get().cloned(), protocol: None }).await
    }

    /// Introduces itself, and learns which daemon that is, since which start; nothing where it may not ask, or another version is spoken.
    ///
    /// # Errors
    /// [`CallError`].
    pub(crate) async fn instance(&self, name: Option<Text>) -> Result<Option<String>, CallError> {
        match self.introduce(name).await {
            Ok(HelloResult { instance, .. }) => Ok(Some(instance)),
            Err(CallError::Refused(error)) if error.kind() == ErrorKind::NotPermitted => Ok(None),
            Err(CallError::Misfit { .. }) => Ok(None),
            Err(error) => Err(error),
        }
    }

    /// Calls a method. Dropping the future takes the request back.
    ///
    /// # Errors
    /// [`CallError`].
    pub async fn call<M: Method>(&self, params: &M::Params) -> Result<M::Output, CallError> {
        self.request::<M>(params, None, None).await
    }

    /// Calls a method that reports progress, and hands every report to `report`.
    ///
    /// # Errors
    /// [`CallError`].
    pub async fn call_with_progress<M: Method>(
        &self,
        params: &M::Params,
        mut report: impl FnMut(SettleProgress),
    ) -> Result<M::Output, CallError> {
        let (sender, mut reports) = mpsc::channel(PROGRESS);
        let request = self.request::<M>(params, Some(sender), None);
        tokio::pin!(request);
        loop {
            tokio::select! {
                biased;
                Some(progress) = reports.recv() => report(progress),
                outcome = &mut request => return outcome,
            }
        }
    }

    /// Calls a method, and wants no answer.
    pub(crate) fn tell<M: Method>(&self, params: &M::Params) {
        if let Ok(line) = call_without_answer_line::<M>(params) {
            // If the queue is full the connection is as good as dead.
            let _sent = self.lines.try_send(line).is_ok();
        }
    }

    /// Subscribes to a meter's readings.
    ///
    /// # Errors
    /// [`CallError`].
    pub async fn observe(&self, params: &ObserveParams) -> Result<Subscription, CallError> {
        self.subscribe::<MeterObserve>(params).await
    }

    /// Subscribes to meters that come, go, fail or recover.
    ///
    /// # Errors
    /// [`CallError`].
    pub async fn observe_meters(&self) -> Result<Subscription, CallError> {
        self.subscribe::<MetersObserve>(&Nothing {}).await
    }

    /// Subscribes to a run, or to all of them, as they get on.
    ///
    /// # Errors
    /// [`CallError`].
    pub async fn observe_runs(&self, run: Option<u64>) -> Result<Subscription, CallError> {
        self.subscribe::<RunsObserve>(&ObserveRuns { run }).await
    }

    async fn subscribe<M: Method<Output = Subscribed>>(
        &self,
        params: &M::Params,
    ) -> Result<Subscription, CallError> {
        let (feed, receiver) = crate::subscription::channel();
        let Subscribed { subscription } = self.request::<M>(params, None, Some(feed)).await?;
        Ok(Subscription::new(subscription, self.lines.downgrade(), receiver))
    }

    async fn request<M: Method>(
        &self,
        params: &M::Params,
        progress: Option<mpsc::Sender<SettleProgress>>,
        feed: Option<Feed>,
    ) -> Result<M::Output, CallError> {
        let misfit = |source| CallError::Misfit { method: M::NAME, source };
        let id = self.next_id.fetch_add(1, Ordering::Relaxed);
        let line = request_line::<M>(&RequestId::Number(id), params).map_err(misfit)?;
        let (reply, answer) = oneshot::channel();
        {
            let mut waiting = lock(&self.waiting);
            if waiting.closed {
                return Err(waiting.why_closed());
            }
            waiting.pending.insert(id, Pending { reply, progress, feed });
        }
        let (asked, told) = (Asked { connection: self, id }, Told::asked(M::NAME));
        // Where it can't be sent the connection ends, and so does waiting; what the daemon said before is read first.
        let _sent = self.lines.send(line).await.is_ok();
        let outcome = answer.await.map_err(|_| lock(&self.waiting).why_closed())?;
        drop(asked);
        told.answered(&outcome);
        let result = outcome.map_err(CallError::Refused)?;
        serde_json::from_str(result.get()).map_err(misfit)
    }
}

/// Takes a request back if its future is dropped before there was an answer.
struct Asked<'a> {
    connection: &'a Connection,
    id: i64,
}

impl Drop for Asked<'_> {
    fn drop(&mut self) {
        let unanswered = lock(&self.connection.waiting).pending.remove(&self.id).is_some();
        if unanswered {
            // Where that doesn't get through, the daemon takes the request back when the connection closes.
            self.connection.tell::<RequestCancel>(&CancelParams { id: RequestId::Number(self.id) });
        }
    }
}

async fn write(mut writer: OwnedWriteHalf, mut lines: mpsc::Receiver<String>) {
    while let Some(mut line) = lines.recv().await {
        line.push('\n');
        if writer.write_all(line.as_bytes()).await.is_err() {
            return;
        }
    }
}

/// Reads until the connection ends; then every call that waits fails.
async fn read(mut reader: OwnedReadHalf, waiting: Arc<Mutex<Waiting>>) {
    let mut lines = Lines::new(LONGEST_ANSWER);
    let mut chunk = vec![0; 16 * 1024];
    loop {
        match reader.read(&mut chunk).await {
            Ok(0) | Err(_) => break,
            Ok(count) => lines.push(chunk.get(..count).unwrap_or_default()),
        }
        while let Some(line) = lines.next() {
            if let Line::Whole(line) = line {
                lock(&waiting).take(&line);
            }
        }
    }
    let mut waiting = lock(&waiting);
    waiting.closed = true;
    waiting.pending.clear();
    waiting.feeds.clear();
}

#[cfg(test)]
mod tests;
