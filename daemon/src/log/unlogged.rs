//! Which readings went out though the log could not take them: kept in it once it is written again, so that whoever follows by
//! sequence is told of them after a restart, too.

use std::collections::BTreeMap;

use rusqlite::{Connection, Transaction};

use super::query::unsigned;
use super::writer::{Names, name_id, signed};

/// Stretches that are read at a start, of all meters together, the latest first: 256 for each of a bench's handful.
const MOST: i64 = 4096;

/// From which to which sequence a meter's readings went out unlogged, in rising order, by meter.
pub(super) type Stretches = BTreeMap<String, Vec<(u64, u64)>>;

/// Reads the latest.
pub(super) fn load(connection: &Connection) -> rusqlite::Result<Stretches> {
    let mut statement = connection.prepare(
        "SELECT m.name, u.first, u.last FROM unlogged u JOIN meters m ON m.id = u.meter ORDER BY u.first DESC LIMIT ?1",
    )?;
    let rows = statement.query_map([MOST], |row| {
        Ok((row.get::<_, String>(0)?, (unsigned(row.get(1)?), unsigned(row.get(2)?))))
    })?;
    let mut stretches = Stretches::new();
    for row in rows {
        let (meter, stretch) = row?;
        stretches.entry(meter).or_default().insert(0, stretch);
    }
    Ok(stretches)
}

/// Writes one down.
pub(super) fn write(
    transaction: &Transaction<'_>,
    meter: &str,
    (first, last): (u64, u64),
) -> rusqlite::Result<()> {
    let meter = name_id(transaction, Names::Meters, meter)?;
    transaction
        .prepare_cached("INSERT OR REPLACE INTO unlogged (meter, first, last) VALUES (?1, ?2, ?3)")?
        .execute([meter, signed(first), signed(last)])
        .map(drop)
}
