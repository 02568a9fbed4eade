//! The thread that writes. It commits in groups and tells each reading its number only after the commit.

use std::sync::Arc;
use std::sync::atomic::Ordering;

use rusqlite::{Connection, ErrorCode, Transaction, params};
use settled_protocol::colorimetry::observer::Observer;
use settled_protocol::log::EventKind;
use settled_protocol::quantity::Photometric;
use settled_protocol::reading::Reading;
use tokio::sync::{mpsc, oneshot};

use super::{Entry, Happening, Health, Numbered, corrections, spectra, thin, zeros};
use crate::clock::Moment;
use crate::lock::Lock;

/// Most rows in one commit, so that no row waits long for those behind it.
const LARGEST_GROUP: usize = 256;

/// How often the processor is given up for those who were just answered and may be about to hand in the next reading: some
/// hundredths of a millisecond. What comes meanwhile is spared a commit of its own.
const TURNS: usize = 64;

/// How hard SQLite makes sure that a commit is on the disk.
const SYNCHRONOUS: &str = "synchronous";

pub(super) struct Writer {
    connection: Connection,
    health: Arc<Health>,
    // Held until the last row is written.
    _lock: Arc<Lock>,
}

impl Writer {
    pub(super) fn new(connection: Connection, health: Arc<Health>, lock: Arc<Lock>) -> Self {
        Self { connection, health, _lock: lock }
    }

    /// Writes until the last sender is gone.
    pub(super) fn run(mut self, mut queue: mpsc::Receiver<Entry>) {
        let mut group = Vec::with_capacity(LARGEST_GROUP);
        let mut expected = 0;
        while queue.blocking_recv_many(&mut group, LARGEST_GROUP) > 0 {
            gather(&mut queue, &mut group, expected);
            expected = group.len();
            self.write(&mut group);
            expected += queue.len();
        }
        // Gives back the numbers that were set aside and not used; if it fails, the next daemon skips them.
        let _given_back = reserve(&self.connection, self.health.numbers.last()).is_ok();
        // Leaves one file behind instead of three; nothing is lost if it fails.
        let _checkpointed = self.connection.execute_batch("PRAGMA wal_checkpoint(TRUNCATE);").is_ok();
    }

    /// Numbers, writes and commits a group, then answers. Numbers are burnt even where the commit fails: no two
    /// readings share one. A reading gets none if its number is not set aside in the log.
    fn write(&mut self, group: &mut Vec<Entry>) {
        let count = group.iter().filter(|entry| matches!(entry, Entry::Reading { .. })).count() as u64;
        let first = self.health.numbers.take(count);
        let reserved = self.set_aside();
        let spent = count > 0 && !self.health.numbers.may_give(first + count);
        let outcome = if spent { reserved } else { Ok(()) }.and_then(|()| self.commit(group, first));
        let durable = outcome.is_ok();
        self.report(outcome, (durable && count > 0).then_some(first + count), spent);
        let mut sequence = first;
        let mut thinning = None;
        for entry in group.drain(..) {
            match entry {
                Entry::Thin { order, done } => thinning = Some((order, done)),
                Entry::Reading { numbered, .. } => {
                    sequence += 1;
                    if self.health.numbers.may_give(sequence) {
                        answer(numbered, Numbered { sequence, durable });
                    }
                }
                Entry::Correction { then, .. } => then.done(durable),
                // Nobody may be waiting.
                Entry::Zero { written, .. } => drop(written.send(())),
                Entry::Event { .. } => {}
            }
        }
        // In a commit of its own, once nobody waits for this one.
        if let Some((order, done)) = thinning {
            let thinned = thin::thin(&mut self.connection, &order);
            // The daemon may be stopping.
            let _waited_for = done.send(thinned).is_ok();
        }
    }

    /// Sets a block of numbers aside where that is due, before any of them is given out.
    fn set_aside(&self) -> rusqlite::Result<()> {
        let Some(last) = self.health.numbers.wanted() else { return Ok(()) };
        reserve_for_good(&self.connection, last)?;
        self.health.numbers.set_aside(last);
        Ok(())
    }

