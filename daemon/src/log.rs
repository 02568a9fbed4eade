//! The log: readings and events in one SQLite database. What it acknowledges is durable.
//!
//! One thread writes, in groups: whatever has queued up while the last group was committed makes the next. Queries have
//! connections of their own, so that no reader holds up a write. Only the files below `log/` hold SQL.

use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::log::EventKind;
use settled_protocol::method::LogStatus;
use settled_protocol::reading::{Flag, Reading};
use tokio::sync::{Semaphore, mpsc, oneshot};

use crate::clock::{Clock, Moment};
use crate::config::Survives;
use crate::lock::Lock;
use crate::metrics::counts::Tally;

mod corrections;
mod lookup;
mod numbers;
mod query;
mod runs;
mod schema;
mod spectra;
mod writer;
mod zeros;

pub use corrections::{Change, Forced, Kept, correction_id, correction_number};
pub use runs::{Counted, Unfinished};
pub use schema::OpenError;
pub use zeros::{Which, Zero};

/// Rows that may wait for the disk. A meter gives up to 20 readings a second: at 64 meters this is a second's worth.
const QUEUE: usize = 1280;

/// Queries that may run at once, for all clients together: each has a connection and up to a page of rows. Others wait.
const QUERIES: usize = 4;

/// Bytes of stack that a thread of the log has.
const STACK: usize = 512 * 1024;

/// Something that happened, to be stamped and numbered.
#[derive(Clone, Debug)]
pub struct Happening {
    /// What kind of thing.
    pub kind: EventKind,
    /// The meter it is about.
    pub meter: Option<String>,
    /// The run it is about.
    pub run: Option<u64>,
    /// One plain sentence.
    pub detail: String,
}

impl Happening {
    /// Something about the daemon as a whole.
    #[must_use]
    pub fn new(kind: EventKind, detail: impl Into<String>) -> Self {
        Self { kind, meter: None, run: None, detail: detail.into() }
    }

    /// Something about a meter.
    #[must_use]
    pub fn about(kind: EventKind, meter: &str, detail: impl Into<String>) -> Self {
        Self { kind, meter: Some(meter.to_owned()), run: None, detail: detail.into() }
    }

    /// The same, about a run, too.
    #[must_use]
    pub fn of_run(self, run: u64) -> Self {
        Self { run: Some(run), ..self }
    }

    /// Tells the daemon's own trace.
    pub(crate) fn trace(&self) {
        let meter = self.meter.as_deref().unwrap_or("-");
        tracing::info!(kind = self.kind.name(), meter, "{}", self.detail);
    }
}

/// One thing to write.
#[derive(Debug)]
enum Entry {
    Reading { draft: Box<Reading>, numbered: oneshot::Sender<Numbered> },
    Event { happening: Happening, moment: Moment, boot: String },
    Correction { change: Change, happening: Option<Happening>, moment: Moment, boot: String, then: Then },
    Zero { which: Which, zero: Option<Zero>, written: oneshot::Sender<()> },
    Runs { runs: Vec<crate::runs::Kept>, written: oneshot::Sender<bool> },
}

/// What became of a reading.
#[derive(Clone, Copy, Debug)]
pub struct Numbered {
    /// Its sequence.
    pub sequence: u64,
    /// Whether it is durable; else it must be flagged.
    pub durable: bool,
}

/// What is to be done once something has been written, or could not be.
pub struct Then(Box<dyn FnOnce(bool) + Send>);

impl Then {
    /// `action` gets whether it was written.
    pub fn new(action: impl FnOnce(bool) + Send + 'static) -> Self {
        Self(Box::new(action))
    }

    fn done(self, written: bool) {
        (self.0)(written);
    }
}

impl std::fmt::Debug for Then {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Then").finish_non_exhaustive()
    }
}

