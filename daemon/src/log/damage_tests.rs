//! However a log is damaged, it opens, nothing panics, and every row that lies on a whole page is kept.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use proptest::prelude::*;
use rusqlite::Connection;
use rusqlite::types::Value;
use settled_protocol::log::{EventKind, ReadingsPage, Selection};
use settled_protocol::quantity::{Light, Photometric};
use settled_protocol::reading::Flag;
use settled_protocol::spectrum::Spectrum;
use settled_protocol::time::Timestamp;

use super::opening::Stamp;
use super::pages::Pages;
use super::*;

/// Readings of the log that is damaged: enough for pages above pages.
const READINGS: u64 = 400;

fn stamp() -> Stamp {
    let clock = Clock::system();
    Stamp { moment: clock.now(), boot: clock.boot().to_owned() }
}

/// A log with something in each of its tables that there is a way to fill, whose writer was killed: some of it is in its
/// write-ahead log, or all of that in the database.
fn log(folder: &Path, checkpointed: bool) -> PathBuf {
    let path = folder.join("log.sqlite");
    let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build().unwrap();
    let (log, written) = Log::open(path.clone(), Survives::Crash).unwrap();
    runtime.block_on(async {
        let clock = Clock::system();
        for index in 0..READINGS {
            let spectrum = (index % 40 == 7).then(|| Spectrum::new(380.0, 1.0, vec![0.25; 401]).unwrap());
            let spectrum = if index == 47 {
                Some(Spectrum::new(380.0, 0.1, vec![0.5; 2000]).unwrap())
            } else {
                spectrum
            };
            let draft = Reading {
                sequence: 0,
                meter: if index % 3 == 0 { "other" } else { "bench" }.to_owned(),
                at: Timestamp::from_unix_ns(1_795_629_600_123_456_789 + index * 1_000_000),
                t_s: 12.25 + index as f64,
                began_s: 11.75,
                boot: clock.boot().to_owned(),
                integration_s: Some(0.5),
                light: Light::amount(Photometric::Luminance, index as f64 / 7.0).unwrap(),
                spectrum,
                observer: None,
                bandwidth_nm: None,
                correction: None,
                temperature_c: None,
                runs: Vec::new(),
                flags: vec![Flag::Simulated],
            };
            log.append(draft).await.await.unwrap();
            if index % 4 == 0 {
                log.event(&clock, Happening::about(EventKind::StageShown, "bench", format!("shown {index}")))
                    .await;
            }
        }
        log.event(&clock, Happening::new(EventKind::ClockStep, "the last")).await;
        let zero = Zero {
            at: Timestamp::from_unix_ns(5),
            t_s: 1.0,
            boot: clock.boot().to_owned(),
            temperature_c: None,
        };
        log.keep_zero(zeros::tests::which("m", Some("1")), Some(zero)).await.await.unwrap();
    });
    if checkpointed {
        Connection::open(&path).unwrap().execute_batch("PRAGMA wal_checkpoint(PASSIVE)").unwrap();
    }
    let copy = folder.join("copy.sqlite");
    std::fs::copy(&path, &copy).unwrap();
    if !checkpointed {
        std::fs::copy(wal::beside(&path), wal::beside(&copy)).unwrap();
    }
    drop(log);
    written.wait();
    copy
}

/// Every row of a table, by its first column where that is a key.
fn rows(path: &Path, table: &str) -> BTreeMap<i64, Vec<Value>> {
    let connection = Connection::open(path).unwrap();
    let mut statement = connection.prepare(&format!("SELECT * FROM {table}")).unwrap();
    let columns = statement.column_count();
    let rows = statement.query_map([], |row| {
        (0..columns).map(|column| row.get(column)).collect::<rusqlite::Result<Vec<Value>>>()
    });
    let rows = rows.unwrap().map(Result::unwrap);
    rows.map(|row| match row[0] {
        Value::Integer(key) => (key, row),
        ref other => panic!("{other:?} is no key"),
    })
    .collect()
}

