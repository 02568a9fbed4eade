use proptest::prelude::*;
use settled_protocol::colorimetry::observer::Observer;
use settled_protocol::line::LONGEST_LINE;
use settled_protocol::quantity::{Chromaticity, Light, Photometric, Xyz};
use settled_protocol::reading::Flag;
use settled_protocol::spectrum::{MOST_VALUES, Spectrum};
use settled_protocol::time::Timestamp;

use super::*;
use settled_protocol::log::{EventKind, ReadingsPage, Selection};

mod numbers;
mod spectra;

fn draft(meter: &str, light: Light, flags: Vec<Flag>) -> Reading {
    Reading {
        sequence: 0,
        meter: meter.to_owned(),
        at: Timestamp::from_unix_ns(1_795_629_600_123_456_789),
        t_s: 12.25,
        began_s: 11.75,
        boot: "boot".to_owned(),
        integration_s: Some(0.5),
        light,
        spectrum: None,
        observer: None,
        bandwidth_nm: None,
        correction: None,
        temperature_c: Some(31.5),
        runs: Vec::new(),
        flags,
    }
}

fn white() -> Light {
    let d65 = Chromaticity::from_xy(0.3127, 0.329).unwrap();
    Light::colour(Photometric::Luminance, Xyz::from_chromaticity(d65, 203.0).unwrap())
}

#[tokio::test]
async fn what_is_logged_comes_back_the_same_after_reopening() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("deep/log.sqlite");
    let (log, written) = Log::open(path.clone(), Survives::PowerCut).unwrap();
    let mut expected = Vec::new();
    let lights =
        [white(), white().without_chromaticity(), Light::amount(Photometric::Illuminance, -0.25).unwrap()];
    for light in lights {
        let draft = draft("bench", light, vec![Flag::Simulated, Flag::Shared]);
        let number = log.append(draft.clone()).await.await.unwrap();
        assert!(number.durable);
        expected.push(numbered(draft, number));
    }
    drop(log);
    written.wait();
    let (log, _written) = Log::open(path, Survives::PowerCut).unwrap();
    let page = log.readings(Selection::default()).await.unwrap();
    assert_eq!(page, ReadingsPage { readings: expected, next: None });
    assert_eq!(log.append(draft("bench", white(), Vec::new())).await.await.unwrap().sequence, 4);
}

#[tokio::test]
async fn pages_follow_one_another_without_gap_or_repeat() {
    let folder = tempfile::tempdir().unwrap();
    let (log, _written) = Log::open(folder.path().join("log.sqlite"), Survives::Crash).unwrap();
    for index in 0..25 {
        let meter = if index % 2 == 0 { "even" } else { "odd" };
        log.append(draft(meter, white(), Vec::new())).await.await.unwrap();
    }
    let mut selection = Selection { meter: Some("even".to_owned()), limit: Some(5), ..Selection::default() };
    let mut sequences = Vec::new();
    loop {
        let page = log.readings(selection.clone()).await.unwrap();
        sequences.extend(page.readings.iter().map(|reading| reading.sequence));
        let Some(next) = page.next else { break };
        selection.after = Some(next);
    }
    assert_eq!(sequences, (1..=25).step_by(2).collect::<Vec<u64>>());
    let nobody = Selection { meter: Some("nobody".to_owned()), ..Selection::default() };
    assert_eq!(log.readings(nobody).await.unwrap().readings, []);
}

#[tokio::test]
async fn a_selection_that_makes_no_sense_is_refused() {
    let log = Log::off();
    for limit in [0, 1001] {
        let error = log.readings(Selection { limit: Some(limit), ..Selection::default() }).await.unwrap_err();
        assert_eq!(error.kind(), ErrorKind::InvalidParams);
    }
    assert_eq!(log.readings(Selection::default()).await.unwrap_err().kind(), ErrorKind::LogUnavailable);
}

