//! The log: readings and events in one SQLite database. What it acknowledges is durable.
//!
//! One thread writes, in groups: whatever has queued up while the last group was committed makes the next. Queries have
//! connections of their own, so that no reader holds up a write. Only the files below `log/` hold SQL.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use settled_drivers::fault::chain;
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::log::EventKind;
use settled_protocol::method::LogStatus;
use settled_protocol::reading::Reading;
use tokio::sync::{Semaphore, mpsc, oneshot};

use crate::clock::{Clock, Moment};
use crate::config::{LogFile, Survives};
use crate::metrics::counts::Tally;
use entry::Entry;
use health::Health;
use opening::{Place, Remembered, Stamp};
use unlogged::Stretches;

mod answers;
mod backup;
mod bins;
mod check;
mod corrections;
mod entry;
pub mod forecast;
mod group;
mod happening;
mod health;
mod later;
mod lookup;
mod newest;
mod numbers;
mod open_error;
mod opening;
mod outage;
mod pages;
mod query;
mod recovery;
mod reserve;
mod room;
mod rows;
mod runs;
mod salvage;
mod schema;
mod spectra;
mod statistics;
mod store;
mod sums;
mod thin;
mod unlogged;
mod views;
mod wal;
mod witnessed;
mod writer;
mod zeros;

pub use corrections::{Change, Forced, Kept, correction_id, correction_number};
pub use entry::{Numbered, Then, numbered};
pub use happening::Happening;
pub use open_error::OpenError;
pub use recovery::RecoveryError;
pub use runs::{Counted, Unfinished};
pub use thin::{Mark, Order, Thinned};
pub use zeros::{Which, Zero};

/// Rows that may wait for the disk. A meter gives up to 20 readings a second: at 64 meters this is a second's worth.
const QUEUE: usize = 1280;

/// Queries that may run at once, for all clients together: each has a connection and up to a page of rows. Others wait.
const QUERIES: usize = 4;

/// Of those, how many may go through a whole stretch, which takes as long as the stretch is: pages have places all the same.
pub(crate) const FIGURES: usize = 2;

/// Bytes of stack that a thread of the log has.
const STACK: usize = 512 * 1024;

/// The log, or the lack of one.
#[derive(Clone, Debug)]
pub struct Log {
    file: Option<File>,
    unlogged: Arc<AtomicU64>,
    zeros: zeros::Zeros,
    happened: Arc<Happened>,
}

/// Events that were told of, in the log or not.
type Happened = Tally<{ EventKind::ALL.len() }>;

#[derive(Clone, Debug)]
struct File {
    place: Arc<Place>,
    entries: mpsc::Sender<Entry>,
    health: Arc<Health>,
    queries: Arc<Semaphore>,
    figures: Arc<Semaphore>,
    clock: Arc<Clock>,
    /// What it remembered when it was opened, if it was at the start.
    kept: Arc<Kept>,
    stretches: Arc<Stretches>,
    /// The runs that were not over then.
    runs: Arc<Unfinished>,
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

    /// Opens the database at `path`, making it and its folder if need be, and starts the writer. It must be possible to write it. Where
    /// this is called in a runtime, a task of that runtime passes the writer's answers on: somebody must drive it.
    ///
    /// # Errors
    /// [`OpenError`] if it can't be opened, is not ours, belongs to a later version, or is written by another daemon.
    pub fn open(path: PathBuf, survives: Survives) -> Result<(Self, Written), OpenError> {
        let file = LogFile { survives, ..LogFile::default() };
        Self::start(path, &file, Arc::new(Clock::system()), Err)
    }

    /// The same on these terms; but where it can't be opened as yet, readings go out unlogged until it can.
    ///
    /// # Errors
    /// [`OpenError`] where only its user can help: it is not ours, belongs to a later version, or is written by another daemon.
    pub fn begin(path: PathBuf, file: &LogFile, clock: Arc<Clock>) -> Result<(Self, Written), OpenError> {
        Self::start(path, file, clock, |error| if error.is_refusal() { Err(error) } else { Ok(error) })
    }

    fn start(
        path: PathBuf,
        file: &LogFile,
        clock: Arc<Clock>,
        bear: impl FnOnce(OpenError) -> Result<OpenError, OpenError>,
    ) -> Result<(Self, Written), OpenError> {
        let place = Arc::new(Place::new(path, file));
        let stamp = Stamp { moment: clock.now(), boot: clock.boot().to_owned() };
        let happened = Arc::new(Happened::default());
        let (store, health, remembered, in_order) = match opening::open(&place, None, &stamp, None) {
            Ok(opened) => {
                if let Some(news) = opened.news {
                    happened.add(&EventKind::ALL, &news.kind);
                }
                let health = Health::new(numbers::Numbers::after(opened.reserved), None);
                health.opened(opened.id, opened.last, opened.lock);
                (store::Store::Open(opened.connection), health, opened.remembered, opened.in_order)
            }
            Err(error) => {
                let error = bear(error)?;
                let reason = format!("{}; readings go out unlogged", chain(&error));
                tracing::error!(reason, "the log can't be opened yet");
                let health = Health::new(numbers::Numbers::after(0), Some(reason));
                (store::Store::unopened(&error, clock.real_s()), health, Remembered::default(), true)
            }
        };
        let (health, (entries, queue)) = (Arc::new(health), mpsc::channel(QUEUE));
        let around = (Arc::clone(&clock), Arc::clone(&health), Arc::clone(&happened));
        let writer = writer::Writer::new(store, Place::clone(&place), around);
        let thread = std::thread::Builder::new()
            .name("log".to_owned())
            .stack_size(STACK)
            .spawn(move || writer.run(queue))
            .map_err(OpenError::Thread)?;
        if !in_order {
            check::after_a_fall(&place.path, entries.downgrade(), Arc::clone(&health));
        }
        let Remembered { kept, zeros, unlogged, runs } = remembered;
        let (kept, stretches, runs) = (Arc::new(kept), Arc::new(unlogged), Arc::new(runs));
        let (queries, figures) = (Arc::new(Semaphore::new(QUERIES)), Arc::new(Semaphore::new(FIGURES)));
        let file = File { place, entries, health, queries, figures, clock, kept, stretches, runs };
        Ok((Self { file: Some(file), unlogged: Arc::default(), zeros, happened }, Written(Some(thread))))
    }

