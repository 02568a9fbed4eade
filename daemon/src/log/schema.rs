//! The database: its tables, its migrations by number, and how it is opened.

use std::fmt;
use std::fs::OpenOptions;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, OpenFlags};

use super::views;
use crate::config::Survives;
use crate::lock::{Lock, LockError};

/// Marks the file as ours ("setl").
const APPLICATION_ID: i64 = 0x7365_746c;

/// Who may read and write a new database, before the daemon's umask: as SQLite has it.
const MODE: u32 = 0o644;

/// What turns version n−1 into version n, from version 1 on. Never changed once released; only added to.
const MIGRATIONS: &[&str] = &[
    "
    CREATE TABLE meters (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE);
    CREATE TABLE boots (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE);
    CREATE TABLE readings (
        sequence INTEGER PRIMARY KEY AUTOINCREMENT,
        meter INTEGER NOT NULL REFERENCES meters (id),
        boot INTEGER NOT NULL REFERENCES boots (id),
        at_ns INTEGER NOT NULL,
        t_s REAL NOT NULL,
        began_s REAL NOT NULL,
        integration_s REAL,
        illuminance INTEGER NOT NULL,
        value REAL NOT NULL,
        x REAL,
        z REAL,
        coloured INTEGER NOT NULL,
        temperature_c REAL,
        flags TEXT NOT NULL
    );
    CREATE INDEX readings_by_meter ON readings (meter, sequence);
    CREATE INDEX readings_by_time ON readings (at_ns);
    CREATE TABLE events (
        sequence INTEGER PRIMARY KEY AUTOINCREMENT,
        meter INTEGER REFERENCES meters (id),
        boot INTEGER NOT NULL REFERENCES boots (id),
        at_ns INTEGER NOT NULL,
        t_s REAL NOT NULL,
        kind TEXT NOT NULL,
        detail TEXT NOT NULL
    );
    CREATE INDEX events_by_time ON events (at_ns);
",
    "
    CREATE TABLE numbers (reserved INTEGER NOT NULL);
    INSERT INTO numbers SELECT coalesce(max(sequence), 0) FROM readings;
    CREATE INDEX events_by_meter ON events (meter, sequence);
",
    "
    CREATE TABLE corrections (
        number INTEGER PRIMARY KEY AUTOINCREMENT,
        document TEXT NOT NULL,
        m11 REAL NOT NULL, m12 REAL NOT NULL, m13 REAL NOT NULL,
        m21 REAL NOT NULL, m22 REAL NOT NULL, m23 REAL NOT NULL,
        m31 REAL NOT NULL, m32 REAL NOT NULL, m33 REAL NOT NULL,
        used INTEGER NOT NULL,
        removed_ns INTEGER
    );
    CREATE TABLE in_force (
        meter INTEGER PRIMARY KEY REFERENCES meters (id),
        correction INTEGER NOT NULL REFERENCES corrections (number),
        shown TEXT,
        since_ns INTEGER NOT NULL,
        forced INTEGER NOT NULL
    );
    ALTER TABLE readings ADD COLUMN observer TEXT;
    ALTER TABLE readings ADD COLUMN bandwidth_nm REAL;
    ALTER TABLE readings ADD COLUMN correction TEXT;
    CREATE TABLE spectra (
        sequence INTEGER PRIMARY KEY REFERENCES readings (sequence) ON DELETE CASCADE,
        start_nm REAL NOT NULL,
        step_nm REAL NOT NULL,
        f64_le BLOB NOT NULL
    );
    CREATE TABLE zeros (
        meter INTEGER NOT NULL REFERENCES meters (id),
        model TEXT NOT NULL,
        serial TEXT NOT NULL,
        boot INTEGER NOT NULL REFERENCES boots (id),
        at_ns INTEGER NOT NULL,
        t_s REAL NOT NULL,
        temperature_c REAL,
        PRIMARY KEY (meter, model, serial)
    ) WITHOUT ROWID;
",
    "
    CREATE TABLE identity (id TEXT NOT NULL);
    INSERT INTO identity SELECT substr(h, 1, 8) || '-' || substr(h, 9, 4) || '-4' || substr(h, 14, 3) || '-a' || substr(h, 18, 3) || '-'
        || substr(h, 21, 12) FROM (SELECT lower(hex(randomblob(16))) AS h);
    CREATE TABLE runs (
        run INTEGER PRIMARY KEY AUTOINCREMENT,
        meter INTEGER NOT NULL REFERENCES meters (id),
        state TEXT NOT NULL,
        document TEXT NOT NULL
    );
    CREATE INDEX runs_by_meter ON runs (meter, run);
    CREATE INDEX runs_that_are_not_over ON runs (run) WHERE state IN ('planned', 'running');
    CREATE TABLE run_readings (
        run INTEGER NOT NULL REFERENCES runs (run),
        sequence INTEGER NOT NULL,
        at_ns INTEGER NOT NULL,
        PRIMARY KEY (run, sequence)
    ) WITHOUT ROWID;
    CREATE INDEX run_readings_by_sequence ON run_readings (sequence);
    CREATE INDEX run_readings_by_time ON run_readings (run, at_ns);
    DROP INDEX readings_by_time;
    CREATE INDEX readings_by_meter_and_time ON readings (meter, at_ns);
    ALTER TABLE events ADD COLUMN run INTEGER REFERENCES runs (run);
    CREATE INDEX events_by_run ON events (run, sequence) WHERE run IS NOT NULL;
    CREATE TABLE bins (
        bin INTEGER PRIMARY KEY,
        meter INTEGER NOT NULL REFERENCES meters (id),
        illuminance INTEGER NOT NULL,
        at_ns INTEGER NOT NULL,
        span_ns INTEGER NOT NULL,
        boot INTEGER NOT NULL REFERENCES boots (id),
        t_s REAL NOT NULL,
        count INTEGER NOT NULL,
        first INTEGER NOT NULL,
        last INTEGER NOT NULL,
        mean REAL NOT NULL,
        min REAL NOT NULL,
        max REAL NOT NULL,
        squares REAL NOT NULL,
        coloured INTEGER NOT NULL,
        x REAL,
        y REAL,
        z REAL,
        temperatures INTEGER NOT NULL,
        temperature_c REAL,
        flags TEXT NOT NULL,
        observer TEXT,
        correction TEXT
    );
    CREATE INDEX bins_by_meter_and_time ON bins (meter, at_ns);
    CREATE TABLE bin_runs (
        run INTEGER NOT NULL REFERENCES runs (run),
        at_ns INTEGER NOT NULL,
        bin INTEGER NOT NULL REFERENCES bins (bin),
        PRIMARY KEY (run, at_ns, bin)
    ) WITHOUT ROWID;
    CREATE INDEX bin_runs_by_bin ON bin_runs (bin);
    CREATE TABLE unlogged (
        meter INTEGER NOT NULL REFERENCES meters (id),
        first INTEGER NOT NULL,
        last INTEGER NOT NULL,
        PRIMARY KEY (meter, first)
    ) WITHOUT ROWID;
",
    views::VIEWS,
];

