//! The log: readings and events in one SQLite database. What it acknowledges is durable.
//!
//! One thread writes, in groups: whatever has queued up while the last group was committed makes the next. Queries have
//! connections of their own, so that no reader holds up a write. Only the files below `log/` hold SQL.

use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};

use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::log::{EventKind, EventsPage, ReadingsPage, Selection};
use settled_protocol::method::LogStatus;
use settled_protocol::reading::{Flag, Reading};
use tokio::sync::{mpsc, oneshot};

use crate::clock::{Clock, Moment};
use crate::config::Survives;

mod query;
mod schema;
mod writer;

pub use schema::OpenError;

/// Rows that may wait for the disk. A meter gives up to 20 readings a second: at 64 meters this is a second's worth.
const QUEUE: usize = 1280;

/// Something that happened, to be stamped and numbered.
#[derive(Clone, Debug)]
pub struct Happening {
    /// What kind of thing.
    pub kind: EventKind,
    /// The meter it is about.
    pub meter: Option<String>,
    /// One plain sentence.
    pub detail: String,
}

impl Happening {
    /// Something about the daemon as a whole.
    #[must_use]
    pub fn new(kind: EventKind, detail: impl Into<String>) -> Self {
        Self { kind, meter: None, detail: detail.into() }
    }

    /// Something about a meter.
    #[must_use]
    pub fn about(kind: EventKind, meter: &str, detail: impl Into<String>) -> Self {
        Self { kind, meter: Some(meter.to_owned()), detail: detail.into() }
    }
}

/// One thing to write.
#[derive(Debug)]
enum Entry {
    Reading { draft: Box<Reading>, numbered: oneshot::Sender<Numbered> },
    Event { happening: Happening, moment: Moment, boot: String },
}

/// What became of a reading.
#[derive(Clone, Copy, Debug)]
pub struct Numbered {
    /// Its sequence.
    pub sequence: u64,
    /// Whether it is durable; else it must be flagged.
    pub durable: bool,
}

/// How the writing goes, shared with the writer's thread.
#[derive(Debug, Default)]
struct Health {
    last_sequence: AtomicU64,
    failing: AtomicBool,
    reason: Mutex<Option<String>>,
}

/// The log, or the lack of one.
#[derive(Clone, Debug)]
pub struct Log {
    file: Option<File>,
    unlogged: Arc<AtomicU64>,
}

#[derive(Clone, Debug)]
struct File {
    path: PathBuf,
    entries: mpsc::Sender<Entry>,
    health: Arc<Health>,
}

/// Ends when everything that was handed to the log has been written.
#[derive(Debug)]
pub struct Written(Option<std::thread::JoinHandle<()>>);

impl Written {
    /// There is no writer to wait for.
    #[must_use]
    pub fn nothing() -> Self {
        Self(None)
    }

    /// Waits for the writer. Every [`Log`] must have been dropped.
    pub fn wait(self) {
        if let Some(thread) = self.0 {
            let _panicked = thread.join().is_err();
        }
    }
}

impl Log {
    /// No log: readings are numbered from memory and flagged.
    #[must_use]
    pub fn off() -> Self {
        Self { file: None, unlogged: Arc::default() }
    }

    /// Opens the database at `path`, making it and its folder if need be, and starts the writer.
    ///
    /// # Errors
    /// [`OpenError`] if it can't be opened, is not ours, or belongs to a later version.
    pub fn open(path: PathBuf, survives: Survives) -> Result<(Self, Written), OpenError> {
        let connection = schema::open(&path, survives)?;
        let last = query::last_sequence(&connection).map_err(OpenError::Read)?;
        let health = Arc::new(Health::default());
        health.last_sequence.store(last, Ordering::Release);
        let (entries, queue) = mpsc::channel(QUEUE);
        let writer = writer::Writer::new(connection, last, Arc::clone(&health));
        let thread = std::thread::Builder::new()
            .name("log".to_owned())
            .stack_size(512 * 1024)
            .spawn(move || writer.run(queue))
            .map_err(OpenError::Thread)?;
        let file = File { path, entries, health };
        Ok((Self { file: Some(file), unlogged: Arc::default() }, Written(Some(thread))))
    }

