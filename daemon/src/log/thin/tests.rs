use std::collections::BTreeMap;

use proptest::prelude::*;
use rusqlite::Connection;
use settled_protocol::bins::BinsParams;

use super::*;
use crate::config::Survives;
use crate::log::{bins, schema};

const SPAN_NS: i64 = 600_000_000_000;

/// A multiple of the span.
const START_NS: i64 = 1_735_689_600_000_000_000;

/// A log with readings of a minute each, in two runs (the second isn't over) and in none, with spectra, some dark, of two meters.
fn log(folder: &tempfile::TempDir, readings: i64) -> Connection {
    let connection = schema::open(&folder.path().join("log.sqlite"), Survives::Crash).unwrap();
    connection
        .execute_batch(&format!(
            "INSERT INTO meters (name) VALUES ('m'), ('other'); INSERT INTO boots (name) VALUES ('b');
             INSERT INTO runs (meter, state, document) VALUES (1, 'done', '{{}}'), (1, 'running', '{{}}'), (1, 'done', '{{}}');
             WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < {readings})
             INSERT INTO readings (meter, boot, at_ns, t_s, began_s, illuminance, value, x, z, coloured, temperature_c, flags)
                SELECT 1 + (i % 5 = 0), 1, {START_NS} + i * 60000000000, i * 60, i * 60, 0, 100 + i % 7, 90 + i % 7, 110 + i % 7,
                    i % 3 > 0, iif(i % 2, 30 + i % 4, NULL), iif(i % 50 = 7, 'simulated dark', 'simulated') FROM n;
             INSERT INTO run_readings SELECT 1, sequence, at_ns FROM readings WHERE sequence % 4 = 0;
             INSERT INTO run_readings SELECT 3, sequence, at_ns FROM readings WHERE sequence % 8 = 0;
             INSERT INTO run_readings SELECT 2, sequence, at_ns FROM readings WHERE sequence % 100 = 2;
             INSERT INTO spectra SELECT sequence, 380, 10, zeroblob(400) FROM readings WHERE sequence % 2 = 0;"
        ))
        .unwrap();
    connection
}

fn number(connection: &Connection, text: &str) -> i64 {
    connection.query_row(text, [], |row| row.get(0)).unwrap()
}

/// What `log.bins` says, in spans that both readings and bins fit: but for what rounding does to it, thinning must not change it.
fn told(connection: &Connection, params: &BinsParams) -> Vec<(u64, u64, u64, u64, String)> {
    let wanted = bins::check(params.clone()).unwrap();
    let page = bins::page(connection, &wanted).unwrap();
    assert_eq!(page.next, None);
    let figures = |bin: &settled_protocol::bins::Bin| {
        let colour = bin.chromaticity.map(|colour| (colour.x(), colour.y()));
        format!(
            "{:.9} {:.9} {} {} {:.9?} {:.9?} {:?}",
            bin.mean,
            bin.sd.unwrap_or(-1.0),
            bin.min,
            bin.max,
            colour,
            bin.temperature_c,
            bin.flags
        )
    };
    page.bins.iter().map(|bin| (bin.at.unix_ns(), bin.count, bin.first, bin.last, figures(bin))).collect()
}

fn questions() -> Vec<BinsParams> {
    let of = |meter: Option<&str>, run| BinsParams {
        meter: meter.map(str::to_owned),
        run,
        every_s: Some(3600.0),
        ..BinsParams::default()
    };
    vec![
        of(Some("m"), None),
        of(Some("other"), None),
        of(None, Some(1)),
        of(None, Some(2)),
        of(None, Some(3)),
    ]
}

/// Steps to the end, or so many of them.
fn thin_all(connection: &mut Connection, before_ns: i64, most: usize) -> Thinned {
    let (mut all, mut place) = (Thinned::default(), Some(Mark::default()));
    for _ in 0..most {
        let Some(at) = place else { break };
        let step =
            thin(connection, &Order { before_ns, span_ns: SPAN_NS, through: i64::MAX, place: at }).unwrap();
        let looked_at = step.readings + step.dark + step.held;
        assert!(looked_at <= ROWS as u64, "{step:?}");
        all.readings += step.readings;
        all.dark += step.dark;
        all.held += step.held;
        all.bins += step.bins;
        place = step.place;
    }
    all
}