/// Why the log could not be opened.
#[derive(Debug)]
pub enum OpenError {
    /// Its folder could not be made.
    Folder(std::io::Error),
    /// Its file could not be made.
    File(std::io::Error),
    /// Another daemon writes it, or that can't be told.
    Lock(LockError),
    /// SQLite could not open or set it up.
    Open(rusqlite::Error),
    /// It could not be read.
    Read(rusqlite::Error),
    /// It is some other program's database.
    NotOurs,
    /// A later version of the daemon wrote it.
    TooNew {
        /// Its version.
        found: i64,
        /// The newest this daemon knows.
        known: i64,
    },
    /// The writer's thread could not be started.
    Thread(std::io::Error),
}

impl fmt::Display for OpenError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Folder(_) => f.write_str("making the log's folder"),
            Self::File(_) => f.write_str("making the log's file"),
            Self::Lock(error @ LockError::Held { .. }) => {
                write!(f, "{error} writes it: stop that, or name another path under [log]")
            }
            Self::Lock(_) => f.write_str("making sure that no other daemon writes the log"),
            Self::Open(_) => f.write_str("opening the log"),
            Self::Read(_) => f.write_str("reading the log"),
            Self::NotOurs => {
                f.write_str("the file is another program's database; name another path under [log]")
            }
            Self::TooNew { found, known } => {
                write!(
                    f,
                    "the log is of version {found}, this daemon knows up to {known}: install a newer daemon"
                )
            }
            Self::Thread(_) => f.write_str("starting the log's writer"),
        }
    }
}

impl std::error::Error for OpenError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Folder(error) | Self::File(error) | Self::Thread(error) => Some(error),
            Self::Open(error) | Self::Read(error) => Some(error),
            Self::Lock(error @ LockError::Io { .. }) => Some(error),
            Self::Lock(LockError::Held { .. }) | Self::NotOurs | Self::TooNew { .. } => None,
        }
    }
}