/// How the writing goes, shared with the writer's thread.
#[derive(Debug)]
struct Health {
    /// The last sequence that is durable.
    last_sequence: AtomicU64,
    numbers: numbers::Numbers,
    /// Why nothing can be written, while that is so.
    reason: Mutex<Option<String>>,
}

impl Health {
    fn reason(&self) -> Option<String> {
        self.reason.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Takes a new reason, and gives the one before.
    fn change(&self, reason: Option<String>) -> Option<String> {
        std::mem::replace(&mut *self.reason.lock().unwrap_or_else(PoisonError::into_inner), reason)
    }
}

/// The log, or the lack of one.
#[derive(Clone, Debug)]
pub struct Log {
    file: Option<File>,
    unlogged: Arc<AtomicU64>,
    zeros: zeros::Zeros,
    /// Events that were told of, in the log or not.
    happened: Arc<Tally<{ EventKind::ALL.len() }>>,
}

#[derive(Clone, Debug)]
struct File {
    path: PathBuf,
    entries: mpsc::Sender<Entry>,
    health: Arc<Health>,
    queries: Arc<Semaphore>,
    /// What there was of corrections when it was opened.
    kept: Arc<Kept>,
    /// The runs that were not over then.
    runs: Arc<Unfinished>,
    // Numbers are given out from memory once the writer is gone: no other daemon may have the log even then.
    _lock: Arc<Lock>,
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
        Self {
            file: None,
            unlogged: Arc::default(),
            zeros: zeros::Zeros::default(),
            happened: Arc::default(),
        }
    }

    /// Opens the database at `path`, making it and its folder if need be, and starts the writer.
    ///
    /// # Errors
    /// [`OpenError`] if it can't be opened, is not ours, belongs to a later version, or is written by another daemon.
    pub fn open(path: PathBuf, survives: Survives) -> Result<(Self, Written), OpenError> {
        let lock = Arc::new(schema::claim(&path)?);
        let connection = schema::open(&path, survives)?;
        let last = query::last_sequence(&connection).map_err(OpenError::Read)?;
        let reserved = query::reserved(&connection).map_err(OpenError::Read)?;
        let kept = Arc::new(corrections::load(&connection).map_err(OpenError::Read)?);
        let zeros = zeros::read(&connection).map_err(OpenError::Read)?;
        let runs = Arc::new(runs::load(&connection).map_err(OpenError::Read)?);
        let health = Arc::new(Health {
            last_sequence: AtomicU64::new(last),
            numbers: numbers::Numbers::after(reserved),
            reason: Mutex::default(),
        });
        let (entries, queue) = mpsc::channel(QUEUE);
        let writer = writer::Writer::new(connection, Arc::clone(&health), Arc::clone(&lock));
        let thread = std::thread::Builder::new()
            .name("log".to_owned())
            .stack_size(STACK)
            .spawn(move || writer.run(queue))
            .map_err(OpenError::Thread)?;
        let queries = Arc::new(Semaphore::new(QUERIES));
        let file = File { path, entries, health, queries, kept, runs, _lock: lock };
        Ok((
            Self { file: Some(file), unlogged: Arc::default(), zeros, happened: Arc::default() },
            Written(Some(thread)),
        ))
    }

