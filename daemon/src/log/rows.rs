//! Rows of readings and events, and the names that they refer to by number.

use std::collections::HashMap;

use rusqlite::{Transaction, params};
use settled_protocol::colorimetry::observer::Observer;
use settled_protocol::log::EventKind;
use settled_protocol::quantity::Photometric;
use settled_protocol::reading::Reading;

use super::Happening;
use crate::clock::Moment;

pub(super) fn insert_event(
    transaction: &Transaction<'_>,
    happening: &Happening,
    moment: Moment,
    boot: &str,
) -> rusqlite::Result<()> {
    let meter =
        happening.meter.as_deref().map(|name| name_id(transaction, Names::Meters, name)).transpose()?;
    let boot = name_id(transaction, Names::Boots, boot)?;
    // A run that was lost with a damaged file has no row any more: that keeps nothing of it, and of nobody else, from being written.
    let text = "INSERT INTO events (meter, boot, at_ns, t_s, kind, detail, run)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, (SELECT run FROM runs WHERE run = ?7))";
    let (at_ns, kind) = (signed(moment.at.unix_ns()), EventKind::name(happening.kind));
    transaction
        .prepare_cached(text)?
        .execute(params![meter, boot, at_ns, moment.t_s, kind, happening.detail, happening.run.map(signed)])
        .map(drop)
}

pub(super) fn insert_reading(
    transaction: &Transaction<'_>,
    ids: &mut Ids,
    sequence: u64,
    draft: &Reading,
) -> rusqlite::Result<()> {
    let meter = ids.of(transaction, Names::Meters, &draft.meter)?;
    let boot = ids.of(transaction, Names::Boots, &draft.boot)?;
    insert_row(transaction, (meter, boot), sequence, draft)?;
    for run in &draft.runs {
        transaction
            .prepare_cached(
                "INSERT INTO run_readings (run, sequence, at_ns) SELECT run, ?2, ?3 FROM runs WHERE run = ?1",
            )?
            .execute([signed(*run), signed(sequence), signed(draft.at.unix_ns())])?;
    }
    draft.spectrum.as_ref().map_or(Ok(()), |spectrum| super::spectra::insert(transaction, sequence, spectrum))
}

/// The row alone, with the numbers of its meter and its boot.
fn insert_row(
    transaction: &Transaction<'_>,
    (meter, boot): (i64, i64),
    sequence: u64,
    draft: &Reading,
) -> rusqlite::Result<()> {
    let flags: Vec<&str> = draft.flags.iter().map(|flag| flag.name()).collect();
    let xyz = draft.light.xyz();
    transaction
        .prepare_cached(
            "INSERT INTO readings (sequence, meter, boot, at_ns, t_s, began_s, integration_s, illuminance, value, x, z,
             coloured, temperature_c, flags, observer, bandwidth_nm, correction)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17)",
        )?
        .execute(params![
            signed(sequence),
            meter,
            boot,
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

/// Numbers of names that are known to be in the log. Meters are as many as the config has, and boots are few.
#[derive(Debug, Default)]
pub(super) struct Ids {
    meters: HashMap<String, i64>,
    boots: HashMap<String, i64>,
}

impl Ids {
    /// The number of a name, which is written down if it is new.
    fn of(&mut self, transaction: &Transaction<'_>, names: Names, name: &str) -> rusqlite::Result<i64> {
        let known = match names {
            Names::Meters => &mut self.meters,
            Names::Boots => &mut self.boots,
        };
        if let Some(id) = known.get(name) {
            return Ok(*id);
        }
        let id = name_id(transaction, names, name)?;
        known.insert(name.to_owned(), id);
        Ok(id)
    }

    /// What was written down is undone, or the log is another: what it has is not known any more.
    pub(super) fn forget(&mut self) {
        *self = Self::default();
    }
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