#[tokio::test]
async fn events_keep_their_kind_and_meter() {
    let folder = tempfile::tempdir().unwrap();
    let (log, _written) = Log::open(folder.path().join("log.sqlite"), Survives::Crash).unwrap();
    let clock = Clock::system();
    log.event(&clock, Happening::new(EventKind::DaemonStarted, "started")).await;
    log.event(&clock, Happening::about(EventKind::MeterGone, "bench", "unplugged")).await;
    // Rows are written in order: once this is acknowledged, the events are there.
    log.append(draft("bench", white(), Vec::new())).await.await.unwrap();
    let events = log.events_as(Selection::default(), |page| Ok(page.clone())).await.unwrap().events;
    let seen: Vec<_> = events.iter().map(|event| (event.kind, event.meter.as_deref())).collect();
    assert_eq!(seen, [(EventKind::DaemonStarted, None), (EventKind::MeterGone, Some("bench"))]);
}

#[tokio::test]
async fn a_run_whose_row_was_lost_keeps_nothing_from_being_written() {
    let folder = tempfile::tempdir().unwrap();
    let (log, _written) = Log::open(folder.path().join("log.sqlite"), Survives::Crash).unwrap();
    let clock = Clock::system();
    log.event(&clock, Happening::about(EventKind::RunGap, "bench", "a gap").of_run(7)).await;
    let of_run = Reading { runs: vec![7], ..draft("bench", white(), Vec::new()) };
    assert!(log.append(of_run).await.await.unwrap().durable);
    let events = log.events_as(Selection::default(), |page| Ok(page.clone())).await.unwrap().events;
    assert_eq!((events.len(), events[0].kind, events[0].run), (1, EventKind::RunGap, None));
    assert_eq!(log.readings(Selection::default()).await.unwrap().readings[0].runs, Vec::<u64>::new());
    assert!(log.status().writing);
}

#[test]
fn another_programs_database_is_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("other.sqlite");
    rusqlite::Connection::open(&path).unwrap().execute_batch("CREATE TABLE recipes (name TEXT)").unwrap();
    assert!(matches!(Log::open(path, Survives::Crash), Err(OpenError::NotOurs)));
}

/// Makes every further commit of readings fail, or mends that.
#[test]
fn two_daemons_never_write_one_log_by_whatever_name_they_know_it() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a/log.sqlite");
    let _first = Log::open(path.clone(), Survives::Crash).unwrap();
    std::os::unix::fs::symlink(folder.path().join("a"), folder.path().join("b")).unwrap();
    std::os::unix::fs::symlink(&path, folder.path().join("c.sqlite")).unwrap();
    for name in ["a/log.sqlite", "b/log.sqlite", "c.sqlite"] {
        let error = Log::open(folder.path().join(name), Survives::Crash).unwrap_err();
        let process = format!("process {}", std::process::id());
        assert!(error.to_string().contains(&process), "{name}: {error}");
    }
}

#[test]
fn a_log_that_isnt_there_yet_is_locked_by_its_own_name_and_not_by_that_of_a_link_to_it() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("log.sqlite");
    for link in ["a.sqlite", "b.sqlite"] {
        std::os::unix::fs::symlink(&path, folder.path().join(link)).unwrap();
    }
    let _first = Log::open(folder.path().join("a.sqlite"), Survives::Crash).unwrap();
    for name in ["b.sqlite", "log.sqlite"] {
        let error = Log::open(folder.path().join(name), Survives::Crash).unwrap_err();
        assert!(matches!(error, OpenError::Lock(_)), "{name}: {error}");
    }
}