    /// Hands a reading to the log; its own sequence is ignored. The receiver gets its number once it is durable, or
    /// once that has failed; an error if there is no number left that could not be given out again.
    pub async fn append(&self, draft: Reading) -> oneshot::Receiver<Numbered> {
        let (numbered, receiver) = oneshot::channel();
        let entry = Entry::Reading { draft: Box::new(draft), numbered };
        let unsent = match &self.file {
            Some(file) => file.entries.send(entry).await.err(),
            None => Some(mpsc::error::SendError(entry)),
        };
        if let Some(mpsc::error::SendError(Entry::Reading { numbered, .. })) = unsent {
            let sequence = match &self.file {
                Some(file) => file.health.numbers.one(),
                None => Some(self.number()),
            };
            // The receiver is in our own hands.
            let _received = sequence.map(|sequence| numbered.send(Numbered { sequence, durable: false }));
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
        happening.trace();
        self.event_at(clock.now(), clock.boot(), happening).await;
    }

    /// Writes down what happened at a moment, and is in the trace already. Dropping the future writes nothing.
    pub(crate) async fn event_at(&self, moment: Moment, boot: &str, happening: Happening) {
        self.happened.add(&EventKind::ALL, &happening.kind);
        if let Some(file) = &self.file {
            let entry = Entry::Event { happening, moment, boot: boot.to_owned() };
            // It is in the trace, should the writer be gone.
            let _sent = file.entries.send(entry).await.is_ok();
        }
    }

    /// How many events of each kind there were since the daemon started.
    pub(crate) fn happened(&self) -> impl Iterator<Item = (EventKind, u64)> + '_ {
        self.happened.of(&EventKind::ALL)
    }

    /// What the log had of corrections when it was opened.
    #[must_use]
    pub fn kept(&self) -> Kept {
        self.file.as_ref().map_or_else(Kept::default, |file| Kept::clone(&file.kept))
    }

    /// Writes a change to the corrections, and what is to be told of it, in one commit. `then` is called once that has been done,
    /// or has failed, whether anybody still waits or not: at once where the log is off.
    pub async fn keep(&self, clock: &Clock, change: Change, happening: Option<Happening>, then: Then) {
        if let Some(happening) = &happening {
            self.happened.add(&EventKind::ALL, &happening.kind);
        }
        let Some(file) = &self.file else { return then.done(true) };
        let (moment, boot) = (clock.now(), clock.boot().to_owned());
        let entry = Entry::Correction { change, happening, moment, boot, then };
        if let Err(mpsc::error::SendError(Entry::Correction { then, .. })) = file.entries.send(entry).await {
            then.done(false);
        }
    }

    /// When an instrument was last zeroed, as far as that is known and still counts.
    #[must_use]
    pub fn zero(&self, which: &Which) -> Option<Zero> {
        self.zeros.of(which)
    }

    /// Takes note that an instrument was zeroed, or that an earlier zero counts no more. The receiver ends once that is durable, or
    /// can't be written; it is known here at once.
    pub async fn keep_zero(&self, which: Which, zero: Option<Zero>) -> oneshot::Receiver<()> {
        self.zeros.set(&which, zero.clone());
        let (written, receiver) = oneshot::channel();
        if let Some(file) = &self.file {
            // Where the writer is gone there is nobody to wait for.
            let _sent = file.entries.send(Entry::Zero { which, zero, written }).await.is_ok();
        }
        receiver
    }

    /// The last number that was given to a reading, in the log or not; nothing where the log is off.
    #[must_use]
    pub fn last_given(&self) -> Option<u64> {
        self.file.as_ref().map(|file| file.health.numbers.last())
    }

    /// How the log is.
    #[must_use]
    pub fn status(&self) -> LogStatus {
        let Some(file) = &self.file else {
            let reason = Some("off in the config".to_owned());
            return LogStatus {
                writing: false,
                bytes: None,
                last_sequence: None,
                reason,
                id: None,
                room: None,
                unlogged: 0,
            };
        };
        let bytes = std::fs::metadata(&file.path).ok().map(|metadata| metadata.len());
        let gone = || "the log's writer has ended, its trace says why; start the daemon anew".to_owned();
        let reason = if file.entries.is_closed() { Some(gone()) } else { file.health.reason() };
        LogStatus {
            writing: reason.is_none(),
            bytes,
            last_sequence: Some(file.health.last_sequence.load(Ordering::Acquire))
                .filter(|sequence| *sequence > 0),
            reason,
            id: None,
            room: None,
            unlogged: 0,
        }
    }
}

/// What needs the log gets this where there is none.
#[must_use]
pub fn off() -> RpcError {
    RpcError::new(ErrorKind::LogUnavailable, "the log is off in the daemon's config")
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