    /// What a log remembers that could not be opened at the start, once it has been opened; never if it was, or there is none.
    pub(crate) async fn opened_late(&self) -> Late {
        let Some(file) = &self.file else { return std::future::pending().await };
        loop {
            file.health.late.notified().await;
            if let Some(Remembered { kept, zeros, unlogged, runs }) = file.health.remembered() {
                self.zeros.add(&zeros);
                return Late { kept, unlogged, runs };
            }
        }
    }

    /// From which to which sequence a meter's readings went out unlogged before this start, in rising order.
    pub(crate) fn stretches(&self, meter: &str) -> Vec<(u64, u64)> {
        let of = self.file.as_ref().and_then(|file| file.stretches.get(meter));
        of.cloned().unwrap_or_default()
    }

    /// Hands a reading to the log; its own sequence is ignored. The receiver gets its number once it is durable, or
    /// once that has failed.
    pub async fn append(&self, draft: Reading) -> oneshot::Receiver<Numbered> {
        let (numbered, receiver) = oneshot::channel();
        let entry = Entry::Reading { draft: Box::new(draft), numbered };
        let unsent = match &self.file {
            Some(file) => file.entries.send(entry).await.err(),
            None => Some(mpsc::error::SendError(entry)),
        };
        if let Some(mpsc::error::SendError(Entry::Reading { numbered, .. })) = unsent {
            let sequence = match &self.file {
                Some(file) => {
                    file.health.unlogged.fetch_add(1, Ordering::Relaxed);
                    file.health.numbers.take(1, file.clock.machine_us()) + 1
                }
                None => self.number(),
            };
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

    /// Returns once the writer has been through all that was handed to it before, be it written or not: at once where the log is off.
    /// Whether it lives.
    pub async fn worked_through(&self) -> bool {
        let Some(file) = &self.file else { return true };
        let (reached, receiver) = oneshot::channel();
        file.entries.send(Entry::Mark { reached }).await.is_ok() && receiver.await.is_ok()
    }

    /// Says to whoever wants the log next that it will soon be free.
    pub fn is_ending(&self) {
        if let Some(lock) = self.file.as_ref().and_then(|file| file.health.lock()) {
            lock.is_ending();
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

    /// Changes how much room the log may take, and below how much one is warned: from the next look on.
    pub(crate) fn change_bounds(&self, of: &LogFile) {
        if let Some(file) = &self.file {
            file.place.bounds.change(of);
        }
    }

    /// How the log is.
    #[must_use]
    pub fn status(&self) -> LogStatus {
        let Some(File { place, entries, health, .. }) = &self.file else {
            return LogStatus {
                writing: false,
                bytes: None,
                last_sequence: None,
                reason: Some("off in the config".to_owned()),
                id: None,
                room: None,
                unlogged: self.unlogged.load(Ordering::Relaxed),
            };
        };
        let bytes = std::fs::metadata(&place.path).ok().map(|metadata| metadata.len());
        let gone = || "the log's writer has ended, its trace says why; start the daemon anew".to_owned();
        let reason = if entries.is_closed() { Some(gone()) } else { health.reason() };
        LogStatus {
            writing: reason.is_none(),
            bytes,
            last_sequence: Some(health.last_sequence.load(Ordering::Acquire))
                .filter(|sequence| *sequence > 0),
            reason,
            id: health.id(),
            room: health.room(),
            unlogged: health.unlogged.load(Ordering::Relaxed),
        }
    }
}

/// What a log remembers that was opened late.
#[derive(Debug)]
pub(crate) struct Late {
    /// Its corrections.
    pub(crate) kept: Kept,
    /// The runs that were not over.
    pub(crate) runs: Unfinished,
    unlogged: Stretches,
}

impl Late {
    /// From which to which sequence a meter's readings went out unlogged before this start.
    pub(crate) fn stretches(&self, meter: &str) -> Vec<(u64, u64)> {
        self.unlogged.get(meter).cloned().unwrap_or_default()
    }
}

/// What needs the log gets this where there is none.
#[must_use]
pub fn off() -> RpcError {
    RpcError::new(ErrorKind::LogUnavailable, "the log is off in the daemon's config")
}

#[cfg(test)]
mod damage_tests;
#[cfg(test)]
mod tests;
