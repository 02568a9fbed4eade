//! What becomes of a damaged log: it is set aside, never deleted, and what can be read of it goes on in a new one.
//!
//! The new one is made beside it and complete before the old one is touched. Whenever this is cut off, the next start either begins
//! it anew or finishes it.

use std::fmt;
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

use rusqlite::Connection;
use settled_protocol::log::EventKind;

use super::opening::Stamp;
use super::pages::Pages;
use super::salvage::{self, Saved};
use super::{Happening, corrections, numbers, query, rows, schema, wal, writer};

/// Events that a damaged log may have had beyond the last that is known.
const EVENTS_SKIPPED: i64 = 1000;

/// Pages that are looked at for whether a file ever was a log.
const TELLING: u32 = 1000;

/// Bytes that every database has, and what it begins with.
const LEAST: usize = 512;
const MAGIC: &[u8] = b"SQLite format 3\0";

/// Spectra whose readings could not be saved.
const SPECTRA_OF_NOTHING: &str = "DELETE FROM spectra WHERE sequence NOT IN (SELECT sequence FROM readings)";

/// Why a damaged log could not be recovered.
#[derive(Debug)]
pub enum RecoveryError {
    /// Reading the damaged file, or putting the new one in its place.
    Io(&'static str, std::io::Error),
    /// Writing the new one.
    Write(rusqlite::Error),
}

impl fmt::Display for RecoveryError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Io(doing, _) => f.write_str(doing),
            Self::Write(_) => f.write_str("writing what was saved of it"),
        }
    }
}

impl std::error::Error for RecoveryError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Io(_, error) => Some(error),
            Self::Write(error) => Some(error),
        }
    }
}

fn io(doing: &'static str) -> impl FnOnce(std::io::Error) -> RecoveryError {
    move |error| RecoveryError::Io(doing, error)
}

fn named(path: &Path, end: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(end);
    PathBuf::from(name)
}

/// The new log while it is made, and once it is complete.
fn unfinished(path: &Path) -> PathBuf {
    named(path, ".recovering")
}

fn complete(path: &Path) -> PathBuf {
    named(path, ".recovered")
}

/// Whether a file that is no whole database was a log of ours, or holds nothing of anybody's.
pub(super) fn is_ours(path: &Path) -> bool {
    let Ok(pages) = Pages::open(path) else { return false };
    let tables = pages.roots();
    if ["meters", "boots", "readings", "events"].iter().filter(|name| tables.contains_key(**name)).count() > 2
    {
        return true;
    }
    if !tables.is_empty() {
        return false;
    }
    let holds = |number| {
        let records = pages.content(number).into_iter().flat_map(|content| content.records);
        records.into_iter().any(|record| record.key.is_some() && matches!(record.values.len(), 14 | 17))
    };
    holds_nothing(path).unwrap_or(false) || (1..=pages.count.min(TELLING)).any(holds)
}

/// Whether a file is nothing but zeros, or has less than any database has and begins like one.
fn holds_nothing(path: &Path) -> std::io::Result<bool> {
    let (mut file, mut part, mut read) = (File::open(path)?, [0; 8192], 0);
    loop {
        let count = file.read(&mut part)?;
        let bytes = part.get(..count).unwrap_or_default();
        if read == 0 && count < LEAST && bytes.starts_with(MAGIC) {
            return Ok(true);
        }
        if count == 0 || bytes.iter().any(|byte| *byte != 0) {
            return Ok(count == 0);
        }
        read += count;
    }
}

/// Saves what can be read of a damaged log into a new one, sets the old one aside, and tells of it.
pub(super) fn recover(path: &Path, why: &str, stamp: &Stamp) -> Result<Happening, RecoveryError> {
    let new = unfinished(path);
    for end in ["", "-journal", "-wal", "-shm"] {
        remove(&named(&new, end))?;
    }
    let pages = Pages::open(path).map_err(io("reading the damaged log"))?;
    let aside = aside(path, stamp);
    let told = build(&new, &pages, why, &aside, stamp).map_err(RecoveryError::Write)?;
    drop(pages);
    File::open(&new).and_then(|file| file.sync_all()).map_err(io("writing what was saved of it"))?;
    std::fs::rename(&new, complete(path)).map_err(io("naming what was saved of it"))?;
    sync_folder(path)?;
    put(path, &aside)?;
    Ok(told)
}

