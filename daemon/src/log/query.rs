//! Pages of the log.

use rusqlite::{Connection, Row, named_params};
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::log::{Event, EventKind, EventsPage, LARGEST_PAGE, ReadingsPage, Selection};
use settled_protocol::quantity::{Light, Photometric, Xyz};
use settled_protocol::reading::{Flag, Reading};
use settled_protocol::time::Timestamp;

/// Which rows: the same for readings and events. `after` alone walks the primary key.
const SELECTED: &str = "
    WHERE t.sequence > :after
    AND (:meter IS NULL OR t.meter = (SELECT id FROM meters WHERE name = :meter))
    AND (:since IS NULL OR t.at_ns >= :since) AND (:until IS NULL OR t.at_ns < :until)
    ORDER BY t.sequence LIMIT :limit";

/// Refuses a selection that makes no sense.
pub(super) fn check(selection: &Selection) -> Result<(), RpcError> {
    let wrong = |message: String| Err(RpcError::new(ErrorKind::InvalidParams, message));
    if let Some(limit) = selection.limit
        && !(1..=LARGEST_PAGE).contains(&limit)
    {
        return wrong(format!("params.limit must be from 1 to {LARGEST_PAGE}, not {limit}"));
    }
    match (selection.since, selection.until) {
        (Some(since), Some(until)) if since > until => {
            wrong("params.since must not be after params.until".to_owned())
        }
        _ => Ok(()),
    }
}

/// The highest sequence that may have been given out, logged or not.
pub(super) fn reserved(connection: &Connection) -> rusqlite::Result<u64> {
    let reserved = connection.query_row("SELECT reserved FROM numbers", [], |row| row.get(0))?;
    Ok(unsigned(reserved).max(last_sequence(connection)?))
}

/// The highest sequence ever logged.
pub(super) fn last_sequence(connection: &Connection) -> rusqlite::Result<u64> {
    let last: Option<i64> =
        connection.query_row("SELECT max(seq) FROM sqlite_sequence WHERE name = 'readings'", [], |row| {
            row.get(0)
        })?;
    Ok(last.map_or(0, unsigned))
}

pub(super) fn readings(connection: &Connection, selection: &Selection) -> rusqlite::Result<ReadingsPage> {
    let columns =
        "SELECT t.sequence, m.name, b.name, t.at_ns, t.t_s, t.began_s, t.integration_s, t.illuminance,
        t.value, t.x, t.z, t.coloured, t.temperature_c, t.flags
        FROM readings t JOIN meters m ON m.id = t.meter JOIN boots b ON b.id = t.boot";
    let (readings, more) = page(connection, columns, selection, reading)?;
    let next = readings.last().map(|reading| reading.sequence).filter(|_| more);
    Ok(ReadingsPage { readings, next })
}

pub(super) fn events(connection: &Connection, selection: &Selection) -> rusqlite::Result<EventsPage> {
    let columns = "SELECT t.sequence, m.name, b.name, t.at_ns, t.t_s, t.kind, t.detail
        FROM events t LEFT JOIN meters m ON m.id = t.meter JOIN boots b ON b.id = t.boot";
    let (events, more) = page(connection, columns, selection, event)?;
    let next = events.last().map(|event| event.sequence).filter(|_| more);
    Ok(EventsPage { events, next })
}

/// The rows, and whether there are more.
fn page<T>(
    connection: &Connection,
    columns: &str,
    selection: &Selection,
    row: fn(&Row<'_>) -> rusqlite::Result<T>,
) -> rusqlite::Result<(Vec<T>, bool)> {
    let limit = selection.limit.unwrap_or(LARGEST_PAGE) as usize;
    let mut statement = connection.prepare(&format!("{columns} {SELECTED}"))?;
    let nanoseconds = |at: Option<Timestamp>| at.map(|at| i64::try_from(at.unix_ns()).unwrap_or(i64::MAX));
    let rows = statement.query_map(
        named_params! {
            ":after": i64::try_from(selection.after.unwrap_or(0)).unwrap_or(i64::MAX),
            ":meter": selection.meter,
            ":since": nanoseconds(selection.since),
            ":until": nanoseconds(selection.until),
            ":limit": i64::try_from(limit).unwrap_or(0) + 1,
        },
        row,
    )?;
    let mut rows = rows.collect::<rusqlite::Result<Vec<T>>>()?;
    let more = rows.len() > limit;
    rows.truncate(limit);
    Ok((rows, more))
}

fn reading(row: &Row<'_>) -> rusqlite::Result<Reading> {
    let flags: String = row.get(13)?;
    Ok(Reading {
        sequence: unsigned(row.get(0)?),
        meter: row.get(1)?,
        boot: row.get(2)?,
        at: Timestamp::from_unix_ns(unsigned(row.get(3)?)),
        t_s: row.get(4)?,
        began_s: row.get(5)?,
        integration_s: row.get(6)?,
        light: light(row)?,
        temperature_c: row.get(12)?,
        flags: flags.split_ascii_whitespace().map(flag).collect(),
    })
}

fn light(row: &Row<'_>) -> rusqlite::Result<Light> {
    let damaged = |column: usize| {
        move |error| {
            rusqlite::Error::FromSqlConversionFailure(column, rusqlite::types::Type::Real, Box::new(error))
        }
    };
    let photometric = if row.get(7)? { Photometric::Illuminance } else { Photometric::Luminance };
    let value: f64 = row.get(8)?;
    let (Some(x), Some(z)) = (row.get::<_, Option<f64>>(9)?, row.get::<_, Option<f64>>(10)?) else {
        return Light::amount(photometric, value).map_err(damaged(8));
    };
    let light = Light::colour(photometric, Xyz::new(x, value, z).map_err(damaged(9))?);
    Ok(if row.get(11)? { light } else { light.without_chromaticity() })
}

fn flag(name: &str) -> Flag {
    let all = [
        Flag::Simulated,
        Flag::BelowRange,
        Flag::AboveRange,
        Flag::MeterWarming,
        Flag::ZeroOverdue,
        Flag::Shared,
        Flag::Unlogged,
    ];
    all.into_iter().find(|flag| flag.name() == name).unwrap_or(Flag::Unknown)
}

fn event(row: &Row<'_>) -> rusqlite::Result<Event> {
    let kind: String = row.get(5)?;
    Ok(Event {
        sequence: unsigned(row.get(0)?),
        meter: row.get(1)?,
        boot: row.get(2)?,
        at: Timestamp::from_unix_ns(unsigned(row.get(3)?)),
        t_s: row.get(4)?,
        kind: EventKind::ALL.into_iter().find(|known| known.name() == kind).unwrap_or(EventKind::Unknown),
        detail: row.get(6)?,
    })
}

/// What we wrote was never negative.
fn unsigned(number: i64) -> u64 {
    u64::try_from(number).unwrap_or(0)
}