/// Makes the database's folder, and takes the lock that keeps other daemons out, whatever name they know it by.
pub(super) fn claim(path: &Path) -> Result<Lock, OpenError> {
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder).map_err(OpenError::Folder)?;
    }
    let real = path.canonicalize().or_else(|_| made(path)).map_err(OpenError::File)?;
    Lock::beside(&real).map_err(OpenError::Lock)
}

/// Makes the file, empty, and gives its one real name: what isn't there has none yet, and a link to it may have many.
fn made(path: &Path) -> std::io::Result<PathBuf> {
    OpenOptions::new().write(true).create(true).truncate(false).mode(MODE).open(path)?;
    path.canonicalize()
}

/// Opens the database to write, making or migrating it.
pub(super) fn open(path: &Path, survives: Survives) -> Result<Connection, OpenError> {
    let mut connection = Connection::open(path).map_err(OpenError::Open)?;
    check_owner(&connection)?;
    let synchronous = match survives {
        Survives::PowerCut => "FULL",
        Survives::Crash => "NORMAL",
    };
    connection
        .execute_batch(&format!(
            "PRAGMA journal_mode = WAL; PRAGMA synchronous = {synchronous}; PRAGMA busy_timeout = 5000;
             PRAGMA cache_size = -512; PRAGMA foreign_keys = ON;"
        ))
        .map_err(OpenError::Open)?;
    migrate(&mut connection)?;
    Ok(connection)
}

/// Opens the database to read.
pub(super) fn open_to_read(path: &Path) -> rusqlite::Result<Connection> {
    let connection = Connection::open_with_flags(
        path,
        OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX,
    )?;
    connection.execute_batch("PRAGMA busy_timeout = 5000; PRAGMA cache_size = -512;")?;
    Ok(connection)
}

fn pragma(connection: &Connection, name: &str) -> Result<i64, OpenError> {
    connection.pragma_query_value(None, name, |row| row.get(0)).map_err(OpenError::Open)
}

/// Refuses a database that somebody else made.
fn check_owner(connection: &Connection) -> Result<(), OpenError> {
    let tables: i64 = connection
        .query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))
        .map_err(OpenError::Open)?;
    let ours = tables == 0 || pragma(connection, "application_id")? == APPLICATION_ID;
    if ours { Ok(()) } else { Err(OpenError::NotOurs) }
}

#[expect(clippy::cast_possible_wrap, reason = "there are few migrations")]
fn migrate(connection: &mut Connection) -> Result<(), OpenError> {
    let (found, known) = (pragma(connection, "user_version")?, MIGRATIONS.len() as i64);
    if found > known {
        return Err(OpenError::TooNew { found, known });
    }
    let transaction = connection.transaction().map_err(OpenError::Open)?;
    for (version, migration) in (1..).zip(MIGRATIONS).filter(|(version, _)| *version > found) {
        transaction
            .execute_batch(&format!(
                "{migration} PRAGMA user_version = {version}; PRAGMA application_id = {APPLICATION_ID};"
            ))
            .map_err(OpenError::Open)?;
    }
    transaction.commit().map_err(OpenError::Open)
}

#[cfg(test)]
mod tests {
    use settled_protocol::log::Selection;

    use super::*;
    use crate::log::query;

    #[test]
    fn a_log_of_an_earlier_version_is_read_on() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("log.sqlite");
        let earlier = Connection::open(&path).unwrap();
        earlier.execute_batch(&MIGRATIONS[..2].join("")).unwrap();
        earlier
            .execute_batch(&format!(
                "PRAGMA user_version = 2; PRAGMA application_id = {APPLICATION_ID};
                 INSERT INTO meters (name) VALUES ('m'); INSERT INTO boots (name) VALUES ('b');
                 INSERT INTO readings VALUES (7, 1, 1, 0, 1, 0, NULL, 0, 2.5, NULL, NULL, 0, NULL, 'shared');"
            ))
            .unwrap();
        drop(earlier);
        let connection = open(&path, Survives::Crash).unwrap();
        let selection = Selection { spectra: true, ..Selection::default() };
        let [reading] = query::readings(&connection, &selection).unwrap().readings.try_into().unwrap();
        assert_eq!((reading.sequence, reading.light.value(), reading.spectrum), (7, 2.5, None));
        assert_eq!((reading.observer, reading.bandwidth_nm, reading.correction), (None, None, None));
    }
}
