//! Pages of the log.

use rusqlite::{Connection, Row, ToSql};
use settled_protocol::colorimetry::observer::Observer;
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::line::LONGEST_LINE;
use settled_protocol::log::{Event, EventKind, EventsPage, LARGEST_PAGE, ReadingsPage, Selection};
use settled_protocol::quantity::{Light, Photometric, Xyz};
use settled_protocol::reading::{Flag, Reading};
use settled_protocol::time::Timestamp;

use super::spectra;

/// Columns of readings.
const READINGS: &str =
    "t.sequence, m.name, b.name, t.at_ns, t.t_s, t.began_s, t.integration_s, t.illuminance,
    t.value, t.x, t.z, t.coloured, t.temperature_c, t.flags, t.observer, t.bandwidth_nm, t.correction,
    (SELECT group_concat(run) FROM run_readings WHERE sequence = t.sequence)";

/// How many those are: a spectrum's follow them.
const READING_COLUMNS: usize = 18;

/// Bytes of JSON that a page may have, with room for what stands around it in a line.
const PAGE_BYTES: usize = LONGEST_LINE - 8192;

/// Bytes of JSON that a reading takes at most, without its spectrum, and each value of a spectrum: 24 digits and signs, and a comma.
const READING_BYTES: usize = 1000;
const VALUE_BYTES: usize = 25;

/// Columns of events.
const EVENTS: &str = "t.sequence, m.name, b.name, t.at_ns, t.t_s, t.kind, t.detail, t.run";

/// A table of rows.
#[derive(Clone, Copy)]
enum Table {
    Readings,
    Events,
}