    /// Hands a reading to the log; its own sequence is ignored. The receiver gets its number once it is durable, or
    /// once that has failed.
    pub async fn append(&self, draft: Reading) -> oneshot::Receiver<Numbered> {
        let (numbered, receiver) = oneshot::channel();
        let unsent = match &self.file {
            Some(file) => file.entries.send(Entry::Reading { draft: Box::new(draft), numbered }).await.err(),
            None => Some(mpsc::error::SendError(Entry::Reading { draft: Box::new(draft), numbered })),
        };
        if let Some(mpsc::error::SendError(Entry::Reading { numbered, .. })) = unsent {
            let sequence = self.unlogged.fetch_add(1, Ordering::Relaxed) + 1;
            // The receiver is in our own hands.
            let _received = numbered.send(Numbered { sequence, durable: false }).is_ok();
        }
        receiver
    }

    /// Whether readings are numbered from memory because there is no log at all.
    #[must_use]
    pub fn is_off(&self) -> bool {
        self.file.is_none()
    }

    /// Numbers a reading from memory, without waiting: only where the log [is off](Self::is_off).
    #[must_use]
    pub fn number(&self) -> u64 {
        self.unlogged.fetch_add(1, Ordering::Relaxed) + 1
    }

    /// Writes down that something happened, here and in the daemon's own trace.
    pub async fn event(&self, clock: &Clock, happening: Happening) {
        let meter = happening.meter.as_deref().unwrap_or("-");
        tracing::info!(kind = happening.kind.name(), meter, "{}", happening.detail);
        if let Some(file) = &self.file {
            let entry = Entry::Event { happening, moment: clock.now(), boot: clock.boot().to_owned() };
            // The writer ends only after the last sender, which is us.
            let _sent = file.entries.send(entry).await.is_ok();
        }
    }

    /// A page of readings.
    ///
    /// # Errors
    /// `log_unavailable` if the log is off or can't be read; `invalid_params` for a selection that makes no sense.
    pub async fn readings(&self, selection: Selection) -> Result<ReadingsPage, RpcError> {
        self.query(selection, query::readings).await
    }

    /// A page of events.
    ///
    /// # Errors
    /// As [`readings`](Self::readings).
    pub async fn events(&self, selection: Selection) -> Result<EventsPage, RpcError> {
        self.query(selection, query::events).await
    }

    async fn query<T: Send + 'static>(
        &self,
        selection: Selection,
        page: fn(&rusqlite::Connection, &Selection) -> rusqlite::Result<T>,
    ) -> Result<T, RpcError> {
        query::check(&selection)?;
        let unavailable = |message: String| RpcError::new(ErrorKind::LogUnavailable, message);
        let Some(file) = &self.file else {
            return Err(unavailable("the log is off in the daemon's config".to_owned()));
        };
        let path = file.path.clone();
        tokio::task::spawn_blocking(move || page(&schema::open_to_read(&path)?, &selection))
            .await
            .map_err(|_| unavailable("the query was stopped".to_owned()))?
            .map_err(|error| unavailable(format!("reading the log: {error}")))
    }

    /// How the log is.
    #[must_use]
    pub fn status(&self) -> LogStatus {
        let Some(file) = &self.file else {
            let reason = Some("off in the config".to_owned());
            return LogStatus { writing: false, bytes: None, last_sequence: None, reason };
        };
        let bytes = std::fs::metadata(&file.path).ok().map(|metadata| metadata.len());
        let reason = file.health.reason.lock().unwrap_or_else(std::sync::PoisonError::into_inner).clone();
        LogStatus {
            writing: !file.health.failing.load(Ordering::Acquire),
            bytes,
            last_sequence: Some(file.health.last_sequence.load(Ordering::Acquire))
                .filter(|sequence| *sequence > 0),
            reason,
        }
    }
}

/// A reading with its number, and the flag it earns if it isn't durable.
#[must_use]
pub fn numbered(mut draft: Reading, numbered: Numbered) -> Reading {
    draft.sequence = numbered.sequence;
    if !numbered.durable {
        draft.flags.push(Flag::Unlogged);
    }
    draft
}

#[cfg(test)]
mod tests;