#[tokio::test]
async fn queries_that_were_taken_back_keep_their_places_until_they_end() {
    static RUNNING: AtomicU64 = AtomicU64::new(0);
    static MOST: AtomicU64 = AtomicU64::new(0);
    fn slow(connection: &rusqlite::Connection, _: &Selection) -> rusqlite::Result<()> {
        MOST.fetch_max(RUNNING.fetch_add(1, Ordering::SeqCst) + 1, Ordering::SeqCst);
        // Counting a million takes a while.
        let count = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n LIMIT 1000000) SELECT count(*) FROM n";
        let counted = connection.query_row(count, [], |_| Ok(()));
        RUNNING.fetch_sub(1, Ordering::SeqCst);
        counted
    }
    let folder = tempfile::tempdir().unwrap();
    let (log, _written) = Log::open(folder.path().join("log.sqlite"), Survives::Crash).unwrap();
    for _ in 0..40 {
        let query = log.query(Selection::default(), slow);
        // Taken back as soon as it has had a chance to begin.
        let _taken_back = tokio::time::timeout(std::time::Duration::from_millis(2), query).await.is_err();
    }
    log.query(Selection::default(), slow).await.unwrap();
    assert!(MOST.load(Ordering::SeqCst) <= QUERIES as u64, "{MOST:?} at once");
}

#[tokio::test]
async fn whoever_goes_through_long_stretches_leaves_places_for_pages() {
    let folder = tempfile::tempdir().unwrap();
    let (log, _written) = Log::open(folder.path().join("log.sqlite"), Survives::Crash).unwrap();
    assert!(log.append(draft("bench", white(), Vec::new())).await.await.unwrap().durable);
    let mut places = Vec::new();
    for _ in 0..FIGURES {
        places.push(log.place().await.unwrap());
    }
    let params = || serde_json::from_value(serde_json::json!({"meter": "bench"})).unwrap();
    let figures = log.statistics_as(params(), |statistics| Ok(statistics.count));
    tokio::pin!(figures);
    let page = tokio::select! {
        biased;
        count = &mut figures => panic!("{count:?} had no place"),
        page = log.readings(Selection::default()) => page.unwrap(),
    };
    assert_eq!(page.readings.len(), 1);
    places.pop();
    assert_eq!(figures.await.unwrap(), 1);
}

#[tokio::test]
async fn a_span_of_time_is_found_even_where_utc_was_set_back() {
    let folder = tempfile::tempdir().unwrap();
    let (log, _written) = Log::open(folder.path().join("log.sqlite"), Survives::Crash).unwrap();
    for ns in [10, 20, 30, 15, 25, 35, 12] {
        let at = Timestamp::from_unix_ns(ns);
        log.append(Reading { at, ..draft("bench", white(), Vec::new()) }).await.await.unwrap();
    }
    let span = |since, until, after| Selection {
        since: Some(Timestamp::from_unix_ns(since)),
        until: Some(Timestamp::from_unix_ns(until)),
        after,
        ..Selection::default()
    };
    for (selection, expected) in [
        (span(12, 21, None), vec![2, 4, 7]),
        (span(12, 21, Some(0)), vec![2, 4, 7]),
        (span(12, 21, Some(2)), vec![4, 7]),
        (span(12, 21, Some(3)), vec![4, 7]),
        (span(12, 21, Some(7)), vec![]),
        (span(30, 99, Some(1)), vec![3, 6]),
        (span(12, 21, Some(u64::MAX)), vec![]),
        (span(40, 50, Some(0)), vec![]),
        (span(21, 99, None), vec![3, 5, 6]),
        (span(40, 50, None), vec![]),
    ] {
        let page = log.readings(selection.clone()).await.unwrap();
        let found: Vec<u64> = page.readings.iter().map(|reading| reading.sequence).collect();
        assert_eq!(found, expected, "{selection:?}");
    }
}

