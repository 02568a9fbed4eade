use rusqlite::Connection;
use settled_protocol::bins::{BinsPage, BinsParams};
use settled_protocol::reading::Flag;
use settled_protocol::time::Timestamp;

use super::*;
use crate::config::Survives;
use crate::log::schema;

/// 2025-01-01T00:00:00Z, a multiple of every span here.
const START_NS: i64 = 1_735_689_600_000_000_000;

const S: i64 = 1_000_000_000;

fn log() -> (tempfile::TempDir, Connection) {
    let folder = tempfile::tempdir().unwrap();
    let connection = schema::open(&folder.path().join("log.sqlite"), Survives::Crash).unwrap();
    connection
        .execute_batch(
            "INSERT INTO meters (name) VALUES ('m'), ('other'); INSERT INTO boots (name) VALUES ('b');
             INSERT INTO runs (meter, state, document) VALUES (1, 'done', '{}'), (1, 'done', '{}');",
        )
        .unwrap();
    (folder, connection)
}

/// A reading so many seconds after the start; `more` are further columns with their values.
fn read(connection: &Connection, s: f64, value: f64, more: &[(&str, &str)]) -> i64 {
    let at_ns = START_NS + (s * 1e9) as i64;
    let mut row = vec![("meter", "1"), ("illuminance", "0"), ("flags", "'simulated'"), ("coloured", "0")];
    row.retain(|(name, _)| more.iter().all(|(other, _)| other != name));
    row.extend(more);
    let (names, values): (Vec<_>, Vec<_>) = row.into_iter().unzip();
    let text = format!(
        "INSERT INTO readings (boot, at_ns, t_s, began_s, value, {}) VALUES (1, {at_ns}, {s}, {s}, {value}, {})",
        names.join(", "),
        values.join(", ")
    );
    connection.execute_batch(&text).unwrap();
    connection.last_insert_rowid()
}

fn of_run(connection: &Connection, run: i64, sequence: i64) {
    let text = "INSERT INTO run_readings SELECT ?1, sequence, at_ns FROM readings WHERE sequence = ?2";
    connection.execute(text, [run, sequence]).unwrap();
}

fn params(every_s: f64) -> BinsParams {
    BinsParams { meter: Some("m".to_owned()), every_s: Some(every_s), ..BinsParams::default() }
}

fn at(s: i64) -> Timestamp {
    Timestamp::from_unix_ns((START_NS + s * S) as u64)
}

fn all(connection: &Connection, params: BinsParams) -> (Vec<Bin>, usize) {
    let (mut bins, mut pages, mut after) = (Vec::new(), 0, params.after);
    loop {
        let wanted = check(BinsParams { after, ..params.clone() }).unwrap();
        let BinsPage { bins: more, next } = page(connection, &wanted).unwrap();
        bins.extend(more);
        pages += 1;
        assert!(next.is_none() || next > after, "pages go on: {next:?}");
        after = next;
        if next.is_none() {
            return (bins, pages);
        }
    }
}

#[test]
fn a_bin_sums_up_its_readings_and_begins_at_a_multiple_of_its_length() {
    let (_folder, connection) = log();
    for (s, value) in [(3.0, 1.0), (4.0, 2.0), (59.999, 6.0), (60.0, 5.0), (200.0, 7.0)] {
        read(&connection, s, value, &[("temperature_c", "30 + 1")]);
    }
    let (bins, _) = all(&connection, params(60.0));
    let seen: Vec<_> = bins.iter().map(|bin| (bin.at, bin.count, bin.mean, bin.first, bin.last)).collect();
    assert_eq!(seen, [(at(0), 3, 3.0, 1, 3), (at(60), 1, 5.0, 4, 4), (at(180), 1, 7.0, 5, 5)]);
    let first = &bins[0];
    assert_eq!((first.span_s, first.min, first.max, first.temperature_c), (60.0, 1.0, 6.0, Some(31.0)));
    // (2² + 1² + 3²) / 2 = 7
    assert!((first.sd.unwrap() - 7_f64.sqrt()).abs() < 1e-12 && bins[1].sd.is_none());
    assert_eq!(
        (first.flags.as_slice(), first.chromaticity, first.thinned),
        ([Flag::Simulated].as_slice(), None, false)
    );
}