#[test]
fn what_is_thinned_is_told_as_before_and_what_is_not_to_be_thinned_is_left() {
    let folder = tempfile::tempdir().unwrap();
    let mut connection = log(&folder, 2000);
    let before: Vec<_> = questions().iter().map(|params| told(&connection, params)).collect();
    let border = START_NS + 150 * SPAN_NS;
    let young = number(&connection, &format!("SELECT count(*) FROM readings WHERE at_ns >= {border}"));
    let dark = number(
        &connection,
        &format!(
            "SELECT count(*) FROM readings WHERE at_ns < {border} AND flags LIKE '%dark%' AND sequence % 100 <> 2"
        ),
    );
    let thinned = thin_all(&mut connection, border, usize::MAX);
    let after: Vec<_> = questions().iter().map(|params| told(&connection, params)).collect();
    assert_eq!(after, before);
    let held = number(&connection, &format!("SELECT count(*) FROM readings WHERE at_ns < {border}"));
    assert!(young > 0 && held > 0 && dark > 0 && thinned.bins > 0, "{young} {held} {dark} {thinned:?}");
    assert_eq!((thinned.held as i64, thinned.dark as i64), (held, dark));
    assert_eq!(number(&connection, "SELECT sum(count) FROM bins"), thinned.readings as i64);
    assert_eq!(number(&connection, "SELECT count(*) FROM bins"), thinned.bins as i64);
    assert_eq!(thinned.readings as i64 + dark + held + young, 2000);
    // A spectrum, and a place in a run, go with the reading.
    for left in [
        "SELECT count(*) FROM spectra WHERE sequence NOT IN (SELECT sequence FROM readings)",
        "SELECT count(*) FROM run_readings WHERE sequence NOT IN (SELECT sequence FROM readings)",
        "SELECT count(*) FROM bins WHERE flags LIKE '%dark%'",
    ] {
        assert_eq!(number(&connection, left), 0, "{left}");
    }
    assert_eq!(
        thin_all(&mut connection, border, usize::MAX),
        Thinned { held: held as u64, ..Thinned::default() }
    );
    // Once the run is over its readings join the bins that are there, or make new ones of their own.
    connection.execute_batch("UPDATE runs SET state = 'done'").unwrap();
    assert_eq!(thin_all(&mut connection, border, usize::MAX).readings as i64, held);
    let after: Vec<_> = questions().iter().map(|params| told(&connection, params)).collect();
    assert_eq!(after, before);
}

#[test]
fn readings_with_a_higher_number_than_is_said_stay() {
    let folder = tempfile::tempdir().unwrap();
    let mut connection = log(&folder, 1000);
    connection.execute_batch("UPDATE runs SET state = 'done'").unwrap();
    let mut place = Some(Mark::default());
    while let Some(at) = place {
        let order = Order { before_ns: i64::MAX, span_ns: SPAN_NS, through: 600, place: at };
        place = thin(&mut connection, &order).unwrap().place;
    }
    assert_eq!(number(&connection, "SELECT min(sequence) FROM readings"), 601);
    assert_eq!(number(&connection, "SELECT count(*) FROM readings"), 400);
}

#[test]
fn a_bin_of_more_readings_than_a_commit_takes_becomes_one_all_the_same() {
    let folder = tempfile::tempdir().unwrap();
    let mut connection = schema::open(&folder.path().join("log.sqlite"), Survives::Crash).unwrap();
    connection
        .execute_batch(&format!(
            "INSERT INTO meters (name) VALUES ('m'); INSERT INTO boots (name) VALUES ('b');
             WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n WHERE i < 1499)
             INSERT INTO readings (meter, boot, at_ns, t_s, began_s, illuminance, value, coloured, flags)
                SELECT 1, 1, {START_NS} + i * 400000000, 5 + i * 0.4, 0, 0, i, 0, '' FROM n;"
        ))
        .unwrap();
    let thinned = thin_all(&mut connection, i64::MAX, usize::MAX);
    assert_eq!((thinned.readings, thinned.bins), (1500, 1));
    let row = connection
        .query_row("SELECT count, mean, squares, t_s, first, last FROM bins", [], |row| {
            Ok((
                row.get::<_, i64>(0)?,
                row.get::<_, f64>(1)?,
                row.get::<_, f64>(2)?,
                row.get::<_, f64>(3)?,
                row.get::<_, i64>(4)?,
                row.get::<_, i64>(5)?,
            ))
        })
        .unwrap();
    // Of 0 to n − 1 the squares sum up to n(n² − 1)/12.
    let squares = 1500.0 * (1500.0 * 1500.0 - 1.0) / 12.0;
    assert_eq!((row.0, row.4, row.5), (1500, 1, 1500));
    assert!(
        (row.1 - 749.5).abs() < 1e-9 && (row.2 / squares - 1.0).abs() < 1e-12 && (row.3 - 304.8).abs() < 1e-9,
        "{row:?}"
    );
}

