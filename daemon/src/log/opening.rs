//! The log's opening: with a lock on it, whole or recovered, and what it remembers from before.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use rusqlite::Connection;

use super::corrections::{self, Kept};
use super::room::Bounds;
use super::schema::{self, OpenError};
use super::unlogged::{self, Stretches};
use super::{Happening, query, recovery, runs, wal, zeros};
use crate::clock::Moment;
use crate::config::{LogFile, Survives};
use crate::lock::Lock;

/// Where the log is, and on what terms it is written.
#[derive(Clone, Debug)]
pub(super) struct Place {
    pub(super) path: PathBuf,
    pub(super) survives: Survives,
    pub(super) bounds: Arc<Bounds>,
    pub(super) backups: PathBuf,
}

impl Place {
    pub(super) fn new(path: PathBuf, file: &LogFile) -> Self {
        let backups =
            file.backups.clone().unwrap_or_else(|| path.parent().unwrap_or(Path::new("")).join("backups"));
        Self { path, survives: file.survives, bounds: Arc::new(Bounds::new(file)), backups }
    }
}

/// When something is written down, for what is told of the opening itself.
#[derive(Clone, Debug)]
pub(super) struct Stamp {
    pub(super) moment: Moment,
    pub(super) boot: String,
}

/// What a log remembers that is kept in memory, too.
#[derive(Clone, Debug, Default)]
pub(super) struct Remembered {
    pub(super) kept: Kept,
    pub(super) zeros: zeros::Zeros,
    pub(super) unlogged: Stretches,
    pub(super) runs: runs::Unfinished,
}

/// A log that is open.
#[derive(Debug)]
pub(super) struct Opened {
    pub(super) connection: Connection,
    pub(super) lock: Arc<Lock>,
    pub(super) id: String,
    /// The last sequence in it.
    pub(super) last: u64,
    /// The last that may have been given out.
    pub(super) reserved: u64,
    /// Whether whoever wrote it last stopped in order: then it need not be looked through.
    pub(super) in_order: bool,
    pub(super) remembered: Remembered,
    /// What is to be written down of it.
    pub(super) news: Option<Happening>,
}

/// Opens the log. One that is damaged is set aside, and what can be read of it saved into a new one; so is one that is `known_damaged`.
pub(super) fn open(
    place: &Place,
    held: Option<Arc<Lock>>,
    stamp: &Stamp,
    known_damaged: Option<&str>,
) -> Result<Opened, OpenError> {
    let (lock, path, was_ours) = match held {
        Some(lock) => (lock, real(&place.path), true),
        None => {
            let was_ours = schema::lock_path(&real(&place.path)).exists();
            let (lock, path) = schema::claim(&place.path)?;
            (Arc::new(lock), path, was_ours)
        }
    };
    recovery::finish(&path).map_err(OpenError::Recovery)?;
    let whole = match known_damaged {
        Some(why) => Err(OpenError::Damaged(why.to_owned())),
        None => read(&path, place.survives),
    };
    match whole {
        Ok((connection, read)) => Ok(read.with(connection, lock, None)),
        Err(error) if error.is_damage() => {
            if !was_ours && !recovery::is_ours(&path) {
                schema::unclaim(&path);
                return Err(OpenError::NotOurs);
            }
            let why = settled_drivers::fault::chain(&error);
            tracing::error!(why, "the log is damaged: saving what can be read of it");
            let news = recovery::recover(&path, &why, stamp).map_err(OpenError::Recovery)?;
            tracing::warn!("{}", news.detail);
            let (connection, read) = read(&path, place.survives)?;
            Ok(read.with(connection, lock, Some(news)))
        }
        Err(error) => {
            if matches!(error, OpenError::NotOurs) && !was_ours {
                schema::unclaim(&path);
            }
            Err(error)
        }
    }
}

/// The file's one real name, or the one it is called by while it isn't there.
fn real(path: &Path) -> PathBuf {
    path.canonicalize().unwrap_or_else(|_| path.to_owned())
}

/// What is read of a log that is whole.
struct Read {
    id: String,
    last: u64,
    reserved: u64,
    in_order: bool,
    remembered: Remembered,
}

impl Read {
    fn with(self, connection: Connection, lock: Arc<Lock>, news: Option<Happening>) -> Opened {
        let Self { id, last, reserved, in_order, remembered } = self;
        Opened { connection, lock, id, last, reserved, in_order, remembered, news }
    }
}

/// Opens the database, and reads what it remembers: a look at every part of it that is cheap.
fn read(path: &Path, survives: Survives) -> Result<(Connection, Read), OpenError> {
    wal::look(path).map_err(OpenError::Damaged)?;
    let connection = schema::open(path, survives)?;
    let read = all(&connection).map_err(OpenError::Read)?;
    Ok((connection, read))
}

fn all(connection: &Connection) -> rusqlite::Result<Read> {
    let id = connection.query_row("SELECT id FROM identity", [], |row| row.get(0))?;
    // The last row of each table, by its key and by an index.
    for ends in [
        "SELECT max(sequence), (SELECT max(at_ns) FROM readings) FROM readings",
        "SELECT max(sequence), (SELECT max(at_ns) FROM events) FROM events",
    ] {
        connection.query_row(ends, [], |_| Ok(()))?;
    }
    Ok(Read {
        id,
        last: query::last_sequence(connection)?,
        reserved: query::reserved(connection)?,
        in_order: connection.query_row("SELECT in_order FROM numbers", [], |row| row.get(0))?,
        remembered: Remembered {
            kept: corrections::load(connection)?,
            zeros: zeros::read(connection)?,
            unlogged: unlogged::load(connection)?,
            runs: runs::load(connection)?,
        },
    })
}