/// The keys of the readings on each leaf that holds some.
fn leaves(path: &Path) -> BTreeMap<u32, BTreeSet<i64>> {
    let pages = Pages::open(path).unwrap();
    let leaf = |number| {
        let content = pages.content(number).filter(|content| content.leaf)?;
        let keys: BTreeSet<i64> = content
            .records
            .iter()
            .filter(|record| record.values.len() == 17)
            .filter_map(|record| record.key)
            .collect();
        (!keys.is_empty()).then_some((number, keys))
    };
    (1..=pages.count).filter_map(leaf).collect()
}

fn damaged_files(folder: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    let named = |path: &PathBuf| {
        path.to_string_lossy().contains(".damaged-") && !path.to_string_lossy().ends_with("-wal")
    };
    entries.filter(named).collect()
}

/// Opens a damaged log as a daemon does, writes a reading to it, and gives what its readings are then, and what was told.
fn opened(path: &Path) -> (Vec<Reading>, Numbered, Option<String>) {
    // A daemon has had its log here.
    std::fs::write(schema::lock_path(path), "").unwrap();
    let (log, written) = Log::open(path.to_owned(), Survives::Crash).unwrap();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build().unwrap();
    let outcome = runtime.block_on(async {
        let mut readings = Vec::new();
        let mut after = None;
        loop {
            let page = whole(&log, after).await;
            (readings, after) = ([readings, page.readings].concat(), page.next);
            if after.is_none() {
                break;
            }
        }
        let draft = Reading {
            sequence: 0,
            runs: Vec::new(),
            ..readings.first().cloned().unwrap_or_else(crate::meter_task::plain_reading)
        };
        let mut next = log.append(draft.clone()).await.await.unwrap();
        // What is found as it is written goes out unlogged until the log is recovered.
        for _ in 0..400 {
            if next.durable {
                break;
            }
            tokio::time::sleep(std::time::Duration::from_millis(10)).await;
            let after = log.append(draft.clone()).await.await.unwrap();
            assert!(after.sequence > next.sequence);
            next = after;
        }
        let mut events = log.events_as(Selection::default(), |page| Ok(page.clone())).await;
        for _ in 0..400 {
            if events.is_ok() {
                break;
            }
            tokio::time::sleep(std::time::Duration::from_millis(10)).await;
            events = log.events_as(Selection::default(), |page| Ok(page.clone())).await;
        }
        let events = events.unwrap().events;
        let told = events.into_iter().find(|event| event.kind == EventKind::LogRecovered);
        (readings, next, told.map(|event| event.detail))
    });
    drop(log);
    written.wait();
    outcome
}

/// A page of readings, once the log can be read: who finds it damaged has it recovered.
async fn whole(log: &Log, after: Option<u64>) -> ReadingsPage {
    for _ in 0..400 {
        match log.readings(Selection { spectra: true, after, ..Selection::default() }).await {
            Ok(page) if log.status().writing => return page,
            _ => tokio::time::sleep(std::time::Duration::from_millis(10)).await,
        }
    }
    panic!("{:?}", log.readings(Selection { after, ..Selection::default() }).await)
}

fn sequences(readings: &[Reading]) -> BTreeSet<i64> {
    readings.iter().map(|reading| reading.sequence.cast_signed()).collect()
}

#[test]
fn a_page_that_is_lost_costs_its_own_rows_and_no_others() {
    let folder = tempfile::tempdir().unwrap();
    let path = log(folder.path(), true);
    let (leaves, whole, before) = (leaves(&path), std::fs::read(&path).unwrap(), rows(&path, "readings"));
    assert!(leaves.len() > 5 && before.len() == READINGS as usize, "{} leaves", leaves.len());
    let count = u32::try_from(whole.len() / 4096).unwrap();
    for (lost, fill) in (1..=count).zip([0_u8, 0xa5].into_iter().cycle()) {
        let place = folder.path().join(format!("{lost}"));
        std::fs::create_dir(&place).unwrap();
        let path = place.join("log.sqlite");
        let mut bytes = whole.clone();
        let at = (lost as usize - 1) * 4096;
        bytes[at..at + 4096].fill(fill);
        std::fs::write(&path, &bytes).unwrap();
        let told = recovery::recover(&path, "a test", &stamp()).unwrap();
        let after = rows(&path, "readings");
        let here = leaves.get(&lost).cloned().unwrap_or_default();
        for (key, row) in &before {
            assert!(here.contains(key) || after.get(key) == Some(row), "page {lost}: {key} is lost");
        }
        assert_eq!(after.len(), before.len() - here.len(), "page {lost}");
        if let Some((first, last)) = here.first().zip(here.last()) {
            let words = format!("{first} to {last}");
            assert!(told.detail.contains(&words), "{words}: {}", told.detail);
        }
        let [aside] = damaged_files(&place).try_into().unwrap();
        assert!(std::fs::read(aside).unwrap() == bytes, "what is set aside is what there was");
        let (readings, next, _) = opened(&path);
        assert_eq!(sequences(&readings), after.keys().copied().collect());
        assert!(next.durable && next.sequence > 1_000_000, "page {lost}: {next:?}");
    }
}