/// A query's text, and the values of its parameters by name.
type Statement = (String, Vec<(&'static str, Box<dyn ToSql>)>);

/// The query for a page, one row more than it holds. Only the conditions that are asked for stand in it, so that SQLite
/// finds the rows by an index; values are bound, never written.
fn statement(table: Table, selection: &Selection, limit: usize) -> Statement {
    let Selection { meter, run, since, until, after, limit: _, spectra } = selection;
    let (columns, [more, join]) = match table {
        Table::Readings if *spectra => (READINGS, [spectra::COLUMNS, spectra::JOIN]),
        Table::Readings => (READINGS, [""; 2]),
        Table::Events => (EVENTS, [""; 2]),
    };
    let Source { from, row, key, span } = source(table, meter.is_some(), run.is_some());
    let mut values: Vec<(&str, Box<dyn ToSql>)> =
        vec![(":limit", Box::new(i64::try_from(limit).unwrap_or(0) + 1))];
    let mut conditions = Vec::new();
    if let Some(after) = after {
        values.push((":after", Box::new(i64::try_from(*after).unwrap_or(i64::MAX))));
    }
    if let Some(meter) = meter {
        values.push((":meter", Box::new(meter.clone())));
        conditions.push(format!("t.meter = {METER}"));
    }
    if let Some(run) = run {
        values.push((":run", Box::new(i64::try_from(*run).unwrap_or(i64::MAX))));
        conditions.push(format!("{row}.run = :run"));
    }
    let mut times = Vec::new();
    for (at, parameter, time) in [(since, ":since", "at_ns >= :since"), (until, ":until", "at_ns < :until")] {
        let Some(at) = at else { continue };
        values.push((parameter, Box::new(i64::try_from(at.unix_ns()).unwrap_or(i64::MAX))));
        conditions.push(format!("+{row}.{time}"));
        times.push(time);
    }
    let span = span.filter(|_| !times.is_empty()).map(|span| format!("{span} AND {}", times.join(" AND ")));
    conditions.extend(place(&key, after.is_some(), span.as_deref()));
    let which =
        if conditions.is_empty() { String::new() } else { format!("WHERE {}", conditions.join(" AND ")) };
    // The joins are one-sided, so that the rows are what SQLite starts from.
    let text = format!(
        "SELECT {columns}{more} FROM {from} LEFT JOIN meters m ON m.id = t.meter LEFT JOIN boots b ON b.id = t.boot {join}
         {which} ORDER BY {key} LIMIT :limit"
    );
    (text, values)
}

/// The number of the meter that is asked for.
const METER: &str = "(SELECT id FROM meters WHERE name = :meter)";

/// Where rows come from.
struct Source {
    from: &'static str,
    /// What has their time and their run.
    row: &'static str,
    /// What they are in order of.
    key: String,
    /// Where their times are looked up; a run's events are few, and looked through.
    span: Option<String>,
}

fn source(table: Table, of_meter: bool, of_run: bool) -> Source {
    let (from, row, span) = match (table, of_run) {
        // Joined so that the run's rows are what SQLite starts from.
        (Table::Readings, true) => (
            "run_readings r CROSS JOIN readings t ON t.sequence = r.sequence",
            "r",
            Some("run_readings WHERE run = :run".to_owned()),
        ),
        (Table::Readings, false) => {
            let meters = if of_meter { METER } else { "(SELECT id FROM meters)" };
            ("readings t", "t", Some(format!("readings WHERE meter IN {meters}")))
        }
        (Table::Events, true) => ("events t", "t", None),
        (Table::Events, false) => ("events t", "t", Some("events WHERE TRUE".to_owned())),
    };
    Source { from, row, key: format!("{row}.sequence"), span }
}

/// Where the rows lie. UTC may be set, so sequences rise with it only by and large; the index of times alone tells the first
/// and the last of a span. (The + keeps SQLite from walking the table for them.) A page that goes on `after` a row of the
/// span has its place already, and is spared a look through the whole index. One condition holds both lower bounds, as
/// SQLite looks up only one.
fn place(key: &str, after: bool, span: Option<&str>) -> Option<String> {
    let Some(span) = span else { return after.then(|| format!("{key} > :after")) };
    let first = format!("(SELECT min(+sequence) FROM {span})");
    let last = format!("(SELECT max(+sequence) FROM {span})");
    if !after {
        return Some(format!("{key} BETWEEN {first} AND {last}"));
    }
    let goes_on = format!("EXISTS (SELECT 1 FROM {span} AND sequence = :after)");
    Some(format!(
        "{key} > CASE WHEN {goes_on} THEN :after ELSE max(:after, {first} - 1) END
         AND {key} <= CASE WHEN {goes_on} THEN {} ELSE {last} END",
        i64::MAX
    ))
}

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
    let row = if selection.spectra { reading_with_spectrum } else { reading };
    let (readings, more) = page(connection, Table::Readings, selection, row, bytes)?;
    let next = readings.last().map(|reading| reading.sequence).filter(|_| more);
    Ok(ReadingsPage { readings, next })
}

pub(super) fn events(connection: &Connection, selection: &Selection) -> rusqlite::Result<EventsPage> {
    let (events, more) = page(connection, Table::Events, selection, event, |_| 0)?;
    let next = events.last().map(|event| event.sequence).filter(|_| more);
    Ok(EventsPage { events, next })
}

/// Bytes of JSON that a reading takes at most.
fn bytes(reading: &Reading) -> usize {
    READING_BYTES + VALUE_BYTES * reading.spectrum.as_ref().map_or(0, |spectrum| spectrum.values().len())
}

/// The rows, no more of them than fit a line, and whether there are more.
fn page<T>(
    connection: &Connection,
    table: Table,
    selection: &Selection,
    row: fn(&Row<'_>) -> rusqlite::Result<T>,
    bytes: fn(&T) -> usize,
) -> rusqlite::Result<(Vec<T>, bool)> {
    let limit = selection.limit.unwrap_or(LARGEST_PAGE) as usize;
    let (text, values) = statement(table, selection, limit);
    let mut statement = connection.prepare(&text)?;
    let values = values.iter().map(|(name, value)| (*name, value.as_ref())).collect::<Vec<_>>();
    let (mut rows, mut room) = (Vec::new(), PAGE_BYTES);
    for row in statement.query_map(values.as_slice(), row)? {
        let row = row?;
        // One that is larger than a page by itself can't be: a spectrum has at most 4096 values.
        let Some(left) = room.checked_sub(bytes(&row)).filter(|_| rows.len() < limit) else {
            return Ok((rows, true));
        };
        room = left;
        rows.push(row);
    }
    Ok((rows, false))
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
        spectrum: None,
        // One of a later version of the daemon can't be here: that would have made the log one of a later version.
        observer: row.get::<_, Option<String>>(14)?.and_then(|name| Observer::named(&name)),
        bandwidth_nm: row.get(15)?,
        correction: row.get(16)?,
        temperature_c: row.get(12)?,
        runs: numbers(row.get(17)?),
        flags: flags.split_ascii_whitespace().map(flag).collect(),
    })
}