/// Finishes what was cut off: a new log that is complete takes the place of the old one.
pub(super) fn finish(path: &Path) -> Result<(), RecoveryError> {
    let new = complete(path);
    let Some(at) = std::fs::metadata(&new).ok() else { return Ok(()) };
    let seconds = std::os::unix::fs::MetadataExt::mtime(&at);
    put(path, &named(path, &format!(".damaged-{seconds}")))
}

/// The old one goes aside, then the new one takes its place.
fn put(path: &Path, aside: &Path) -> Result<(), RecoveryError> {
    let moving = "setting the damaged log aside";
    for end in ["-wal", ""] {
        match std::fs::rename(named(path, end), named(aside, end)) {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => return Err(io(moving)(error)),
            _ => {}
        }
    }
    // It is but an index of the write-ahead log.
    remove(&named(path, "-shm"))?;
    sync_folder(path)?;
    std::fs::rename(complete(path), path).map_err(io("putting the new log in its place"))?;
    sync_folder(path)
}

/// The name under which the damaged one is kept: one that nothing has.
fn aside(path: &Path, stamp: &Stamp) -> PathBuf {
    let at = stamp.moment.at.to_string();
    let second: String = at.chars().take_while(|c| *c != '.').filter(|c| !"-:".contains(*c)).collect();
    let name = |count: u32| match count {
        0 => named(path, &format!(".damaged-{second}Z")),
        more => named(path, &format!(".damaged-{second}Z-{more}")),
    };
    (0..).map(name).find(|name| !name.exists() && !wal::beside(name).exists()).unwrap_or_else(|| name(0))
}

fn remove(path: &Path) -> Result<(), RecoveryError> {
    match std::fs::remove_file(path) {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
            Err(io("clearing away what an earlier attempt has left")(error))
        }
        _ => Ok(()),
    }
}

fn sync_folder(path: &Path) -> Result<(), RecoveryError> {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    File::open(folder).and_then(|folder| folder.sync_all()).map_err(io("making sure of the log's folder"))
}

/// Makes the new log, and writes down in it what was saved.
fn build(new: &Path, pages: &Pages, why: &str, aside: &Path, stamp: &Stamp) -> rusqlite::Result<Happening> {
    let mut connection = schema::fresh(new)?;
    let mut saved = salvage::save(pages, &connection)?;
    mend(&connection)?;
    corrections::sieve(&connection)?;
    saved.records += query::sieve(&connection)?;
    connection.execute_batch(SPECTRA_OF_NOTHING)?;
    number(&connection, &saved, stamp)?;
    let told = Happening::new(EventKind::LogRecovered, told(&connection, &saved, why, aside)?);
    let transaction = connection.transaction()?;
    rows::insert_event(&transaction, &told, stamp.moment, &stamp.boot)?;
    transaction.commit()?;
    connection.close().map_err(|(_, error)| error)?;
    Ok(told)
}

/// Gives names to what lost its own, and takes away what belongs to nothing any more.
fn mend(connection: &Connection) -> rusqlite::Result<()> {
    let of = |table: &str, column: &str| format!("SELECT {column} FROM {table} WHERE {column} IS NOT NULL");
    let meters = ["readings", "events", "in_force", "zeros", "runs", "bins", "unlogged"];
    let boots = ["readings", "events", "zeros", "bins"];
    for (names, column, tables) in [("meters", "meter", &meters[..]), ("boots", "boot", &boots[..])] {
        let used: Vec<String> = tables.iter().map(|table| of(table, column)).collect();
        connection.execute_batch(&format!(
            "INSERT OR IGNORE INTO {names} (id, name) SELECT DISTINCT {column}, 'lost-{column}-' || {column} FROM ({})
             WHERE {column} NOT IN (SELECT id FROM {names})",
            used.join(" UNION ")
        ))?;
    }
    connection.execute_batch(
        "DELETE FROM runs WHERE NOT json_valid(document);
         DELETE FROM run_readings WHERE run NOT IN (SELECT run FROM runs);
         UPDATE events SET run = NULL WHERE run NOT IN (SELECT run FROM runs);
         DELETE FROM bin_runs WHERE run NOT IN (SELECT run FROM runs) OR bin NOT IN (SELECT bin FROM bins);",
    )
}