#[tokio::test]
async fn the_readings_of_a_run_are_selected_by_time_and_place_as_others_are() {
    let folder = tempfile::tempdir().unwrap();
    let (log, _written) = Log::open(folder.path().join("log.sqlite"), Survives::Crash).unwrap();
    let sql = rusqlite::Connection::open(folder.path().join("log.sqlite")).unwrap();
    sql.execute_batch(
        "INSERT INTO meters (name) VALUES ('bench');
         INSERT INTO runs (meter, state, document) VALUES (1, 'running', '{}'), (1, 'running', '{}');",
    )
    .unwrap();
    // UTC was set back after the third.
    for (ns, runs) in
        [(10, vec![1]), (20, vec![]), (30, vec![1, 2]), (15, vec![2]), (25, vec![1, 2]), (35, vec![1])]
    {
        let at = Timestamp::from_unix_ns(ns);
        log.append(Reading { at, runs, ..draft("bench", white(), Vec::new()) }).await.await.unwrap();
    }
    let of = |run, since: Option<u64>, until: Option<u64>, after| Selection {
        run: Some(run),
        since: since.map(Timestamp::from_unix_ns),
        until: until.map(Timestamp::from_unix_ns),
        after,
        ..Selection::default()
    };
    for (selection, expected) in [
        (of(1, None, None, None), vec![1, 3, 5, 6]),
        (of(2, None, None, None), vec![3, 4, 5]),
        (of(1, Some(11), None, None), vec![3, 5, 6]),
        (of(1, Some(11), Some(31), None), vec![3, 5]),
        (of(1, Some(11), Some(31), Some(3)), vec![5]),
        (of(2, Some(1), Some(26), Some(1)), vec![4, 5]),
        (of(1, None, None, Some(2)), vec![3, 5, 6]),
        (of(1, Some(99), None, Some(0)), vec![]),
        (Selection { meter: Some("bench".to_owned()), ..of(2, Some(16), None, None) }, vec![3, 5]),
        (Selection { meter: Some("nobody".to_owned()), ..of(1, None, None, None) }, vec![]),
        (of(3, None, None, None), vec![]),
    ] {
        let page = log.readings(selection.clone()).await.unwrap();
        let found: Vec<u64> = page.readings.iter().map(|reading| reading.sequence).collect();
        assert_eq!(found, expected, "{selection:?}");
        let limited = Selection { limit: Some(1), ..selection };
        let page = log.readings(limited).await.unwrap();
        assert_eq!(page.next, expected.first().copied().filter(|_| expected.len() > 1));
    }
}

/// A reading with a spectrum of these values.
#[tokio::test]
async fn a_log_whose_disk_stalls_is_not_worked_through() {
    let folder = tempfile::tempdir().unwrap();
    let clock = Clock::system();
    let (log, _written) = Log::open(folder.path().join("log.sqlite"), Survives::Crash).unwrap();
    assert!(log.worked_through().await);
    let (goes_on, stalls) = std::sync::mpsc::channel::<()>();
    let (begun, begins) = tokio::sync::oneshot::channel();
    let then = Then::new(move |_| {
        begun.send(()).unwrap();
        assert!(stalls.recv().is_err());
    });
    log.keep(&clock, Change::Force("m".to_owned(), None), None, then).await;
    begins.await.unwrap();
    let marked = log.worked_through();
    tokio::pin!(marked);
    let soon = std::time::Duration::from_millis(200);
    assert!(tokio::time::timeout(soon, &mut marked).await.is_err(), "the writer hangs");
    drop(goes_on);
    assert!(marked.await);
}

#[tokio::test]
async fn what_the_writer_writes_down_by_itself_is_counted_like_all_else() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("log.sqlite");
    let file = LogFile { warn_below: u64::MAX, ..LogFile::default() };
    let (log, _written) = Log::begin(path.clone(), &file, Arc::new(Clock::system())).unwrap();
    let count = |kind| log.happened().find(|(of, _)| *of == kind).map(|(_, count)| count);
    assert!(log.append(draft("m", white(), Vec::new())).await.await.unwrap().durable);
    assert_eq!((count(EventKind::DiskLow), count(EventKind::LogFailed)), (Some(1), Some(0)));
    let other = rusqlite::Connection::open(&path).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    assert!(!log.append(draft("m", white(), Vec::new())).await.await.unwrap().durable);
    other.execute_batch("COMMIT").unwrap();
    assert!(log.append(draft("m", white(), Vec::new())).await.await.unwrap().durable);
    assert_eq!((count(EventKind::DiskLow), count(EventKind::LogFailed)), (Some(1), Some(1)));
}