#[test]
fn the_chromaticity_of_a_bin_is_that_of_the_mean_of_its_light() {
    let (_folder, connection) = log();
    let colour = |x, z| [("x", x), ("z", z), ("coloured", "1")];
    read(&connection, 1.0, 100.0, &colour("90", "110"));
    read(&connection, 2.0, 300.0, &colour("310", "490"));
    // Too dark for a colour: it has values, and they don't count.
    read(&connection, 3.0, 0.001, &[("x", "5"), ("z", "7")]);
    let (bins, _) = all(&connection, params(60.0));
    let expected = Xyz::new(200.0, 200.0, 300.0).unwrap().chromaticity().unwrap();
    assert!(bins[0].chromaticity.unwrap().distance(expected) < 1e-12);
    assert_eq!(bins[0].count, 3);
}

#[test]
fn readings_that_do_not_compare_are_in_bins_of_their_own_and_dark_ones_in_none() {
    let (_folder, connection) = log();
    read(&connection, 1.0, 1.0, &[]);
    read(&connection, 2.0, 2.0, &[("illuminance", "1")]);
    read(&connection, 3.0, 3.0, &[("correction", "'c1'")]);
    read(&connection, 4.0, 4.0, &[("observer", "'2015-10'")]);
    read(&connection, 5.0, 5.0, &[("flags", "'shared dark'")]);
    read(&connection, 6.0, 3.0, &[("flags", "'shared'")]);
    read(&connection, 7.0, 9.0, &[("meter", "2")]);
    let (bins, pages) = all(&connection, BinsParams { limit: Some(1), ..params(60.0) });
    assert_eq!(pages, 1, "what begins together comes together");
    let seen: Vec<_> = bins
        .iter()
        .map(|bin| (bin.quantity, bin.correction.as_deref(), bin.observer, bin.count, bin.mean))
        .collect();
    let (luminance, other) = (Photometric::Luminance, Observer::Cie2015Deg10);
    assert_eq!(
        seen,
        [
            (luminance, None, None, 2, 2.0),
            (Photometric::Illuminance, None, None, 1, 2.0),
            (luminance, Some("c1"), None, 1, 3.0),
            (luminance, None, Some(other), 1, 4.0),
        ]
    );
    assert_eq!(bins[0].flags, [Flag::Simulated, Flag::Shared], "flags of any");
}

#[test]
fn pages_end_at_the_edges_of_bins_and_together_hold_everything_once() {
    let (_folder, connection) = log();
    let transaction = connection.unchecked_transaction().unwrap();
    for index in 0..20_000 {
        read(&connection, f64::from(index) / 10.0, f64::from(index % 7), &[]);
    }
    transaction.commit().unwrap();
    let (whole, _) = all(&connection, params(100.0));
    assert_eq!((whole.len(), whole.iter().map(|bin| bin.count).sum::<u64>()), (20, 20_000));
    assert!(whole.iter().all(|bin| bin.count == 1000));
    let (bins, pages) = all(&connection, BinsParams { limit: Some(3), ..params(100.0) });
    assert_eq!((&bins, pages), (&whole, 7));
    // More rows than a page looks at, and one bin that is longer still.
    let (bins, pages) = all(&connection, params(1.0));
    assert!(pages >= 3 && bins.len() == 2000, "{pages}");
    let (bins, pages) = all(&connection, params(86_400.0));
    assert_eq!((bins.len(), bins[0].count, pages), (1, 20_000, 1));
    let part = BinsParams { since: Some(at(150)), until: Some(at(250)), ..params(100.0) };
    let seen: Vec<_> = all(&connection, part).0.iter().map(|bin| (bin.at, bin.count)).collect();
    assert_eq!(seen, [(at(100), 500), (at(200), 500)]);
}

#[test]
fn a_runs_bins_are_of_its_readings_alone() {
    let (_folder, connection) = log();
    for index in 0..60 {
        let sequence = read(&connection, f64::from(index), f64::from(index), &[]);
        if index % 2 == 0 {
            of_run(&connection, 1, sequence);
        }
        if index % 3 == 0 {
            of_run(&connection, 2, sequence);
        }
    }
    let of = |run| BinsParams { meter: None, run: Some(run), ..params(30.0) };
    let counts = |params| all(&connection, params).0.iter().map(|bin| bin.count).collect::<Vec<_>>();
    assert_eq!(counts(of(1)), [15, 15]);
    assert_eq!(counts(of(2)), [10, 10]);
    assert_eq!(counts(of(7)), []);
    assert_eq!(counts(BinsParams { meter: Some("other".to_owned()), ..of(1) }), []);
}

