//! The thread that writes. It commits in groups and tells each reading its number only after the commit.
//!
//! Whatever keeps it from writing, it goes on answering: readings go out unlogged, the rest waits in memory as far as there is room,
//! and it tries again by itself.

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use rusqlite::{ErrorCode, Transaction};
use settled_protocol::log::EventKind;
use tokio::sync::{mpsc, oneshot};

use super::answers::Answers;
use super::group::{Gathering, LARGEST_GROUP, damage, readings, take_marks};
use super::health::Health;
use super::later::Later;
use super::opening::Place;
use super::outage::Outage;
use super::reserve::{reserve, reserve_for_good};
use super::room::{Room, Turn};
use super::rows::{Ids, insert_event, insert_reading};
pub(super) use super::rows::{Names, name_id, signed};
use super::store::Store;
use super::{Entry, Happened, Happening, Numbered, corrections, runs, schema, zeros};
use crate::clock::Clock;

/// The least time, in s, between two recoveries of a log that is open.
const BETWEEN_S: f64 = 600.0;

/// How long one waits for another program that writes to the database once it has kept the log from being written.
const IMPATIENCE: Duration = Duration::from_millis(20);

pub(super) struct Writer {
    store: Store,
    place: Place,
    clock: Arc<Clock>,
    health: Arc<Health>,
    /// What it writes down by itself is counted like all else.
    happened: Arc<Happened>,
    room: Room,
    ids: Ids,
    answers: Answers,
    gathering: Gathering,
    outage: Option<Outage>,
    /// What is to be written once that is possible.
    later: Later,
    /// When it was last found damaged, while it was open.
    recovered_s: Option<f64>,
}

impl Writer {
    pub(super) fn new(
        store: Store,
        place: Place,
        (clock, health, happened): (Arc<Clock>, Arc<Health>, Arc<Happened>),
    ) -> Self {
        let (room, ids, later, answers) = (Room::default(), Ids::default(), Later::default(), Answers::new());
        Self {
            store,
            place,
            clock,
            health,
            happened,
            room,
            ids,
            answers,
            gathering: Gathering::default(),
            outage: None,
            later,
            recovered_s: None,
        }
    }

    /// Writes until the last sender is gone.
    pub(super) fn run(mut self, mut queue: mpsc::Receiver<Entry>) {
        let mut group = Vec::with_capacity(LARGEST_GROUP);
        // Without timers it writes as well, and tries again when there is something to write.
        let timers = tokio::runtime::Builder::new_current_thread().enable_time().build().ok();
        loop {
            self.gathering.fill(&mut group, &mut queue, &self.clock);
            let (count, patience) = (group.len(), self.patience().zip(timers.as_ref()));
            let count = match patience {
                _ if count > 0 => Some(count),
                None => Some(queue.blocking_recv_many(&mut group, LARGEST_GROUP)),
                Some((span, timers)) => timers
                    .block_on(async {
                        tokio::time::timeout(span, queue.recv_many(&mut group, LARGEST_GROUP)).await
                    })
                    .ok(),
            };
            self.reopen();
            match count {
                Some(0) => break,
                Some(_) => {
                    self.gathering.fill(&mut group, &mut queue, &self.clock);
                    self.work_through(&mut group);
                }
                None => self.probe(),
            }
        }
        self.stop();
    }

    /// Writes a group, and then answers the marks in it.
    fn work_through(&mut self, group: &mut Vec<Entry>) {
        let marks = take_marks(group);
        // Without anything to write it isn't known whether that could be done.
        if !group.is_empty() {
            self.write(group);
        }
        for reached in marks {
            // Nobody may be waiting.
            let _heard = reached.send(()).is_ok();
        }
    }

    /// The daemon stops in order, and says so.
    fn stop(mut self) {
        self.health.look_no_more();
        if self.outage.is_some() || !self.later.is_empty() {
            self.write(&mut Vec::new());
        }
        if let Some(connection) = self.store.connection() {
            // Gives back the numbers that were set aside and not used; if it fails, the next daemon skips them.
            let _given_back = reserve(connection, self.health.numbers.last(), true).is_ok();
            // Leaves one file behind instead of three; nothing is lost if it fails.
            let _checkpointed = connection.execute_batch("PRAGMA wal_checkpoint(TRUNCATE);").is_ok();
        }
    }

    /// How long to wait for something to write; for ever if there is nothing else to do.
    fn patience(&self) -> Option<Duration> {
        let now_s = self.clock.real_s();
        let probing = self.outage.as_ref().map(|outage| outage.retry.at_s() - now_s);
        let opening = self.store.patience_s(now_s);
        let least = match (probing, opening) {
            (_, Some(opening)) => opening,
            (Some(probing), None) => probing,
            (None, None) => return None,
        };
        Duration::try_from_secs_f64(least.max(0.0)).ok()
    }

