//! Corrections in the log: what was added stays for as long as readings went through it, with its matrix to the last bit.

use std::sync::Arc;

use rusqlite::{Connection, Row, Transaction, params};
use settled_protocol::correction::Correction;
use settled_protocol::matrix::Matrix;
use settled_protocol::text::Text;
use settled_protocol::time::Timestamp;

use super::query::unsigned;
use super::writer::{Names, name_id, signed};

/// What a correction's id begins with; its number in the log follows.
const PREFIX: &str = "c";

/// The id of the correction with that number.
#[must_use]
pub fn correction_id(number: u64) -> String {
    format!("{PREFIX}{number}")
}

/// The number in a correction's id.
#[must_use]
pub fn correction_number(id: &str) -> Option<u64> {
    let digits = id.strip_prefix(PREFIX)?;
    digits.parse().ok().filter(|number| correction_id(*number) == id)
}

/// Columns of a correction.
const COLUMNS: &str = "number, document, m11, m12, m13, m21, m22, m23, m31, m32, m33, removed_ns, used";

/// A change to the corrections, to be written.
#[derive(Clone, Debug)]
pub enum Change {
    /// Another correction.
    Add(u64, Box<Correction>),
    /// One that is no longer to be used: kept and marked.
    Remove(u64, Timestamp),
    /// One that no reading went through: as if it had never been.
    Forget(u64),
    /// What is in force on a meter from now on.
    Force(String, Option<(Forced, Arc<Correction>)>),
}

/// A correction in force on a meter.
#[derive(Clone, Debug, PartialEq)]
pub struct Forced {
    /// The correction's number.
    pub number: u64,
    /// The display in front of the meter, as the client said.
    pub shown: Option<Text>,
    /// Since when.
    pub since: Timestamp,
    /// Whether it was meant for another meter, and is used all the same.
    pub forced: bool,
}

/// Everything that the log has of corrections.
#[derive(Clone, Debug, Default)]
pub struct Kept {
    /// Each with its number, and whether it ever was in force.
    pub corrections: Vec<(u64, Correction, bool)>,
    /// What is in force, by meter.
    pub in_force: Vec<(String, Forced)>,
    /// The highest number ever given to one.
    pub last: u64,
}

/// Reads all that there is.
pub(super) fn load(connection: &Connection) -> rusqlite::Result<Kept> {
    let mut statement = connection.prepare(&format!("SELECT {COLUMNS} FROM corrections ORDER BY number"))?;
    let corrections = statement.query_map([], correction)?.collect::<rusqlite::Result<Vec<_>>>()?;
    let mut statement = connection.prepare(
        "SELECT m.name, f.correction, f.shown, f.since_ns, f.forced FROM in_force f JOIN meters m ON m.id = f.meter",
    )?;
    let in_force = statement.query_map([], forced)?.collect::<rusqlite::Result<Vec<_>>>()?;
    let last: Option<i64> = connection.query_row(
        "SELECT max(seq) FROM sqlite_sequence WHERE name = 'corrections'",
        [],
        |row| row.get(0),
    )?;
    Ok(Kept { corrections, in_force, last: last.map_or(0, unsigned) })
}

/// Takes away what is no correction any more, after damage.
pub(super) fn sieve(connection: &Connection) -> rusqlite::Result<()> {
    let mut numbers = connection.prepare("SELECT number FROM corrections")?;
    let numbers = numbers.query_map([], |row| row.get(0))?.collect::<rusqlite::Result<Vec<i64>>>()?;
    let mut statement =
        connection.prepare(&format!("SELECT {COLUMNS} FROM corrections WHERE number = ?1"))?;
    for number in numbers {
        if statement.query_row([number], correction).is_err() {
            connection.execute("DELETE FROM corrections WHERE number = ?1", [number])?;
        }
    }
    connection
        .execute("DELETE FROM in_force WHERE correction NOT IN (SELECT number FROM corrections)", [])
        .map(drop)
}

