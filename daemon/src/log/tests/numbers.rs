//! Numbers of readings, whatever becomes of the log.

use super::*;

fn set_failing(path: &std::path::Path, failing: bool) {
    let sql =
        if failing { "ALTER TABLE readings RENAME TO away" } else { "ALTER TABLE away RENAME TO readings" };
    rusqlite::Connection::open(path).unwrap().execute_batch(sql).unwrap();
}

async fn next_number(log: &Log) -> Option<Numbered> {
    log.append(draft("bench", white(), Vec::new())).await.await.ok()
}

#[tokio::test]
async fn a_number_that_was_given_out_unlogged_is_not_given_out_again_after_a_kill() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("log.sqlite");
    let (log, _written) = Log::open(path.clone(), Survives::PowerCut).unwrap();
    assert!(next_number(&log).await.unwrap().durable);
    set_failing(&path, true);
    let unlogged = next_number(&log).await.unwrap();
    assert_eq!((unlogged.sequence, unlogged.durable), (2, false));
    assert!(!log.status().writing && log.status().reason.unwrap().contains("unlogged"));
    set_failing(&path, false);
    // What a kill at this moment would leave.
    let left = folder.path().join("left.sqlite");
    for end in ["", "-wal"] {
        let of = |path: &std::path::Path| format!("{}{end}", path.display());
        std::fs::copy(of(&path), of(&left)).unwrap();
    }
    let next = next_number(&Log::open(left, Survives::PowerCut).unwrap().0).await.unwrap();
    assert!(next.durable && next.sequence > 2, "{next:?}");
    // The one that lives on has no gap to leave.
    let next = next_number(&log).await.unwrap();
    assert_eq!((next.sequence, next.durable, log.status().writing), (3, true, true));
}

#[tokio::test]
async fn where_no_numbers_can_be_set_aside_those_of_the_clock_are_given_out_and_the_log_goes_on_above_them() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("log.sqlite");
    let (log, _written) = Log::open(path.clone(), Survives::Crash).unwrap();
    let execute = |sql| rusqlite::Connection::open(&path).unwrap().execute_batch(sql).unwrap();
    execute("ALTER TABLE numbers RENAME TO away");
    let before = Clock::system().machine_us();
    let unlogged = next_number(&log).await.unwrap();
    assert!(!unlogged.durable && unlogged.sequence > before, "{unlogged:?}");
    assert!(log.status().reason.unwrap().contains("unlogged"));
    execute("ALTER TABLE away RENAME TO numbers");
    let next = next_number(&log).await.unwrap();
    assert!(next.durable && next.sequence > unlogged.sequence, "{next:?}");
    assert_eq!((log.status().writing, log.status().unlogged), (true, 1));
}

#[tokio::test]
async fn numbers_are_set_aside_in_a_commit_of_their_own_before_the_first_is_given_out() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("log.sqlite");
    let (log, _written) = Log::open(path.clone(), Survives::Crash).unwrap();
    set_failing(&path, true);
    let first = next_number(&log).await.unwrap();
    assert_eq!((first.sequence, first.durable), (1, false));
    let reserved = query::reserved(&schema::open_to_read(&path).unwrap()).unwrap();
    assert!(reserved > crate::log::numbers::BLOCK / 2, "{reserved}");
}

#[tokio::test]
async fn without_its_writer_the_log_says_so_and_gives_no_number_twice() {
    let folder = tempfile::tempdir().unwrap();
    let (log, _written) = Log::open(folder.path().join("log.sqlite"), Survives::Crash).unwrap();
    assert_eq!(next_number(&log).await.unwrap().sequence, 1);
    let mut orphan = log.clone();
    orphan.file.as_mut().unwrap().entries = mpsc::channel(1).0;
    let status = orphan.status();
    assert!(!status.writing && status.reason.unwrap().contains("writer has ended"));
    let unlogged = next_number(&orphan).await.unwrap();
    assert_eq!((unlogged.sequence, unlogged.durable), (2, false));
    assert_eq!(next_number(&log).await.unwrap().sequence, 3);
}