#[test]
fn where_utc_was_set_back_the_two_stretches_of_one_span_stay_apart_on_the_boot_clock() {
    let folder = tempfile::tempdir().unwrap();
    let mut connection = schema::open(&folder.path().join("log.sqlite"), Survives::Crash).unwrap();
    connection
        .execute_batch(&format!(
            "INSERT INTO meters (name) VALUES ('m'); INSERT INTO boots (name) VALUES ('b');
             WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n WHERE i < 19)
             INSERT INTO readings (meter, boot, at_ns, t_s, began_s, illuminance, value, coloured, flags)
                SELECT 1, 1, {START_NS} + i % 10 * 60000000000, iif(i < 10, 0, 86400) + i % 10 * 60, 0, 0, 5, 0, '' FROM n;"
        ))
        .unwrap();
    thin_all(&mut connection, i64::MAX, usize::MAX);
    let times: Vec<(f64, i64)> = connection
        .prepare("SELECT t_s, count FROM bins ORDER BY first")
        .unwrap()
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))
        .unwrap()
        .collect::<rusqlite::Result<_>>()
        .unwrap();
    assert_eq!(times, [(270.0, 10), (86_670.0, 10)]);
    let params = BinsParams { meter: Some("m".to_owned()), every_s: Some(600.0), ..BinsParams::default() };
    let counts: Vec<u64> = told(&connection, &params).iter().map(|bin| bin.1).collect();
    assert_eq!(counts, [20], "by UTC they are of one span");
}

#[test]
fn pages_of_what_was_thinned_are_used_again_before_the_file_grows() {
    let folder = tempfile::tempdir().unwrap();
    let mut connection = log(&folder, 5000);
    connection.execute_batch("UPDATE runs SET state = 'done'").unwrap();
    let pages = number(&connection, "SELECT page_count FROM pragma_page_count");
    thin_all(&mut connection, i64::MAX, usize::MAX);
    let free = number(&connection, "SELECT freelist_count FROM pragma_freelist_count");
    assert!(free > pages * 7 / 10, "{free} of {pages}");
    connection
        .execute_batch(&format!(
            "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 4000)
             INSERT INTO readings (meter, boot, at_ns, t_s, began_s, illuminance, value, x, z, coloured, temperature_c, flags)
                SELECT 1, 1, {START_NS} + i * 1000000000, i, i, 0, 1.5, 1.5, 1.5, 1, 30.5, 'simulated' FROM n;"
        ))
        .unwrap();
    assert_eq!(number(&connection, "SELECT page_count FROM pragma_page_count"), pages);
}

/// A copy of the log as a kill at this moment would leave it.
fn left(folder: &tempfile::TempDir, number: usize) -> Connection {
    let left = folder.path().join(format!("left-{number}.sqlite"));
    for end in ["", "-wal"] {
        let from = folder.path().join(format!("log.sqlite{end}"));
        std::fs::copy(from, format!("{}{end}", left.display())).unwrap();
    }
    schema::open(&left, Survives::Crash).unwrap()
}

