//! Whose readings a stretch is of: a meter's, or a run's.

use rusqlite::{Connection, OptionalExtension};
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::time::Timestamp;

use super::super::query::unsigned;
use super::{Failure, Wanted, wrong};

/// The last reading of a run that is over; without an end for any other stretch.
pub(super) fn through(connection: &Connection, wanted: &Wanted) -> rusqlite::Result<i64> {
    let text = "SELECT json_extract(document, '$.last') FROM runs WHERE run = ?1 AND state NOT IN ('planned', 'running')";
    let last: Option<Option<i64>> = match wanted.run {
        Some(run) => connection.query_row(text, [run], |row| row.get(0)).optional()?,
        None => None,
    };
    Ok(last.flatten().unwrap_or(i64::MAX))
}

/// The meter of a stretch; refuses a run that isn't there or is another meter's.
pub(super) fn meter(connection: &Connection, wanted: &Wanted) -> Result<String, Failure> {
    let Some(run) = wanted.run else { return Ok(wanted.meter.clone().unwrap_or_default()) };
    let text = "SELECT m.name FROM runs r JOIN meters m ON m.id = r.meter WHERE r.run = ?1";
    let of: Option<String> = connection.query_row(text, [run], |row| row.get(0)).optional()?;
    let refused = |kind, message: String| Failure::Refused(RpcError::new(kind, message));
    match (of, &wanted.meter) {
        (None, _) => Err(refused(ErrorKind::NoSuchRun, format!("there is no run {run}"))),
        (Some(of), Some(meter)) if of != *meter => {
            Err(refused(ErrorKind::InvalidParams, format!("run {run} is of meter {of:?}, not of {meter:?}")))
        }
        (Some(of), _) => Ok(of),
    }
}

/// Why there is nothing to sum up, and what there is instead.
pub(super) fn nothing(connection: &Connection, wanted: &Wanted) -> rusqlite::Result<Failure> {
    if let Some(run) = wanted.run {
        let message = format!("run {run} has no readings of light there");
        return Ok(Failure::Refused(wrong(message)));
    }
    let meter = wanted.meter.as_deref().unwrap_or_default();
    let text =
        "SELECT min(at_ns), max(at_ns) FROM readings WHERE meter = (SELECT id FROM meters WHERE name = ?1)";
    let span: (Option<i64>, Option<i64>) =
        connection.query_row(text, [meter], |row| Ok((row.get(0)?, row.get(1)?)))?;
    let message = if let (Some(from), Some(to)) = span {
        let at = |ns: i64| Timestamp::from_unix_ns(unsigned(ns));
        format!(
            "there are no readings of light by meter {meter:?} there; the log has some from {} to {}",
            at(from),
            at(to)
        )
    } else {
        let mut statement = connection.prepare("SELECT name FROM meters ORDER BY name LIMIT 20")?;
        let names: Vec<String> =
            statement.query_map([], |row| row.get(0))?.collect::<rusqlite::Result<_>>()?;
        format!("the log has no readings by a meter {meter:?}; it knows {names:?}")
    };
    Ok(Failure::Refused(wrong(message)))
}
