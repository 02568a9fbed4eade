//! Runs in the log: each is a row with its document, written anew as it gets on.

use rusqlite::types::Type;
use rusqlite::{Connection, OptionalExtension, Row, Transaction, params};
use serde::de::DeserializeOwned;
use serde_json::{Map, Value};
use settled_protocol::error::RpcError;
use settled_protocol::log::Selection;
use settled_protocol::run::{ListRuns, Run, RunState};
use settled_protocol::statistics::{Drift, Statistics};
use tokio::sync::oneshot;

use super::query::unsigned;
use super::writer::{Names, name_id, signed};
use super::{Entry, Log, off};
use crate::runs::Kept;

/// Bytes of JSON that a page of runs may have, with room for what stands around it in a line.
const PAGE_BYTES: usize = settled_protocol::line::LONGEST_LINE - 8192;

/// What the log had of runs when it was opened.
#[derive(Clone, Debug, Default)]
pub struct Unfinished {
    /// Those that were not over, in order.
    pub runs: Vec<Kept>,
    /// The highest number ever given to one.
    pub last: u64,
}

/// Readings of a run that are in the log.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counted {
    /// How many.
    pub readings: u64,
    /// The sequence of the first.
    pub first: Option<u64>,
    /// The sequence of the last.
    pub last: Option<u64>,
}

impl Log {
    /// The runs that were not over when the log was opened, for whoever goes on with them.
    #[must_use]
    pub fn unfinished_runs(&self) -> Unfinished {
        self.file.as_ref().map_or_else(Unfinished::default, |file| Unfinished::clone(&file.runs))
    }

    /// Writes a run as it is now, or as soon as the log can be written again. Whether it is durable already.
    pub async fn keep_run(&self, kept: Kept) -> bool {
        self.write_run(kept, true).await
    }

    /// Writes a run that is not in the log yet, now or never. Whether it is durable.
    pub async fn add_run(&self, kept: Kept) -> bool {
        self.write_run(kept, false).await
    }

    async fn write_run(&self, kept: Kept, or_later: bool) -> bool {
        let Some(file) = &self.file else { return false };
        let (written, receiver) = oneshot::channel();
        let entry = Entry::Run { kept: Box::new(kept), or_later, written };
        let sent = file.entries.send(entry).await.is_ok();
        sent && receiver.await.unwrap_or(false)
    }

    /// A page of runs, the latest first, and whether there are more.
    ///
    /// # Errors
    /// `log_unavailable` if the log is off or can't be read.
    pub async fn runs(&self, which: ListRuns, most: u32) -> Result<(Vec<Run>, bool), RpcError> {
        self.query(Selection::default(), move |connection, _| page(connection, &which, most)).await
    }

    /// One run; nothing if there is none of that number.
    ///
    /// # Errors
    /// As [`runs`](Self::runs).
    pub async fn run(&self, run: u64) -> Result<Option<Kept>, RpcError> {
        if self.file.is_none() {
            return Err(off());
        }
        self.query(Selection::default(), move |connection, _| one(connection, run)).await
    }

    /// How many readings of a run there are.
    ///
    /// # Errors
    /// As [`runs`](Self::runs).
    pub async fn count_run(&self, run: u64) -> Result<Counted, RpcError> {
        self.query(Selection::default(), move |connection, _| count(connection, run)).await
    }
}

/// Reads what there is at a start. A document that a later daemon wrote, say, is left alone.
pub(super) fn load(connection: &Connection) -> rusqlite::Result<Unfinished> {
    let last: Option<i64> =
        connection
            .query_row("SELECT max(seq) FROM sqlite_sequence WHERE name = 'runs'", [], |row| row.get(0))?;
    let mut statement = connection
        .prepare("SELECT run, document FROM runs WHERE state IN ('planned', 'running') ORDER BY run")?;
    let rows = statement.query_map([], |row| Ok((row.get::<_, i64>(0)?, row.get::<_, String>(1)?)))?;
    let mut runs = Vec::new();
    for row in rows {
        let (run, document) = row?;
        match read(&document) {
            Ok(kept) => runs.push(kept),
            Err(error) => {
                tracing::error!(run, %error, "a run in the log can't be understood, and doesn't go on");
            }
        }
    }
    Ok(Unfinished { runs, last: last.map_or(0, unsigned) })
}

