//! What goes to one client. Whoever has something to say writes it straight to the socket where nothing else waits; else it waits
//! its turn, and the connection's own task writes it once the client reads.

use std::io::ErrorKind;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use settled_protocol::limits::Limits;
use settled_protocol::notification::MissedWhy;
use tokio::sync::Notify;

use self::item::{Gap, Item};
use self::waiting::Waiting;
use super::connection::Connection;
use crate::meter_task::Logged;

mod item;
mod waiting;

/// Bytes of answers that may wait; a client that doesn't take them is not read from any further.
const FULL: usize = 1 << 20;

/// The name of a subscription, or of a request that reports progress.
pub(super) type Stream = Arc<str>;

/// One client's outbox. It alone writes to the client's socket.
#[derive(Debug)]
pub(super) struct Outbox {
    socket: Arc<Connection>,
    waiting: Mutex<Waiting>,
    /// Something has begun to wait, or nothing more will come.
    filled: Notify,
    /// Less waits than before.
    emptied: Notify,
    /// Notifications that clients missed.
    missed: Arc<AtomicU64>,
}

impl Outbox {
    pub(super) fn new(socket: Arc<Connection>, limits: &Limits) -> Self {
        let waiting = Mutex::new(Waiting::new(limits.waiting_notifications, limits.waiting_bytes));
        Self { socket, waiting, filled: Notify::new(), emptied: Notify::new(), missed: Arc::default() }
    }

    /// Counts what its client misses here, too.
    pub(super) fn counting(self, missed: &Arc<AtomicU64>) -> Self {
        self.waiting().counting(missed);
        Self { missed: Arc::clone(missed), ..self }
    }

    fn waiting(&self) -> MutexGuard<'_, Waiting> {
        self.waiting.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Writes a line, in parts, on the spot where nothing else waits. What the socket doesn't take waits; all of it does where
    /// something waits already, as `wait` says.
    fn send(&self, parts: &[&str], wait: impl FnOnce(&mut Waiting)) {
        let mut waiting = self.waiting();
        if waiting.is_over() {
            return;
        }
        if !waiting.is_empty() {
            return wait(&mut waiting);
        }
        // Copying some hundred bytes is cheaper than having the system gather them.
        waiting.begin(parts);
        self.begin(&mut waiting);
    }

    /// Writes what nothing else waits before. What the socket doesn't take waits.
    fn begin(&self, waiting: &mut Waiting) {
        self.write_some(waiting);
        if !waiting.is_empty() || waiting.is_over() {
            self.filled.notify_one();
        }
    }

    /// Writes as much of what waits as the socket takes now, up to a chunk.
    fn write_some(&self, waiting: &mut Waiting) {
        while let Some(bytes) = waiting.chunk() {
            match self.socket.write_now(bytes) {
                Ok(0) => return waiting.give_up(),
                Ok(count) if waiting.wrote(count) => return,
                // Less than there was: whether there is room for more is the socket's to say.
                Ok(_) => {}
                Err(error) if error.kind() == ErrorKind::WouldBlock => return,
                Err(_) => return waiting.give_up(),
            }
        }
    }

    /// Adds an answer: a line, in pieces.
    pub(super) fn answer(&self, line: Vec<String>) {
        let mut waiting = self.waiting();
        if waiting.is_over() {
            return;
        }
        let alone = waiting.is_empty();
        waiting.answer(line);
        if alone {
            self.begin(&mut waiting);
        }
    }

    /// Adds a reading to a subscription, with or without its spectrum.
    pub(super) fn reading(&self, stream: &Stream, logged: &Arc<Logged>, spectra: bool) {
        self.send(&item::reading(stream, logged, spectra), |waiting| {
            waiting.push(stream, Item::Reading(Arc::clone(logged), spectra));
        });
    }

    /// Adds a notification to a stream.
    pub(super) fn notice(&self, stream: &Stream, line: &str) {
        self.send(&[line, "\n"], |waiting| waiting.push(stream, Item::Notice(line.to_owned())));
    }

    /// Adds a notification that makes the stream's earlier ones obsolete: progress, of which only the last counts.
    pub(super) fn latest(&self, stream: &Stream, line: &str) {
        self.send(&[line, "\n"], |waiting| {
            waiting.forget(stream);
            waiting.push(stream, Item::Notice(line.to_owned()));
        });
    }

    /// Says that some of a subscription's notifications are gone before they came here, and which where that is known.
    pub(super) fn lost(&self, stream: &Stream, count: u64, range: Option<(u64, u64)>) {
        self.gap(stream, Gap { why: MissedWhy::SlowReader, count, range });
    }

    /// Says that readings after one sequence and up to another are not to be had from the log.
    pub(super) fn unread(&self, stream: &Stream, after: u64, to: u64) {
        if after < to {
            let range = Some((after + 1, to));
            self.gap(stream, Gap { why: MissedWhy::LogUnavailable, count: to - after, range });
        }
    }

    fn gap(&self, stream: &Stream, gap: Gap) {
        if !self.waiting().is_over() {
            self.missed.fetch_add(gap.count, Ordering::Relaxed);
        }
        self.send(&[&gap.line(stream), "\n"], |waiting| waiting.gap(stream, gap));
    }

    /// Forgets what still waits for a stream.
    pub(super) fn forget(&self, stream: &Stream) {
        self.waiting().forget(stream);
        self.emptied.notify_waiters();
    }

    /// No more will come: [`write`](Self::write) ends once everything is written.
    pub(super) fn close(&self) {
        self.waiting().close();
        self.filled.notify_one();
    }

    /// Waits until there is room for more answers.
    pub(super) async fn room(&self) {
        self.until(|waiting| waiting.answer_bytes() < FULL).await;
    }

    /// Waits until nothing of a stream waits any more.
    pub(super) async fn drained(&self, stream: &Stream) {
        self.until(|waiting| !waiting.holds(stream)).await;
    }

    /// Waits until a reading can be added without another giving way to it.
    pub(super) async fn takes(&self, logged: &Logged, spectra: bool) {
        let bytes = item::reading_bytes(logged, spectra);
        self.until(|waiting| waiting.takes(bytes)).await;
    }

    async fn until(&self, holds: impl Fn(&Waiting) -> bool) {
        loop {
            // Listens before it looks, so that no change in between is missed.
            let emptied = self.emptied.notified();
            if holds(&self.waiting()) {
                return;
            }
            emptied.await;
        }
    }

    /// Writes what waits, as the client takes it, until all is written after the [close](Self::close), or the client is gone.
    pub(super) async fn write(&self) {
        loop {
            let (empty, over) = {
                let waiting = self.waiting();
                (waiting.is_empty(), waiting.is_over())
            };
            match (empty, over) {
                (true, true) => return,
                (true, false) => self.filled.notified().await,
                (false, _) => {
                    if let Err(error) = self.socket.writable().await {
                        return tracing::warn!(%error, "a client that doesn't read is given up");
                    }
                    self.write_some(&mut self.waiting());
                    self.emptied.notify_waiters();
                    // A client that reads as fast as it is written to must not keep everyone else waiting.
                    tokio::task::yield_now().await;
                }
            }
        }
    }
}

#[cfg(test)]
mod tests;
