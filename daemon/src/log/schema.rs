//! The database: its tables, its migrations by number, and how it is opened.

use std::collections::HashSet;
use std::fs::OpenOptions;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::{Connection, OpenFlags, TransactionBehavior};

pub(super) use super::open_error::{OpenError, is_spoilt};
use super::pages::USUAL_SIZE;
use super::views;
use crate::config::Survives;
use crate::lock::Lock;

/// Marks the file as ours ("setl").
const APPLICATION_ID: i64 = 0x7365_746c;

/// Who may read and write a new database, before the daemon's umask: as SQLite has it.
const MODE: u32 = 0o644;

/// How long to wait for another program that writes to the database, once.
pub(super) const PATIENCE: Duration = Duration::from_secs(2);

/// Bytes that the write-ahead log keeps once it has been copied into the database: as many as it takes in the ordinary course. One who
/// reads for long has it grow, which would count as used for good.
const WAL_KEPT: i64 = 8 << 20;

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
    ALTER TABLE numbers ADD COLUMN in_order INTEGER NOT NULL DEFAULT 1;
    CREATE INDEX run_readings_by_time ON run_readings (run, at_ns);
    DROP INDEX readings_by_time;
    CREATE INDEX readings_by_meter_and_time ON readings (meter, at_ns);
    ALTER TABLE events ADD COLUMN run INTEGER REFERENCES runs (run);
    CREATE INDEX events_by_run ON events (run, sequence) WHERE run IS NOT NULL;
    -- What thinning leaves, each reading in one row: t_s, mean, x, y, z and temperature_c are means (x, y, z of the readings that are
    -- coloured, temperature_c of those that tell it), squares is the sum of the squares of the differences from the mean.
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

/// Makes the database's folder, and takes the lock that keeps other daemons out, whatever name they know it by. Gives its one real
/// name, too.
pub(super) fn claim(path: &Path) -> Result<(Lock, PathBuf), OpenError> {
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder).map_err(OpenError::Folder)?;
    }
    let real = path.canonicalize().or_else(|_| made(path)).map_err(OpenError::File)?;
    Ok((Lock::beside(&real).map_err(OpenError::Lock)?, real))
}

/// Takes away the lock's file beside what is not ours: it would say otherwise.
pub(super) fn unclaim(path: &Path) {
    let _gone = std::fs::remove_file(lock_path(path)).is_ok();
}

/// The lock's file: where it is, a daemon has had its log there.
pub(super) fn lock_path(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(".lock");
    PathBuf::from(name)
}

/// Makes the file, empty, and gives its one real name: what isn't there has none yet, and a link to it may have many.
fn made(path: &Path) -> std::io::Result<PathBuf> {
    OpenOptions::new().write(true).create(true).truncate(false).mode(MODE).open(path)?;
    path.canonicalize()
}

/// Opens the database to write, making or migrating it.
pub(super) fn open(path: &Path, survives: Survives) -> Result<Connection, OpenError> {
    check_header(path)?;
    let mut connection = Connection::open(path).map_err(OpenError::Open)?;
    connection.busy_timeout(PATIENCE).map_err(OpenError::Open)?;
    check_owner(&connection)?;
    let synchronous = match survives {
        Survives::PowerCut => "FULL",
        Survives::Crash => "NORMAL",
    };
    connection
        .execute_batch(&format!(
            "PRAGMA page_size = {USUAL_SIZE}; PRAGMA journal_mode = WAL; PRAGMA synchronous = {synchronous};
             PRAGMA cache_size = -512; PRAGMA foreign_keys = ON; PRAGMA journal_size_limit = {WAL_KEPT};"
        ))
        .map_err(OpenError::Open)?;
    migrate(&mut connection)?;
    check_schema(&connection)?;
    Ok(connection)
}

/// Makes a database that only its maker sees until it is complete, quick and without any care.
pub(super) fn fresh(path: &Path) -> rusqlite::Result<Connection> {
    let mut connection = Connection::open(path)?;
    connection.execute_batch(&format!(
        "PRAGMA page_size = {USUAL_SIZE}; PRAGMA journal_mode = MEMORY; PRAGMA synchronous = OFF; PRAGMA foreign_keys = OFF;"
    ))?;
    bring_up(&mut connection, 0)?;
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
    if tables == 0 || pragma(connection, "application_id")? == APPLICATION_ID {
        return Ok(());
    }
    // A mark that was damaged makes a log nobody else's.
    let known: i64 = connection
        .query_row(
            "SELECT count(*) FROM sqlite_schema WHERE type = 'table' AND name IN ('meters', 'boots', 'readings', 'events')",
            [],
            |row| row.get(0),
        )
        .map_err(OpenError::Open)?;
    if known == 4 {
        Err(OpenError::Damaged("its mark is not that of a log".to_owned()))
    } else {
        Err(OpenError::NotOurs)
    }
}