/// Writes a run in place of what there was of it.
pub(super) fn write(transaction: &Transaction<'_>, kept: &Kept) -> rusqlite::Result<()> {
    let document = serde_json::to_string(kept)
        .map_err(|error| rusqlite::Error::ToSqlConversionFailure(Box::new(error)))?;
    let meter = name_id(transaction, Names::Meters, &kept.run.plan.meter)?;
    transaction
        .prepare_cached(
            "INSERT INTO runs (run, meter, state, document) VALUES (?1, ?2, ?3, ?4)
             ON CONFLICT (run) DO UPDATE SET state = excluded.state, document = excluded.document",
        )?
        .execute(params![signed(kept.run.run), meter, kept.run.state.name(), document])
        .map(drop)
}

fn page(connection: &Connection, which: &ListRuns, most: u32) -> rusqlite::Result<(Vec<Run>, bool)> {
    let mut conditions = vec!["r.run < :before"];
    let before = which.before.map_or(i64::MAX, signed);
    let mut values: Vec<(&str, &dyn rusqlite::ToSql)> = vec![(":before", &before)];
    if let Some(meter) = &which.meter {
        conditions.push("r.meter = (SELECT id FROM meters WHERE name = :meter)");
        values.push((":meter", meter));
    }
    let state = which.state.map(RunState::name);
    if let Some(state) = &state {
        conditions.push("r.state = :state");
        values.push((":state", state));
    }
    let text = format!(
        "SELECT r.document, r.run FROM runs r WHERE {} ORDER BY r.run DESC",
        conditions.join(" AND ")
    );
    let mut statement = connection.prepare(&text)?;
    let mut rows = statement.query(values.as_slice())?;
    let (mut runs, mut bytes) = (Vec::new(), 0);
    while let Some(row) = rows.next()? {
        let document: String = row.get(0)?;
        bytes += document.len();
        if runs.len() == most as usize || bytes > PAGE_BYTES {
            return Ok((runs, true));
        }
        // What its readings came to is for who asks for one.
        match read(&document) {
            Ok(kept) => runs.push(Run { statistics: None, ..kept.run }),
            // It keeps none of the others from being told.
            Err(error) => {
                let run: i64 = row.get(1)?;
                tracing::error!(run, %error, "a run in the log can't be understood, and isn't listed");
            }
        }
    }
    Ok((runs, false))
}

fn one(connection: &Connection, run: u64) -> rusqlite::Result<Option<Kept>> {
    let document = |row: &Row<'_>| row.get::<_, String>(0);
    let found = connection
        .query_row("SELECT document FROM runs WHERE run = ?1", [signed(run)], document)
        .optional()?;
    found.map(|document| read(&document)).transpose()
}

/// A run as it was written. Figures of its readings that can't be read, a later daemon's say, are left out: they are made anew for who asks.
fn read(document: &str) -> rusqlite::Result<Kept> {
    let understood = serde_json::from_str(document).or_else(|error| {
        let mut document: Value = serde_json::from_str(document)?;
        let Some(members) = document.as_object_mut() else { return Err(error) };
        let is_lacking =
            leave_out::<Statistics>(members, "statistics") | leave_out::<Drift>(members, "drift");
        if is_lacking { serde_json::from_value(document) } else { Err(error) }
    });
    understood.map_err(|error| rusqlite::Error::FromSqlConversionFailure(0, Type::Text, Box::new(error)))
}

/// Leaves a member out if it isn't a `T`. Whether it has.
fn leave_out<T: DeserializeOwned>(members: &mut Map<String, Value>, name: &str) -> bool {
    let is_spoilt = members.get(name).is_some_and(|value| T::deserialize(value).is_err());
    if is_spoilt {
        members.remove(name);
    }
    is_spoilt
}

fn count(connection: &Connection, run: u64) -> rusqlite::Result<Counted> {
    let text = "SELECT count(*), min(sequence), max(sequence) FROM run_readings WHERE run = ?1";
    connection.query_row(text, [signed(run)], |row| {
        let number = |column| row.get::<_, Option<i64>>(column).map(|found| found.map(unsigned));
        Ok(Counted { readings: number(0)?.unwrap_or(0), first: number(1)?, last: number(2)? })
    })
}
