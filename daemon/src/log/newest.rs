//! The newest of the log: what pages in rising order come to last.

use rusqlite::{Connection, OptionalExtension};
use settled_protocol::error::RpcError;
use settled_protocol::log::{Event, Selection};
use settled_protocol::reading::{Flag, Reading};

use super::{Log, query};

/// Readings among which the newest that isn't a dark one is looked for.
const AMONG: i64 = 20;

impl Log {
    /// A meter's newest reading of light; nothing where none of its last few is one, or thinning has left none.
    ///
    /// # Errors
    /// `log_unavailable` if the log is off or can't be read.
    pub async fn newest_reading(&self, meter: &str) -> Result<Option<Reading>, RpcError> {
        let meter = meter.to_owned();
        self.look_up(move |connection| reading(connection, &meter)).await
    }

    /// The newest events, so many at most and none up to `after`, in rising order.
    ///
    /// # Errors
    /// As [`newest_reading`](Self::newest_reading).
    pub async fn newest_events(&self, count: u32, after: u64) -> Result<Vec<Event>, RpcError> {
        self.look_up(move |connection| events(connection, count, after)).await
    }
}

fn reading(connection: &Connection, meter: &str) -> rusqlite::Result<Option<Reading>> {
    let first: Option<i64> = connection
        .query_row(
            "SELECT min(sequence) FROM (SELECT sequence FROM readings
             WHERE meter = (SELECT id FROM meters WHERE name = ?1) ORDER BY sequence DESC LIMIT ?2)",
            (meter, AMONG),
            |row| row.get(0),
        )
        .optional()?
        .flatten();
    let Some(first) = first else { return Ok(None) };
    let after = Some(query::unsigned(first).saturating_sub(1));
    let selection = Selection { meter: Some(meter.to_owned()), after, ..Selection::default() };
    let page = query::readings(connection, &selection)?;
    Ok(page.readings.into_iter().rfind(|reading| !reading.flags.contains(&Flag::Dark)))
}

fn events(connection: &Connection, count: u32, after: u64) -> rusqlite::Result<Vec<Event>> {
    let last: Option<i64> = connection.query_row("SELECT max(sequence) FROM events", [], |row| row.get(0))?;
    let last = last.map_or(0, query::unsigned);
    let after = after.max(last.saturating_sub(u64::from(count)));
    let selection = Selection { after: Some(after), ..Selection::default() };
    Ok(query::events(connection, &selection)?.events)
}