    fn commit(&mut self, group: &[Entry], first: u64) -> rusqlite::Result<()> {
        let transaction = self.connection.transaction()?;
        let mut sequence = first;
        for entry in group {
            match entry {
                Entry::Reading { draft, .. } => {
                    sequence += 1;
                    insert_reading(&transaction, sequence, draft)?;
                }
                Entry::Event { happening, moment, boot } => {
                    insert_event(&transaction, happening, *moment, boot)?;
                }
                Entry::Correction { change, happening, moment, boot, .. } => {
                    corrections::write(&transaction, change)?;
                    if let Some(happening) = happening {
                        insert_event(&transaction, happening, *moment, boot)?;
                    }
                }
                Entry::Thin { .. } => {}
                Entry::Zero { which, zero, written: _ } => {
                    zeros::write(&transaction, which, zero.as_ref())?;
                }
            }
        }
        transaction.commit()
    }

    /// Keeps the health up to date, and says once when it changes.
    fn report(&self, outcome: rusqlite::Result<()>, durable: Option<u64>, spent: bool) {
        if let Some(durable) = durable {
            self.health.last_sequence.store(durable, Ordering::Release);
        }
        let what = match spent {
            false => "readings go out unlogged",
            true => "no number is left for readings that aren't logged, so none go out",
        };
        let reason = outcome.err().map(|error| format!("{error}; {what}"));
        let before = self.health.change(reason.clone());
        match (reason, before) {
            (Some(reason), before) if before.as_ref() != Some(&reason) => {
                tracing::error!(reason, "the log can't be written");
            }
            (None, Some(_)) => tracing::info!("the log is written again"),
            _ => {}
        }
    }
}

/// Lets a group grow to what is expected, if that comes at once. Without it those who wait for each other's commits fall into two
/// groups that take turns, and each waits for both.
fn gather(queue: &mut mpsc::Receiver<Entry>, group: &mut Vec<Entry>, expected: usize) {
    let expected = expected.min(LARGEST_GROUP);
    for _ in 0..TURNS {
        while group.len() < expected
            && let Ok(entry) = queue.try_recv()
        {
            group.push(entry);
        }
        if group.len() >= expected {
            return;
        }
        std::thread::yield_now();
    }
}

/// Sets every number up to `last` aside, durably once this is committed.
fn reserve(connection: &Connection, last: u64) -> rusqlite::Result<()> {
    connection.prepare_cached("UPDATE numbers SET reserved = ?1")?.execute([signed(last)]).map(drop)
}

/// The same, in a commit of its own that survives a power cut whatever the log's readings survive: what a power cut takes
/// from the log may have been given out, and its number must not be given out again.
fn reserve_for_good(connection: &Connection, last: u64) -> rusqlite::Result<()> {
    let usual: i64 = connection.pragma_query_value(None, SYNCHRONOUS, |row| row.get(0))?;
    connection.pragma_update(None, SYNCHRONOUS, "FULL")?;
    let reserved = reserve(connection, last);
    connection.pragma_update(None, SYNCHRONOUS, usual)?;
    reserved
}

fn answer(to: oneshot::Sender<Numbered>, numbered: Numbered) {
    // Nobody waits any more if the meter's task was restarted; the reading is in the log all the same.
    let _waiting = to.send(numbered).is_ok();
}

fn insert_event(
    transaction: &Transaction<'_>,
    happening: &Happening,
    moment: Moment,
    boot: &str,
) -> rusqlite::Result<()> {
    let meter =
        happening.meter.as_deref().map(|name| name_id(transaction, Names::Meters, name)).transpose()?;
    let boot = name_id(transaction, Names::Boots, boot)?;
    let text =
        "INSERT INTO events (meter, boot, at_ns, t_s, kind, detail, run) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)";
    let (at_ns, kind) = (signed(moment.at.unix_ns()), EventKind::name(happening.kind));
    transaction
        .prepare_cached(text)?
        .execute(params![meter, boot, at_ns, moment.t_s, kind, happening.detail, happening.run.map(signed)])
        .map(drop)
}