fn reading_with_spectrum(row: &Row<'_>) -> rusqlite::Result<Reading> {
    Ok(Reading { spectrum: spectra::read(row, READING_COLUMNS)?, ..reading(row)? })
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
    Flag::ALL.into_iter().find(|flag| flag.name() == name).unwrap_or(Flag::Unknown)
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
        run: row.get::<_, Option<i64>>(7)?.map(unsigned),
    })
}

/// Numbers with commas between them.
fn numbers(text: Option<String>) -> Vec<u64> {
    text.iter().flat_map(|text| text.split(',')).filter_map(|number| number.parse().ok()).collect()
}

/// What we wrote was never negative.
pub(super) fn unsigned(number: i64) -> u64 {
    u64::try_from(number).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Survives;
    use crate::log::schema;

    fn plan(table: Table, selection: &Selection) -> String {
        let folder = tempfile::tempdir().unwrap();
        let connection = schema::open(&folder.path().join("log.sqlite"), Survives::Crash).unwrap();
        let (text, values) = statement(table, selection, 10);
        let values: Vec<_> = values.iter().map(|(name, value)| (*name, value.as_ref())).collect();
        let mut explained = connection.prepare(&format!("EXPLAIN QUERY PLAN {text}")).unwrap();
        let steps = explained.query_map(values.as_slice(), |row| row.get(3)).unwrap();
        steps.collect::<rusqlite::Result<Vec<String>>>().unwrap().join("; ")
    }

    #[test]
    fn every_selection_finds_its_rows_by_an_index_and_in_order() {
        let at = Some(Timestamp::from_unix_ns(1));
        let meter = Some("bench".to_owned());
        let none = Selection::default();
        let cases = [
            (Selection { after: Some(7), ..none.clone() }, ["t USING INTEGER PRIMARY KEY (rowid>?)", ""]),
            (Selection { meter: meter.clone(), ..none.clone() }, ["_by_meter (meter=?)", ""]),
            (
                Selection { meter: meter.clone(), after: Some(7), ..none.clone() },
                ["_by_meter (meter=? AND sequence>?)", ""],
            ),
            (
                Selection { since: at, ..none.clone() },
                ["t USING INTEGER PRIMARY KEY (rowid>? AND rowid<?)", "_by_time (at_ns>?)"],
            ),
            (
                Selection { since: at, until: at, meter: meter.clone(), ..none.clone() },
                ["_by_meter (meter=? AND sequence>? AND sequence<?)", "_by_time (at_ns>? AND at_ns<?)"],
            ),
            (
                Selection { until: at, after: Some(7), ..none.clone() },
                ["t USING INTEGER PRIMARY KEY (rowid>? AND rowid<?)", "_by_time (at_ns<?)"],
            ),
            (
                Selection { since: at, after: Some(0), meter, ..none.clone() },
                ["_by_meter (meter=? AND sequence>? AND sequence<?)", "_by_time (at_ns>?)"],
            ),
            (none, ["SCAN t", ""]),
        ];
        for (selection, expected) in cases {
            let spectral = Selection { spectra: true, ..selection.clone() };
            let ways =
                [(Table::Readings, &selection), (Table::Readings, &spectral), (Table::Events, &selection)];
            for (table, selection) in ways {
                let plan = plan(table, selection);
                assert!(expected.iter().all(|part| plan.contains(part)), "{selection:?}: {plan}");
                assert!(!plan.contains("TEMP B-TREE"), "{selection:?} is sorted: {plan}");
            }
        }
    }
}