    /// Takes the log that has been opened meanwhile, or begins another attempt.
    fn reopen(&mut self) {
        let Some(opened) = self.store.advance(&self.place, &self.clock, &self.health) else { return };
        self.ids.forget();
        if let Some(happening) = opened {
            // It is in the log already where that was recovered.
            if happening.kind == EventKind::LogRecovered {
                self.tell(&happening);
            } else {
                self.write_down(happening);
            }
        }
        self.write(&mut Vec::new());
    }

    /// Tries to write what waits.
    fn probe(&mut self) {
        let now_s = self.clock.real_s();
        if self.outage.as_ref().is_some_and(|outage| outage.retry.at_s() <= now_s) {
            self.write(&mut Vec::new());
        }
    }

    /// Numbers, writes and commits a group, then answers. Numbers are burnt even where the commit fails: no two
    /// readings share one. What has a number that is not set aside in the log is not written to it.
    fn write(&mut self, group: &mut Vec<Entry>) {
        if let Some(why) = damage(group) {
            self.recover(why);
        }
        let (count, began_s) = (readings(group), self.clock.real_s());
        let aside = self.set_aside();
        let first = self.health.numbers.take(count, self.clock.machine_us());
        let covered = self.health.numbers.covers(first + count);
        self.look_for_room();
        let full = self.room.refuses();
        let committed = match aside {
            Err(trouble) if !covered => Err(trouble),
            _ => self.commit(group, first, full.is_none()),
        };
        let written = committed.is_ok();
        let logged = committed.and_then(|()| full.map_or(Ok(()), Err));
        let durable = logged.is_ok();
        self.report(logged, (durable && count > 0).then_some(first + count));
        if written {
            self.later.clear();
        }
        let mut sequence = first;
        let mut thinning = None;
        let mut answers = Vec::new();
        for entry in group.drain(..) {
            match entry {
                Entry::Thin { order, done } => thinning = Some((order, done)),
                Entry::Reading { draft, numbered } => {
                    sequence += 1;
                    if !durable {
                        self.unlogged(&draft.meter, sequence);
                    }
                    answers.push((numbered, Numbered { sequence, durable }));
                }
                Entry::Correction { then, .. } => then.done(written),
                Entry::Zero { which, zero, written: waiting } => {
                    // Nobody may be waiting.
                    let _waited_for = waiting.send(()).is_ok();
                    if !written {
                        self.postpone(Entry::Zero { which, zero, written: oneshot::channel().0 });
                    }
                }
                Entry::Run { kept, or_later, written: waiting } => {
                    if or_later && !written {
                        self.later.keep_run(kept);
                    }
                    // Nobody may be waiting.
                    let _heard = waiting.send(written).is_ok();
                }
                event @ Entry::Event { .. } if !written => self.postpone(event),
                Entry::Event { .. } | Entry::Damaged(_) | Entry::Mark { .. } => {}
            }
        }
        self.gathering.committed(answers.len(), self.clock.real_s() - began_s);
        self.answers.tell(answers);
        // In a commit of its own, once nobody waits for this one.
        if let Some((order, done)) = thinning {
            let thinned = self.store.thin(&order);
            // The daemon may be stopping.
            let _waited_for = done.send(thinned).is_ok();
        }
    }

    /// Has the log recovered, unless that has just been done: a disk that damages it again and again would be filled.
    fn recover(&mut self, why: String) {
        let now_s = self.clock.real_s();
        if self.recovered_s.is_none_or(|at_s| now_s - at_s >= BETWEEN_S) {
            self.recovered_s = Some(now_s);
            self.store.damaged(why, &self.clock);
        }
    }

    fn unlogged(&mut self, meter: &str, sequence: u64) {
        self.health.unlogged.fetch_add(1, Ordering::Relaxed);
        if let Some(outage) = &mut self.outage {
            outage.unlogged(meter, sequence);
        }
    }

    /// Keeps what could not be written until it can be.
    fn postpone(&mut self, entry: Entry) {
        if !self.later.keep(entry)
            && let Some(outage) = &mut self.outage
        {
            outage.dropped();
        }
    }

    /// Tells the trace of something that the writer has seen itself, and counts it.
    fn tell(&self, happening: &Happening) {
        happening.trace();
        self.happened.add(&EventKind::ALL, &happening.kind);
    }