#[test]
fn cut_at_any_byte_a_log_opens_and_keeps_what_is_left() {
    let folder = tempfile::tempdir().unwrap();
    let path = log(folder.path(), true);
    let (whole, leaves) = (std::fs::read(&path).unwrap(), leaves(&path));
    let cuts =
        [0, 1, 15, 99, 100, 101, 512, 4095, 4096, 4097, 8192, 20_000, whole.len() / 2 + 17, whole.len() - 1];
    for cut in cuts {
        let path = folder.path().join(format!("cut-{cut}.sqlite"));
        std::fs::write(&path, &whole[..cut]).unwrap();
        let (readings, next, told) = opened(&path);
        let kept: BTreeSet<i64> = leaves
            .iter()
            .filter(|(page, _)| **page as usize * 4096 <= cut)
            .flat_map(|(_, keys)| keys.clone())
            .collect();
        assert!(sequences(&readings).is_superset(&kept), "cut at {cut}: {told:?}");
        assert!(next.durable && told.is_some() == (cut > 0), "cut at {cut}: {told:?}");
        assert!(cut == 0 || next.sequence > READINGS, "cut at {cut}: {next:?}");
    }
}

#[test]
fn a_frame_of_the_write_ahead_log_that_is_damaged_takes_none_of_those_behind_it_along() {
    let folder = tempfile::tempdir().unwrap();
    let path = log(folder.path(), false);
    let wal = std::fs::read(wal::beside(&path)).unwrap();
    assert!((wal.len() - 32) / 4120 > 400, "{} bytes", wal.len());
    let salted = wal.clone();
    for at in [8, 20, 32 + 4120 * 30 + 5000, 32 + 4120 * 200 + 100, 32 + 4120 * 300 + 18] {
        let path = folder.path().join(format!("flipped-{at}.sqlite"));
        std::fs::copy(folder.path().join("copy.sqlite"), &path).unwrap();
        let mut bytes = salted.clone();
        bytes[at] ^= 0x10;
        std::fs::write(wal::beside(&path), &bytes).unwrap();
        let (readings, next, told) = opened(&path);
        let told = told.unwrap();
        // A page in one of its earlier versions, at worst: at the end every one was written anew.
        assert!(readings.len() as u64 >= READINGS - 60, "{at}: {} readings: {told}", readings.len());
        assert_eq!(readings.last().unwrap().sequence, READINGS, "{at}: {told}");
        assert!(next.durable && next.sequence > 1_000_000, "{at}: {next:?}");
    }
}

#[test]
fn a_write_ahead_log_that_ends_anywhere_costs_what_was_behind_its_end_and_is_no_damage() {
    let folder = tempfile::tempdir().unwrap();
    let path = log(folder.path(), false);
    let wal = std::fs::read(wal::beside(&path)).unwrap();
    let mut before = 0;
    for part in 1..=40 {
        let cut = wal.len() * part / 40 - 7 * (part % 3);
        let path = folder.path().join(format!("cut-{part}.sqlite"));
        std::fs::copy(folder.path().join("copy.sqlite"), &path).unwrap();
        // What a disk that was cut off leaves behind the end is anything.
        let tail = vec![0x5a_u8; 97 * part];
        std::fs::write(wal::beside(&path), [&wal[..cut], &tail].concat()).unwrap();
        let (readings, next, told) = opened(&path);
        assert_eq!(told, None, "cut at {cut}");
        assert!(readings.len() >= before && next.durable, "cut at {cut}");
        assert_eq!(sequences(&readings), (1..=readings.len() as i64).collect(), "cut at {cut}");
        assert!(next.sequence > 1_000_000, "what was set aside is in the database itself: {next:?}");
        before = readings.len();
    }
    assert!(before as u64 > READINGS - 20, "{before}");
}