/// The numbers in the file's header that are the same in every log, by their places: versions of the format, and how much of a page
/// keys may take. What isn't so, SQLite would read otherwise, or not write.
fn check_header(path: &Path) -> Result<(), OpenError> {
    let mut header = [0; 100];
    let read =
        std::fs::File::open(path).and_then(|mut file| std::io::Read::read_exact(&mut file, &mut header));
    let sound = matches!(header[18], 1 | 2)
        && matches!(header[19], 1 | 2)
        && header[20..24] == [0, 64, 32, 32]
        // The format of the schema, and that text is UTF-8; nothing in a database without tables.
        && matches!(header[44..48], [0, 0, 0, 0..=4])
        && matches!(header[56..60], [0, 0, 0, 0..=1]);
    match read {
        Ok(()) if header.starts_with(b"SQLite format 3\0") && !sound => {
            Err(OpenError::Damaged("its header is not one of a log".to_owned()))
        }
        // SQLite would take it for a new one.
        Err(error)
            if error.kind() == std::io::ErrorKind::UnexpectedEof
                && std::fs::metadata(path).is_ok_and(|file| file.len() > 0) =>
        {
            Err(OpenError::Damaged("its header is cut off".to_owned()))
        }
        // What else is wrong, SQLite says.
        _ => Ok(()),
    }
}

/// Every table and index, as it is described in the database.
const SCHEMA: &str = "SELECT name, sql FROM sqlite_schema WHERE sql IS NOT NULL";

fn described(connection: &Connection) -> rusqlite::Result<HashSet<(String, String)>> {
    connection.prepare(SCHEMA)?.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?.collect()
}

/// Whether everything that a log of this version has is there, and as it should be.
fn is_complete(connection: &Connection) -> rusqlite::Result<bool> {
    let mut model = Connection::open_in_memory()?;
    bring_up(&mut model, 0)?;
    Ok(described(&model)?.is_subset(&described(connection)?))
}

fn check_schema(connection: &Connection) -> Result<(), OpenError> {
    match is_complete(connection) {
        Ok(true) => Ok(()),
        Ok(false) => Err(OpenError::Damaged("its tables are not what they should be".to_owned())),
        Err(error) => Err(OpenError::Open(error)),
    }
}

#[expect(clippy::cast_possible_wrap, reason = "there are few migrations")]
fn migrate(connection: &mut Connection) -> Result<(), OpenError> {
    let (found, known) = (pragma(connection, "user_version")?, MIGRATIONS.len() as i64);
    if found > known {
        // A later version has something else in it.
        if is_complete(connection).map_err(OpenError::Open)? {
            return Err(OpenError::Damaged("the number of its version is not what it should be".to_owned()));
        }
        return Err(OpenError::TooNew { found, known });
    }
    bring_up(connection, found).map_err(OpenError::Open)
}

/// Makes what the versions after `found` have.
fn bring_up(connection: &mut Connection, found: i64) -> rusqlite::Result<()> {
    if (1..).zip(MIGRATIONS).all(|(version, _)| version <= found) {
        // Nobody need be waited for.
        return Ok(());
    }
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    for (version, migration) in (1..).zip(MIGRATIONS).filter(|(version, _)| *version > found) {
        transaction.execute_batch(&format!(
            "{migration} PRAGMA user_version = {version}; PRAGMA application_id = {APPLICATION_ID};"
        ))?;
    }
    transaction.commit()
}

#[cfg(test)]
mod tests {
    use settled_protocol::log::Selection;

    use super::*;
    use crate::log::query;

    #[test]
    fn the_write_ahead_log_is_small_again_once_who_has_read_for_long_is_gone() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("log.sqlite");
        let connection = open(&path, Survives::Crash).unwrap();
        let wal = || std::fs::metadata(folder.path().join("log.sqlite-wal")).unwrap().len();
        let write = || {
            connection
                .execute("INSERT OR REPLACE INTO meters VALUES (1, hex(randomblob(600000)))", [])
                .map(drop)
                .unwrap();
        };
        write();
        let reader = open_to_read(&path).unwrap();
        let moment = reader.unchecked_transaction().unwrap();
        moment.query_row("SELECT count(*) FROM meters", [], |_| Ok(())).unwrap();
        (0..20).for_each(|_| write());
        assert!(wal() > 2 * WAL_KEPT.unsigned_abs(), "{}", wal());
        drop(moment);
        (0..3).for_each(|_| write());
        assert!(wal() <= WAL_KEPT.unsigned_abs(), "{}", wal());
    }

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