    /// The same, and has it written with the next commit.
    fn write_down(&mut self, happening: Happening) {
        self.tell(&happening);
        let (moment, boot) = (self.clock.now(), self.clock.boot().to_owned());
        self.postpone(Entry::Event { happening, moment, boot });
    }

    /// Says once that there is little room.
    fn look_for_room(&mut self) {
        let (now_s, asked) = (self.clock.real_s(), self.outage.is_some());
        let turn = self.room.look(&self.place, self.store.connection(), now_s, asked);
        let Some(room) = self.room.told() else { return };
        self.health.set_room(room);
        match turn {
            Some(Turn::Low) => {
                let of = room.quota_bytes.map_or("its disk has", |_| "its disk, or its quota, has");
                let left = room.left_bytes / 1_000_000;
                let detail = format!(
                    "little room is left for the log: {of} {left} MB; once it is full, readings go out unlogged"
                );
                self.write_down(Happening::new(EventKind::DiskLow, detail));
            }
            Some(Turn::Enough) => tracing::info!("there is room for the log again"),
            None => {}
        }
    }

    /// Sets a block of numbers aside where that is due, before any of them is given out.
    fn set_aside(&self) -> Result<(), String> {
        let Some(last) = self.health.numbers.wanted() else { return Ok(()) };
        let connection = self.store.open()?;
        reserve_for_good(connection, last).map_err(|error| error.to_string())?;
        self.health.numbers.set_aside(last);
        Ok(())
    }

    /// Writes a group, and what has waited; its readings only where there is `room` for them.
    fn commit(&mut self, group: &[Entry], first: u64, room: bool) -> Result<(), String> {
        let over =
            self.outage.as_ref().filter(|_| room).map(|outage| (outage, outage.told(self.clock.now())));
        let (boot, ids) = (self.clock.boot(), &mut self.ids);
        let outcome = self.store.transact(|transaction| {
            self.later.write(transaction)?;
            if let Some((outage, told)) = &over {
                outage.write(transaction)?;
                insert_event(transaction, told, self.clock.now(), boot)?;
            }
            let mut sequence = first;
            for entry in group {
                match entry {
                    Entry::Reading { draft, .. } => {
                        sequence += 1;
                        if room {
                            insert_reading(transaction, ids, sequence, draft)?;
                        }
                    }
                    entry => write_entry(transaction, entry)?,
                }
            }
            Ok(())
        });
        match outcome? {
            Ok(()) => Ok(()),
            Err(error) => {
                self.ids.forget();
                self.store.failed(&error, &self.clock);
                if matches!(
                    error.sqlite_error_code(),
                    Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase)
                ) {
                    self.recover(error.to_string());
                }
                Err(error.to_string())
            }
        }
    }

    /// Keeps the health up to date, and says once when it changes.
    fn report(&mut self, outcome: Result<(), String>, durable: Option<u64>) {
        if let Some(durable) = durable {
            self.health.last_sequence.store(durable, Ordering::Release);
        }
        let (now, now_s) = (self.clock.now(), self.clock.real_s());
        let Err(trouble) = outcome else {
            self.health.change(None);
            if let Some(outage) = self.outage.take() {
                let told = outage.told(now);
                self.happened.add(&EventKind::ALL, &told.kind);
                tracing::info!("the log is written again: {}", told.detail);
                self.store.wait_for_others(schema::PATIENCE);
            }
            return;
        };
        let reason = format!("{trouble}; readings go out unlogged");
        if self.health.change(Some(reason.clone())).as_ref() != Some(&reason) {
            tracing::error!(reason, "the log can't be written");
        }
        match &mut self.outage {
            Some(outage) if outage.retry.at_s() <= now_s => outage.retry.failed(now_s),
            Some(_) => {}
            None => {
                self.outage = Some(Outage::new(now, now_s, trouble));
                self.store.wait_for_others(IMPATIENCE);
            }
        }
    }
}

/// Writes what isn't a reading.
pub(super) fn write_entry(transaction: &Transaction<'_>, entry: &Entry) -> rusqlite::Result<()> {
    match entry {
        Entry::Event { happening, moment, boot } => insert_event(transaction, happening, *moment, boot),
        Entry::Correction { change, happening, moment, boot, .. } => {
            corrections::write(transaction, change)?;
            happening.as_ref().map_or(Ok(()), |happening| insert_event(transaction, happening, *moment, boot))
        }
        Entry::Run { kept, .. } => runs::write(transaction, kept),
        Entry::Zero { which, zero, written: _ } => zeros::write(transaction, which, zero.as_ref()),
        Entry::Reading { .. } | Entry::Thin { .. } | Entry::Damaged(_) | Entry::Mark { .. } => Ok(()),
    }
}