/// Goes on above every number that may have been given out.
fn number(connection: &Connection, saved: &Saved, stamp: &Stamp) -> rusqlite::Result<()> {
    let counted = |table: &str| saved.last.iter().find(|(name, _)| name == table).map(|(_, last)| *last);
    let block = writer::signed(numbers::BLOCK);
    let now_us = writer::signed(stamp.moment.at.unix_ns() / 1000);
    let logged = writer::signed(query::last_sequence(connection)?).max(counted("readings").unwrap_or(0));
    let sane = |reserved: &i64| (logged..=logged.saturating_add(2 * block)).contains(reserved);
    let reserved = match saved.reserved.filter(sane) {
        // Its lowest digits may be damaged and not show it.
        Some(reserved) => reserved + block,
        None => logged.saturating_add(2 * block).max(now_us),
    };
    connection.execute("UPDATE numbers SET reserved = ?1, in_order = 1", [reserved])?;
    if let Some(id) = &saved.identity {
        connection.execute("UPDATE identity SET id = ?1", [id])?;
    }
    for table in ["corrections", "runs", "events"] {
        let skipped = if table == "events" && counted(table).is_none() { EVENTS_SKIPPED } else { 0 };
        connection.execute(
            "INSERT INTO sqlite_sequence (name, seq) SELECT ?1, 0
             WHERE NOT EXISTS (SELECT 1 FROM sqlite_sequence WHERE name = ?1)",
            [table],
        )?;
        connection.execute(
            "UPDATE sqlite_sequence SET seq = max(seq, ?2) + ?3 WHERE name = ?1",
            rusqlite::params![table, counted(table).unwrap_or(0), skipped],
        )?;
    }
    Ok(())
}

/// What was saved, what wasn't, and where the damaged file is.
fn told(connection: &Connection, saved: &Saved, why: &str, aside: &Path) -> rusqlite::Result<String> {
    let count = |table: &str| {
        connection.query_row(&format!("SELECT count(*) FROM {table}"), [], |row| row.get::<_, i64>(0))
    };
    let (first, last) =
        connection.query_row("SELECT min(sequence), max(sequence) FROM readings", [], |row| {
            Ok((row.get(0)?, row.get(1)?))
        })?;
    let of = |first: Option<i64>, last: Option<i64>| match first.zip(last) {
        Some((first, last)) => format!(" (sequences {first} to {last})"),
        None => String::new(),
    };
    let mut lost = saved.lost.clone();
    lost.sort_unstable();
    let known = saved.last.iter().find(|(name, _)| name == "readings").map(|(_, last)| *last);
    let end = known.max(last).unwrap_or(0);
    if known > last && !lost.iter().any(|(_, to)| *to >= end) {
        lost.push((last.unwrap_or(0) + 1, end));
    }
    let lost: Vec<String> = lost
        .iter()
        .filter(|(from, _)| *from <= end)
        .map(|(from, to)| format!("{from} to {}", (*to).min(end)))
        .collect();
    let lost = match lost.is_empty() {
        true => "no reading is known to be missing".to_owned(),
        false => format!("some readings of sequences {} may be missing", lost.join(", ")),
    };
    let kept = match &saved.identity {
        Some(_) => "",
        None => "; its id could not be read, so this is another log",
    };
    Ok(format!(
        "the log's file was damaged ({why}) and is kept as {}: {} readings{} and {} events were saved; {} pages and {} \
         records could not be read: {lost}{kept}",
        aside.display(),
        count("readings")?,
        of(first, last),
        count("events")?,
        saved.pages,
        saved.records,
    ))
}