fn insert_reading(transaction: &Transaction<'_>, sequence: u64, draft: &Reading) -> rusqlite::Result<()> {
    match insert_row(transaction, sequence, draft) {
        // Its meter or its boot is not known yet, which happens once for each.
        Err(error) if error.sqlite_error_code() == Some(ErrorCode::ConstraintViolation) => {
            name_id(transaction, Names::Meters, &draft.meter)?;
            name_id(transaction, Names::Boots, &draft.boot)?;
            insert_row(transaction, sequence, draft)?;
        }
        inserted => inserted?,
    }
    for run in &draft.runs {
        transaction
            .prepare_cached("INSERT INTO run_readings (run, sequence, at_ns) VALUES (?1, ?2, ?3)")?
            .execute([signed(*run), signed(sequence), signed(draft.at.unix_ns())])?;
    }
    draft.spectrum.as_ref().map_or(Ok(()), |spectrum| spectra::insert(transaction, sequence, spectrum))
}

/// The row alone; it is refused where its meter or its boot is not known yet.
fn insert_row(transaction: &Transaction<'_>, sequence: u64, draft: &Reading) -> rusqlite::Result<()> {
    let flags: Vec<&str> = draft.flags.iter().map(|flag| flag.name()).collect();
    let xyz = draft.light.xyz();
    transaction
        .prepare_cached(
            "INSERT INTO readings (sequence, meter, boot, at_ns, t_s, began_s, integration_s, illuminance, value, x, z,
             coloured, temperature_c, flags, observer, bandwidth_nm, correction)
             VALUES (?1, (SELECT id FROM meters WHERE name = ?2), (SELECT id FROM boots WHERE name = ?3), ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11,
             ?12, ?13, ?14, ?15, ?16, ?17)",
        )?
        .execute(params![
            signed(sequence),
            draft.meter,
            draft.boot,
            signed(draft.at.unix_ns()),
            draft.t_s,
            draft.began_s,
            draft.integration_s,
            draft.light.photometric() == Photometric::Illuminance,
            draft.light.value(),
            xyz.map(settled_protocol::quantity::Xyz::x),
            xyz.map(settled_protocol::quantity::Xyz::z),
            draft.light.chromaticity().is_some(),
            draft.temperature_c,
            flags.join(" "),
            draft.observer.map(Observer::name),
            draft.bandwidth_nm,
            draft.correction,
        ])
        .map(drop)
}

/// Tables of names that rows refer to by number.
#[derive(Clone, Copy)]
pub(super) enum Names {
    Meters,
    Boots,
}

pub(super) fn name_id(transaction: &Transaction<'_>, names: Names, name: &str) -> rusqlite::Result<i64> {
    let (insert, select) = match names {
        Names::Meters => {
            ("INSERT OR IGNORE INTO meters (name) VALUES (?1)", "SELECT id FROM meters WHERE name = ?1")
        }
        Names::Boots => {
            ("INSERT OR IGNORE INTO boots (name) VALUES (?1)", "SELECT id FROM boots WHERE name = ?1")
        }
    };
    let find = |transaction: &Transaction<'_>| -> rusqlite::Result<Option<i64>> {
        let mut statement = transaction.prepare_cached(select)?;
        let mut rows = statement.query([name])?;
        rows.next()?.map(|row| row.get(0)).transpose()
    };
    if let Some(id) = find(transaction)? {
        return Ok(id);
    }
    transaction.prepare_cached(insert)?.execute([name])?;
    find(transaction)?.ok_or(rusqlite::Error::QueryReturnedNoRows)
}

/// SQLite's integers are signed; sequences and nanoseconds stay far below the sign for centuries.
pub(super) fn signed(number: u64) -> i64 {
    i64::try_from(number).unwrap_or(i64::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Survives;
    use crate::log::{query, schema};

    #[test]
    fn setting_numbers_aside_leaves_the_log_as_quick_as_it_was() {
        for (survives, expected) in [(Survives::Crash, 1), (Survives::PowerCut, 2)] {
            let folder = tempfile::tempdir().unwrap();
            let connection = schema::open(&folder.path().join("log.sqlite"), survives).unwrap();
            reserve_for_good(&connection, 70).unwrap();
            assert_eq!(query::reserved(&connection).unwrap(), 70);
            let synchronous: i64 =
                connection.pragma_query_value(None, SYNCHRONOUS, |row| row.get(0)).unwrap();
            assert_eq!(synchronous, expected, "{survives:?}");
        }
    }
}
