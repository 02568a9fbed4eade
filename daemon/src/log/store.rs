//! The database that the writer has: open, or being opened again and again until it is.

use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::Duration;

use rusqlite::{Connection, ErrorCode, Transaction, TransactionBehavior};
use settled_drivers::fault::chain;

use super::health::Health;
use super::opening::{self, Opened, Place, Stamp};
use super::outage::BackOff;
use super::schema::OpenError;
use super::thin::{self, Order, Thinned};
use super::{Happening, STACK};
use crate::clock::Clock;

/// How often, in s, one looks whether it has been opened: readings go out meanwhile, so it is not urgent.
const LOOK_S: f64 = 0.1;

/// The database.
#[derive(Debug)]
pub(super) enum Store {
    /// It can be written, as far as is known.
    Open(Connection),
    /// It can't.
    Closed(Closed),
}

/// Why it can't be written, and what is done about it.
#[derive(Debug)]
pub(super) struct Closed {
    why: String,
    retry: BackOff,
    /// What is known to be wrong with the file itself.
    damage: Option<String>,
    /// It has never been open: what it remembers is not in memory yet.
    new: bool,
    attempt: Option<JoinHandle<Result<Opened, OpenError>>>,
}

impl Store {
    /// One that could not be opened at the start.
    pub(super) fn unopened(error: &OpenError, now_s: f64) -> Self {
        let (why, retry) = (chain(error), BackOff::new(now_s));
        Self::Closed(Closed { why, retry, damage: None, new: true, attempt: None })
    }

    pub(super) fn connection(&self) -> Option<&Connection> {
        self.open().ok()
    }

    /// The database, or why it isn't open.
    pub(super) fn open(&self) -> Result<&Connection, String> {
        match self {
            Self::Open(connection) => Ok(connection),
            Self::Closed(closed) => Err(closed.why.clone()),
        }
    }

    /// How long to wait, in s, before there is something to do; nothing while it is open.
    pub(super) fn patience_s(&self, now_s: f64) -> Option<f64> {
        match self {
            Self::Open(_) => None,
            Self::Closed(Closed { attempt: Some(_), .. }) => Some(LOOK_S),
            Self::Closed(closed) => Some(closed.retry.at_s() - now_s),
        }
    }

    /// Thins some rows.
    pub(super) fn thin(&mut self, order: &Order) -> Result<Thinned, String> {
        match self {
            Self::Open(connection) => thin::thin(connection, order).map_err(|error| error.to_string()),
            Self::Closed(closed) => Err(closed.why.clone()),
        }
    }

    /// Runs `write` in a transaction of its own; nothing of it is there if it fails.
    pub(super) fn transact(
        &mut self,
        write: impl FnOnce(&Transaction<'_>) -> rusqlite::Result<()>,
    ) -> Result<rusqlite::Result<()>, String> {
        let connection = match self {
            Self::Open(connection) => connection,
            Self::Closed(closed) => return Err(closed.why.clone()),
        };
        // From its first statement on: one that begins by reading gives up at once where another program writes.
        let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate);
        Ok(transaction.and_then(|transaction| write(&transaction).and_then(|()| transaction.commit())))
    }

    /// How long other programs that write are waited for from now on.
    pub(super) fn wait_for_others(&self, patience: Duration) {
        if let Self::Open(connection) = self {
            let _set = connection.busy_timeout(patience).is_ok();
        }
    }

    /// A write has failed: what another program or a full disk keeps from being written may be written next time; else the
    /// database is opened anew.
    pub(super) fn failed(&mut self, error: &rusqlite::Error, clock: &Clock) {
        if let Some(ErrorCode::SystemIoFailure | ErrorCode::ReadOnly | ErrorCode::CannotOpen) =
            error.sqlite_error_code()
        {
            self.close(error.to_string(), None, clock);
        }
    }

    /// The file itself is wrong: it is set aside, and what can be read of it saved.
    pub(super) fn damaged(&mut self, why: String, clock: &Clock) {
        if let Self::Open(_) = self {
            self.close("the log is damaged, and being recovered".to_owned(), Some(why), clock);
        }
    }

    fn close(&mut self, why: String, damage: Option<String>, clock: &Clock) {
        let now_s = clock.real_s();
        let retry = damage.as_ref().map_or_else(|| BackOff::new(now_s), |_| BackOff::at_once(now_s));
        *self = Self::Closed(Closed { why, retry, damage, new: false, attempt: None });
    }

    /// Begins an attempt to open it where one is due, and takes what has come of the last. Something if it has been opened: with
    /// what there is to tell of that.
    pub(super) fn advance(
        &mut self,
        place: &Place,
        clock: &Arc<Clock>,
        health: &Health,
    ) -> Option<Option<Happening>> {
        let Self::Closed(closed) = self else { return None };
        let now_s = clock.real_s();
        match closed.attempt.take_if(|attempt| attempt.is_finished()) {
            None if closed.attempt.is_some() => None,
            None => {
                if closed.retry.at_s() <= now_s {
                    closed.begin(place, clock, health);
                }
                None
            }
            Some(attempt) => {
                let outcome =
                    attempt.join().map_err(|_| "opening the log failed inside the daemon".to_owned());
                match outcome.and_then(|opened| opened.map_err(|error| chain(&error))) {
                    Ok(opened) => {
                        let new = closed.new;
                        health.opened(opened.id.clone(), opened.last, opened.lock);
                        // Those set aside are this daemon's own where it had it open before.
                        let used = if new { opened.reserved } else { opened.last };
                        health.numbers.opened(used, opened.reserved);
                        if new {
                            health.remember(opened.remembered);
                        }
                        *self = Self::Open(opened.connection);
                        Some(opened.news)
                    }
                    Err(why) => {
                        closed.why = why;
                        closed.retry.failed(now_s);
                        None
                    }
                }
            }
        }
    }
}

impl Closed {
    /// Opens it on a thread of its own: a disk that hangs, or a large log that is recovered, must keep no reading waiting.
    fn begin(&mut self, place: &Place, clock: &Arc<Clock>, health: &Health) {
        let stamp = Stamp { moment: clock.now(), boot: clock.boot().to_owned() };
        let (place, lock, damage) = (place.clone(), health.lock(), self.damage.clone());
        let open = move || opening::open(&place, lock, &stamp, damage.as_deref());
        let thread = std::thread::Builder::new().name("log-opening".to_owned()).stack_size(4 * STACK);
        match thread.spawn(open) {
            Ok(attempt) => self.attempt = Some(attempt),
            Err(error) => {
                self.why = format!("starting a thread to open the log: {error}");
                self.retry.failed(clock.real_s());
            }
        }
    }
}