#[test]
fn without_its_write_ahead_log_a_log_opens_and_no_number_is_given_out_again() {
    let folder = tempfile::tempdir().unwrap();
    let path = log(folder.path(), false);
    std::fs::remove_file(wal::beside(&path)).unwrap();
    // What a mapping of another write-ahead log leaves is nothing to it.
    std::fs::write(folder.path().join("copy.sqlite-shm"), vec![0x77; 32_768]).unwrap();
    let (_, next, told) = opened(&path);
    assert!(next.durable && next.sequence > 1_000_000, "{next:?}");
    assert_eq!(told, None);
}

#[test]
fn what_was_cut_off_while_it_was_recovered_is_finished_or_begun_anew() {
    let folder = tempfile::tempdir().unwrap();
    let whole = log(folder.path(), true);
    let path = folder.path().join("log2.sqlite");
    let named = |end: &str| folder.path().join(format!("log2.sqlite{end}"));
    // Half made: begun anew.
    std::fs::copy(&whole, &path).unwrap();
    let mut bytes = std::fs::read(&path).unwrap();
    bytes[0..16].fill(0);
    std::fs::write(&path, &bytes).unwrap();
    std::fs::write(named(".recovering"), "half").unwrap();
    let (readings, _, told) = opened(&path);
    assert_eq!(
        (readings.len() as u64, told.is_some(), named(".recovering").exists()),
        (READINGS, true, false)
    );
    // Complete, and neither moved yet; then the old one moved.
    for moved in [false, true] {
        std::fs::rename(&path, named(".recovered")).unwrap();
        if !moved {
            std::fs::write(&path, &bytes).unwrap();
            std::fs::write(named("-wal"), "torn").unwrap();
        }
        let (readings, next, _) = opened(&path);
        assert!(readings.len() as u64 >= READINGS && next.durable);
        assert!(!named(".recovered").exists());
    }
}

#[test]
fn what_never_was_a_log_is_neither_touched_nor_moved() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("letters.txt");
    std::fs::write(&path, "Dear customer,\n".repeat(2000)).unwrap();
    for _ in 0..2 {
        assert!(matches!(Log::open(path.clone(), Survives::Crash), Err(OpenError::NotOurs)));
    }
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, ..ProptestConfig::default() })]

    #[test]
    fn whatever_bytes_are_damaged_a_log_opens_and_goes_on(
        flips in proptest::collection::vec((0.0..1.0, any::<u8>()), 1..12),
        header in proptest::option::of((0_usize..100, 1_u8..)),
    ) {
        static WHOLE: std::sync::OnceLock<Vec<u8>> = std::sync::OnceLock::new();
        let whole = WHOLE.get_or_init(|| {
            let folder = tempfile::tempdir().unwrap();
            std::fs::read(log(folder.path(), true)).unwrap()
        });
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("log.sqlite");
        let mut bytes = whole.clone();
        let mut pages = BTreeSet::new();
        for (place, byte) in flips {
            let at = (place * bytes.len() as f64) as usize;
            bytes[at] ^= byte;
            pages.insert(u32::try_from(at / 4096 + 1).unwrap());
        }
        if let Some((at, byte)) = header {
            bytes[at] ^= byte;
        }
        std::fs::write(&path, &bytes).unwrap();
        let (readings, next, told) = opened(&path);
        prop_assert!(next.durable);
        // Where it was recovered, rows on whole pages are there. Where nothing was noticed, SQLite reads it as it is.
        if told.is_some() {
            static LEAVES: std::sync::OnceLock<BTreeMap<u32, BTreeSet<i64>>> = std::sync::OnceLock::new();
            let leaves = LEAVES.get_or_init(|| {
                let folder = tempfile::tempdir().unwrap();
                let path = folder.path().join("whole.sqlite");
                std::fs::write(&path, whole).unwrap();
                leaves(&path)
            });
            let found = sequences(&readings);
            for (page, keys) in leaves {
                prop_assert!(pages.contains(page) || found.is_superset(keys), "page {page}: {told:?}");
            }
        }
    }
}