#[test]
fn a_kill_between_any_two_steps_loses_nothing_and_the_next_daemon_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    let mut connection = log(&folder, 2000);
    let before: Vec<_> = questions().iter().map(|params| told(&connection, params)).collect();
    let (mut place, mut steps) = (Some(Mark::default()), 0);
    while let Some(at) = place {
        place = thin(
            &mut connection,
            &Order { before_ns: i64::MAX, span_ns: SPAN_NS, through: i64::MAX, place: at },
        )
        .unwrap()
        .place;
        steps += 1;
        let mut left = left(&folder, steps);
        let after = |connection: &Connection| {
            questions().iter().map(|params| told(connection, params)).collect::<Vec<_>>()
        };
        assert_eq!(after(&left), before, "after step {steps}");
        thin_all(&mut left, i64::MAX, usize::MAX);
        assert_eq!(after(&left), before, "and in the end");
        assert_eq!(number(&left, "SELECT count(*) FROM readings"), 20, "those of the run that isn't over");
    }
    assert!(steps > 8, "{steps}");
}

#[test]
fn a_step_that_fails_anywhere_leaves_the_log_as_it_was() {
    let folder = tempfile::tempdir().unwrap();
    let mut connection = log(&folder, 300);
    let rows = |connection: &Connection| -> BTreeMap<&str, i64> {
        ["readings", "spectra", "run_readings", "bins", "bin_runs"]
            .into_iter()
            .map(|table| (table, number(connection, &format!("SELECT count(*) FROM {table}"))))
            .collect()
    };
    let before = rows(&connection);
    let order = Order {
        before_ns: i64::MAX,
        span_ns: SPAN_NS,
        through: i64::MAX,
        place: Mark { meter: 1, ..Mark::default() },
    };
    for (event, table, nth) in [
        ("DELETE", "readings", 100),
        ("INSERT", "bins", 5),
        ("INSERT", "bin_runs", 3),
        ("DELETE", "run_readings", 20),
    ] {
        connection
            .execute_batch(&format!(
                "CREATE TABLE fuse (left INTEGER); INSERT INTO fuse VALUES ({nth});
                 CREATE TRIGGER blow BEFORE {event} ON {table} BEGIN
                     UPDATE fuse SET left = left - 1;
                     SELECT raise(ABORT, 'the disk is gone') WHERE (SELECT left FROM fuse) < 0;
                 END;"
            ))
            .unwrap();
        let error = thin(&mut connection, &order).unwrap_err();
        assert!(error.to_string().contains("the disk is gone"), "{error}");
        assert_eq!(rows(&connection), before, "{event} {table}");
        connection.execute_batch("DROP TRIGGER blow; DROP TABLE fuse;").unwrap();
    }
    assert!(thin(&mut connection, &order).unwrap().readings > 0);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn however_readings_lie_thinning_changes_nothing_that_bins_tell(
        readings in proptest::collection::vec((0_i64..7200, -5.0..500.0_f64, 0_u8..3, 0_u8..4, any::<bool>()), 1..400),
        cuts in proptest::collection::vec(0_i64..13, 1..4),
    ) {
        let folder = tempfile::tempdir().unwrap();
        let mut connection = log(&folder, 1);
        for (s, value, correction, run, dark) in readings {
            let (at_ns, correction) = (START_NS + s * 1_000_000_000, (correction > 0).then(|| format!("c{correction}")));
            let flags = if dark { "dark" } else { "shared" };
            let text = "INSERT INTO readings (meter, boot, at_ns, t_s, began_s, illuminance, value, coloured, flags, correction)
                VALUES (1, 1, ?1, ?2, ?2, 0, ?3, 0, ?4, ?5)";
            connection.execute(text, params![at_ns, s, value, flags, correction]).unwrap();
            let sequence = connection.last_insert_rowid();
            for run in [1, 3].into_iter().filter(|of| i64::from(run) & of == *of) {
                connection.execute("INSERT INTO run_readings VALUES (?1, ?2, ?3)", [run, sequence, at_ns]).unwrap();
            }
        }
        let before: Vec<_> = questions().iter().map(|params| told(&connection, params)).collect();
        for cut in cuts {
            thin_all(&mut connection, START_NS + cut * SPAN_NS, usize::MAX);
            let after: Vec<_> = questions().iter().map(|params| told(&connection, params)).collect();
            prop_assert_eq!(&after, &before);
        }
    }
}