#[test]
fn what_thinning_has_left_is_put_together_with_readings_or_stays_as_long_as_it_is() {
    let (_folder, connection) = log();
    connection
        .execute_batch(&format!(
            "INSERT INTO bins (meter, illuminance, at_ns, span_ns, boot, t_s, count, first, last, mean, min, max, squares, coloured,
                temperatures, temperature_c, flags)
             VALUES (1, 0, {START_NS}, 600000000000, 1, 5, 3, 1, 3, 4, 2, 6, 8, 0, 3, 30, 'simulated'),
                    (1, 0, {START_NS} + 600000000000, 600000000000, 1, 605, 1, 4, 4, 8, 8, 8, 0, 0, 0, NULL, '');
             UPDATE sqlite_sequence SET seq = 10;"
        ))
        .unwrap();
    read(&connection, 1201.0, 10.0, &[]);
    let (bins, _) = all(&connection, params(3600.0));
    let [bin] = bins.as_slice() else { panic!("{bins:?}") };
    // Of 2, 4, 6, 8 and 10.
    assert_eq!((bin.count, bin.mean, bin.min, bin.max, bin.thinned), (5, 6.0, 2.0, 10.0, true));
    assert!((bin.sd.unwrap() - 10_f64.sqrt()).abs() < 1e-12 && bin.temperature_c == Some(30.0));
    let (bins, _) = all(&connection, BinsParams { limit: Some(1), ..params(60.0) });
    let seen: Vec<_> = bins.iter().map(|bin| (bin.at, bin.span_s, bin.thinned)).collect();
    assert_eq!(seen, [(at(0), 600.0, true), (at(600), 600.0, true), (at(1200), 60.0, false)]);
}

#[test]
fn params_that_make_no_sense_are_refused() {
    let wrong = [
        (BinsParams { meter: None, ..params(60.0) }, "one of params.meter and params.run"),
        (params(0.0), "params.every_s"),
        (params(f64::NAN), "params.every_s"),
        (params(4e7), "params.every_s"),
        (BinsParams { limit: Some(0), ..params(60.0) }, "params.limit"),
        (BinsParams { limit: Some(1001), ..params(60.0) }, "params.limit"),
        (BinsParams { since: Some(at(2)), until: Some(at(1)), ..params(60.0) }, "params.since"),
    ];
    for (params, part) in wrong {
        let error = check(params).unwrap_err();
        assert!(error.kind() == ErrorKind::InvalidParams && error.message.contains(part), "{error:?}");
    }
}

#[test]
fn bins_are_found_in_order_of_time_by_an_index() {
    let (_folder, connection) = log();
    let of_run = BinsParams { run: Some(1), ..params(60.0) };
    for (params, expected) in [
        (
            params(60.0),
            [
                "t USING INDEX readings_by_meter_and_time (meter=? AND at_ns>",
                "t USING INDEX bins_by_meter_and_time (meter=? AND at_ns>",
            ],
        ),
        (
            BinsParams { meter: None, ..of_run.clone() },
            [
                "r USING COVERING INDEX run_readings_by_time (run=? AND at_ns>",
                "r USING PRIMARY KEY (run=? AND at_ns>",
            ],
        ),
        (
            of_run,
            [
                "r USING COVERING INDEX run_readings_by_time (run=? AND at_ns>",
                "r USING PRIMARY KEY (run=? AND at_ns>",
            ],
        ),
    ] {
        let wanted = check(params).unwrap();
        for ((columns, table), expected) in [(READINGS, "readings"), (BINS, "bins")].into_iter().zip(expected)
        {
            let text = format!("EXPLAIN QUERY PLAN {}", statement(columns, table, &wanted));
            let mut explained = connection.prepare(&text).unwrap();
            let steps =
                explained.query_map(values(&wanted).as_slice(), |row| row.get::<_, String>(3)).unwrap();
            let plan = steps.collect::<rusqlite::Result<Vec<_>>>().unwrap().join("; ");
            assert!(plan.contains(expected) && !plan.contains("TEMP B-TREE"), "{plan}");
        }
    }
}