fn correction(row: &Row<'_>) -> rusqlite::Result<(u64, Correction, bool)> {
    let damaged = |error: Box<dyn std::error::Error + Send + Sync>| {
        rusqlite::Error::FromSqlConversionFailure(1, rusqlite::types::Type::Text, error)
    };
    let number = unsigned(row.get(0)?);
    let document: String = row.get(1)?;
    let read: Correction = serde_json::from_str(&document).map_err(|error| damaged(Box::new(error)))?;
    let mut elements = [0.0; 9];
    for (index, element) in elements.iter_mut().enumerate() {
        *element = row.get(2 + index)?;
    }
    let [a, b, c, d, e, f, g, h, i] = elements;
    // From its own columns: numbers in text may come back off by their last bit.
    let matrix = Matrix::new([[a, b, c], [d, e, f], [g, h, i]]).map_err(|error| damaged(Box::new(error)))?;
    let removed: Option<i64> = row.get(11)?;
    let removed = removed.map(|ns| Timestamp::from_unix_ns(unsigned(ns)));
    Ok((number, Correction { id: correction_id(number), matrix, removed, ..read }, row.get(12)?))
}

fn forced(row: &Row<'_>) -> rusqlite::Result<(String, Forced)> {
    let shown: Option<String> = row.get(2)?;
    let forced = Forced {
        number: unsigned(row.get(1)?),
        shown: shown.and_then(|shown| Text::try_from(shown).ok()),
        since: Timestamp::from_unix_ns(unsigned(row.get(3)?)),
        forced: row.get(4)?,
    };
    Ok((row.get(0)?, forced))
}

/// Writes one change.
pub(super) fn write(transaction: &Transaction<'_>, change: &Change) -> rusqlite::Result<()> {
    match change {
        Change::Add(number, correction) => add(transaction, *number, correction),
        Change::Remove(number, at) => {
            transaction.execute("DELETE FROM in_force WHERE correction = ?1", [signed(*number)])?;
            transaction
                .execute(
                    "UPDATE corrections SET removed_ns = ?2 WHERE number = ?1",
                    params![signed(*number), signed(at.unix_ns())],
                )
                .map(drop)
        }
        Change::Forget(number) => {
            transaction.execute("DELETE FROM corrections WHERE number = ?1", [signed(*number)]).map(drop)
        }
        Change::Force(meter, forced) => force(transaction, meter, forced.as_ref()),
    }
}

fn add(transaction: &Transaction<'_>, number: u64, correction: &Correction) -> rusqlite::Result<()> {
    let document = serde_json::to_string(correction)
        .map_err(|error| rusqlite::Error::ToSqlConversionFailure(Box::new(error)))?;
    let [[a, b, c], [d, e, f], [g, h, i]] = correction.matrix.rows();
    transaction
        .execute(
            "INSERT INTO corrections (number, document, m11, m12, m13, m21, m22, m23, m31, m32, m33, used)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, 0)",
            params![signed(number), document, a, b, c, d, e, f, g, h, i],
        )
        .map(drop)
}

fn force(
    transaction: &Transaction<'_>,
    meter: &str,
    forced: Option<&(Forced, Arc<Correction>)>,
) -> rusqlite::Result<()> {
    let meter = name_id(transaction, Names::Meters, meter)?;
    let Some((Forced { number, shown, since, forced }, correction)) = forced else {
        return transaction.execute("DELETE FROM in_force WHERE meter = ?1", [meter]).map(drop);
    };
    // What was lost with a damaged file is written anew, so that it keeps nothing else of the commit from being written.
    if !transaction
        .prepare_cached("SELECT 1 FROM corrections WHERE number = ?1")?
        .exists([signed(*number)])?
    {
        add(transaction, *number, correction)?;
    }
    transaction.execute(
        "INSERT OR REPLACE INTO in_force (meter, correction, shown, since_ns, forced) VALUES (?1, ?2, ?3, ?4, ?5)",
        params![meter, signed(*number), shown.as_ref().map(Text::as_str), signed(since.unix_ns()), forced],
    )?;
    transaction.execute("UPDATE corrections SET used = 1 WHERE number = ?1", [signed(*number)]).map(drop)
}
