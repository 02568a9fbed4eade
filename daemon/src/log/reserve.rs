//! Numbers that are set aside in the database, so that none is given out twice.

use rusqlite::{Connection, params};

use super::rows::signed;

/// How hard SQLite makes sure that a commit is on the disk.
const SYNCHRONOUS: &str = "synchronous";

/// Sets every number up to `last` aside, durably once this is committed, and says whether the daemon has stopped in order.
pub(super) fn reserve(connection: &Connection, last: u64, in_order: bool) -> rusqlite::Result<()> {
    connection
        .prepare_cached("UPDATE numbers SET reserved = ?1, in_order = ?2")?
        .execute(params![signed(last), in_order])
        .map(drop)
}

/// The same, in a commit of its own that survives a power cut whatever the log's readings survive: what a power cut takes
/// from the log may have been given out, and its number must not be given out again. It goes into the database itself, so that not
/// even a write-ahead log that is lost takes it along.
pub(super) fn reserve_for_good(connection: &Connection, last: u64) -> rusqlite::Result<()> {
    let usual: i64 = connection.pragma_query_value(None, SYNCHRONOUS, |row| row.get(0))?;
    connection.pragma_update(None, SYNCHRONOUS, "FULL")?;
    let reserved = reserve(connection, last, false);
    // A reader may keep it from going all the way: it is in the write-ahead log as well.
    let _checkpointed = connection.execute_batch("PRAGMA wal_checkpoint(PASSIVE);").is_ok();
    connection.pragma_update(None, SYNCHRONOUS, usual)?;
    reserved
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Survives;
    use crate::log::{query, schema};

    #[test]
    fn setting_numbers_aside_leaves_the_log_as_quick_as_it_was() {
        for (survives, expected) in [(Survives::Crash, 1), (Survives::PowerCut, 2)] {
            let folder = tempfile::tempdir().unwrap();
            let connection = schema::open(&folder.path().join("log.sqlite"), survives).unwrap();
            reserve_for_good(&connection, 70).unwrap();
            assert_eq!(query::reserved(&connection).unwrap(), 70);
            let synchronous: i64 =
                connection.pragma_query_value(None, SYNCHRONOUS, |row| row.get(0)).unwrap();
            assert_eq!(synchronous, expected, "{survives:?}");
        }
    }
}
