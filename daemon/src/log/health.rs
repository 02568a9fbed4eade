//! How the log is, shared between the thread that writes it and everyone who asks.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use rusqlite::InterruptHandle;
use settled_protocol::method::LogRoom;
use tokio::sync::Notify;

use super::numbers::Numbers;
use super::opening::Remembered;
use crate::lock::Lock;

/// How the writing goes.
#[derive(Debug)]
pub(super) struct Health {
    /// The last sequence that is durable.
    pub(super) last_sequence: AtomicU64,
    pub(super) numbers: Numbers,
    /// Readings that could not be logged since the daemon started.
    pub(super) unlogged: AtomicU64,
    /// Whether a copy of it is being made, or it is looked through: one of each at a time.
    pub(super) copying: AtomicBool,
    pub(super) checking: AtomicBool,
    told: Mutex<Told>,
    /// A log that could not be opened at the start has been opened since.
    pub(super) late: Notify,
}

#[derive(Debug, Default)]
struct Told {
    /// Why nothing can be written, while that is so.
    reason: Option<String>,
    id: Option<String>,
    room: Option<LogRoom>,
    // Numbers are given out from memory once the writer is gone: no other daemon may have the log even then.
    lock: Option<Arc<Lock>>,
    remembered: Option<Remembered>,
    /// Ends the look through the log that follows a stop out of order.
    look: Option<Interrupt>,
}

/// Ends a query on another thread.
struct Interrupt(InterruptHandle);

impl std::fmt::Debug for Interrupt {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Interrupt").finish_non_exhaustive()
    }
}

impl Health {
    pub(super) fn new(numbers: Numbers, reason: Option<String>) -> Self {
        Self {
            last_sequence: AtomicU64::new(0),
            numbers,
            unlogged: AtomicU64::new(0),
            copying: AtomicBool::new(false),
            checking: AtomicBool::new(false),
            told: Mutex::new(Told { reason, ..Told::default() }),
            late: Notify::new(),
        }
    }

    fn told(&self) -> MutexGuard<'_, Told> {
        self.told.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub(super) fn reason(&self) -> Option<String> {
        self.told().reason.clone()
    }

    /// Takes a new reason, and gives the one before.
    pub(super) fn change(&self, reason: Option<String>) -> Option<String> {
        std::mem::replace(&mut self.told().reason, reason)
    }

    pub(super) fn id(&self) -> Option<String> {
        self.told().id.clone()
    }

    /// Takes note of what an opened log is.
    pub(super) fn opened(&self, id: String, last: u64, lock: Arc<Lock>) {
        self.last_sequence.fetch_max(last, Ordering::AcqRel);
        let mut told = self.told();
        (told.id, told.lock) = (Some(id), Some(lock));
    }

    /// The lock, once it is held.
    pub(super) fn lock(&self) -> Option<Arc<Lock>> {
        self.told().lock.clone()
    }

    pub(super) fn room(&self) -> Option<LogRoom> {
        self.told().room
    }

    pub(super) fn set_room(&self, room: LogRoom) {
        self.told().room = Some(room);
    }

    /// Takes what a log remembered that was opened late.
    pub(super) fn remember(&self, remembered: Remembered) {
        self.told().remembered = Some(remembered);
        self.late.notify_one();
    }

    /// What a log remembered that was opened late, once.
    pub(super) fn remembered(&self) -> Option<Remembered> {
        self.told().remembered.take()
    }

    /// Takes note of how the look through the log is ended.
    pub(super) fn looking(&self, handle: InterruptHandle) {
        self.told().look = Some(Interrupt(handle));
    }

    /// The look through the log has ended.
    pub(super) fn looked(&self) {
        self.told().look = None;
    }

    /// Ends the look through the log, if there is one: the daemon stops.
    pub(super) fn look_no_more(&self) {
        if let Some(Interrupt(handle)) = self.told().look.take() {
            handle.interrupt();
        }
    }
}
