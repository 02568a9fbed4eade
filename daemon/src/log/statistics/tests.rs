use rusqlite::Connection;
use settled_protocol::quantity::Photometric;
use settled_protocol::reading::Flag;
use settled_protocol::statistics::{Statistics, Stretch};

use super::*;
use crate::config::Survives;
use crate::log::schema;

const START_NS: i64 = 1_735_689_600_000_000_000;

/// A row of readings: boot, seconds of its clock, seconds of UTC after the start, value, and further columns with their values.
struct R<'a>(i64, f64, f64, f64, &'a [(&'a str, &'a str)]);

fn log(rows: impl IntoIterator<Item = R<'static>>) -> (tempfile::TempDir, Connection) {
    let folder = tempfile::tempdir().unwrap();
    let connection = schema::open(&folder.path().join("log.sqlite"), Survives::Crash).unwrap();
    let names =
        "INSERT INTO meters (name) VALUES ('m'), ('other'); INSERT INTO boots (name) VALUES ('b'), ('c');";
    connection.execute_batch(names).unwrap();
    connection.execute_batch("BEGIN").unwrap();
    for R(boot, t_s, utc_s, value, more) in rows {
        let at_ns = START_NS + (utc_s * 1e9) as i64;
        let mut row = vec![("meter", "1"), ("illuminance", "0"), ("flags", "''"), ("coloured", "0")];
        row.retain(|(name, _)| more.iter().all(|(other, _)| other != name));
        row.extend(more);
        let (names, values): (Vec<_>, Vec<_>) = row.into_iter().unzip();
        let text = format!(
            "INSERT INTO readings (boot, at_ns, t_s, began_s, value, {}) VALUES ({boot}, {at_ns}, {t_s}, {t_s}, {value}, {})",
            names.join(", "),
            values.join(", ")
        );
        connection.execute_batch(&text).unwrap();
    }
    connection.execute_batch("COMMIT").unwrap();
    (folder, connection)
}

fn statistics(connection: &Connection) -> Statistics {
    let stretch = Stretch { meter: Some("m".to_owned()), ..Stretch::default() };
    let wanted = check(stretch, None, "params").unwrap();
    sum_up(connection, &wanted).and_then(Summed::into_statistics).unwrap()
}

/// A light that rises by 0.36 an hour, a reading a second, with a wave of no account.
fn rising(second: u32) -> f64 {
    100.0 + 1e-4 * f64::from(second) + 0.01 * f64::from(second % 7)
}

#[test]
fn neither_steps_of_utc_nor_a_reboot_bend_a_drift() {
    let plain = log((0..3600).map(|s| R(1, f64::from(s), f64::from(s), rising(s), &[])));
    let straight = statistics(&plain.1);
    for step in [86_400.0, -86_400.0, 1.0, 3600.0] {
        let stepped = |s: u32| f64::from(s) + if s > 1000 { step } else { 0.0 };
        let log = log((0..3600).map(|s| R(1, f64::from(s), stepped(s), rising(s), &[])));
        let told = statistics(&log.1);
        assert_eq!((told.span_s, told.gaps), (3599.0, 0), "UTC set by {step} s");
        assert_eq!(told.value, straight.value, "UTC set by {step} s");
    }
    // Five minutes without readings while the machine begins anew, whose clock then counts from 50.
    let rebooted = log((0..3600).filter(|s| !(1800..2100).contains(s)).map(|s| {
        let (boot, t_s) = if s < 1800 { (1, f64::from(s)) } else { (2, f64::from(s) - 2050.0 + 50.0) };
        R(boot, t_s, f64::from(s), rising(s), &[])
    }));
    let told = statistics(&rebooted.1);
    assert_eq!((told.span_s, told.gaps, told.gap_s), (3599.0, 1, 301.0));
    let (found, expected) = (told.value.drift.unwrap(), straight.value.drift.unwrap());
    assert!((found.per_h / expected.per_h - 1.0).abs() < 0.01, "{found:?} {expected:?}");
    // While it slept the boot clock went on: a gap, and no bend.
    let slept = log((0..3600)
        .filter(|s| !(600..1500).contains(s))
        .map(|s| R(1, f64::from(s), f64::from(s), rising(s), &[])));
    let told = statistics(&slept.1);
    assert_eq!((told.span_s, told.gaps, told.gap_s), (3599.0, 1, 901.0));
    assert!((told.value.drift.unwrap().per_h / expected.per_h - 1.0).abs() < 0.01);
}

#[test]
fn dark_readings_and_other_light_do_not_count_and_the_rest_says_so() {
    let more = |s: u32| -> &'static [(&'static str, &'static str)] {
        match s % 10 {
            1 => &[("flags", "'dark'")],
            2 => &[("observer", "'cie_1964_10deg'")],
            3 => &[("illuminance", "1")],
            4 => &[("flags", "'simulated shared'")],
            5 => &[("meter", "2")],
            _ => &[],
        }
    };
    let (_folder, connection) = log((0..100).map(|s| R(1, f64::from(s), f64::from(s), rising(s), more(s))));
    let told = statistics(&connection);
    assert_eq!((told.count, told.quantity, told.observer), (60, Photometric::Luminance, None));
    assert_eq!(told.flags, [Flag::Simulated, Flag::Shared]);
    for part in ["10 readings of another quantity", "10 readings by another observer's eye", "simulated"] {
        assert!(told.message.contains(part), "{}", told.message);
    }
}

#[test]
fn light_on_two_scales_is_counted_and_nothing_more_is_made_of_it() {
    let more = |s: u32| -> &'static [(&'static str, &'static str)] {
        if s < 50 { &[] } else { &[("correction", "'c1'")] }
    };
    let (_folder, connection) = log((0..100).map(|s| R(1, f64::from(s), f64::from(s), rising(s), more(s))));
    let told = statistics(&connection);
    assert_eq!((told.count, told.corrections.as_slice()), (100, ["c1".to_owned()].as_slice()));
    assert_eq!((&told.value.drift, told.value.uncertainty, told.value.allan.len()), (&None, None, 0));
    assert!(told.message.contains("on 2 scales"), "{}", told.message);
}

#[test]
fn what_thinning_has_left_counts_in_mean_range_and_drift() {
    let whole = log((0..7200).map(|s| R(1, f64::from(s), f64::from(s), rising(s), &[])));
    let expected = statistics(&whole.1);
    let (_folder, connection) = whole;
    // The first hour as bins of a minute, as thinning leaves it.
    connection
        .execute_batch(
            "INSERT INTO bins (meter, illuminance, at_ns, span_ns, boot, t_s, count, first, last, mean, min, max, squares, coloured,
                temperatures, flags)
             SELECT 1, 0, min(at_ns), 60000000000, 1, avg(t_s), count(*), min(sequence), max(sequence), avg(value), min(value),
                max(value), sum(value * value) - count(*) * avg(value) * avg(value), 0, 0, ''
             FROM readings WHERE t_s < 3600 GROUP BY CAST(t_s / 60 AS INTEGER);
             DELETE FROM readings WHERE t_s < 3600;",
        )
        .unwrap();
    let told = statistics(&connection);
    assert_eq!(
        (told.count, told.thinned, told.first, told.last),
        (7200, 3600, expected.first, expected.last)
    );
    assert!((told.value.mean / expected.value.mean - 1.0).abs() < 1e-12);
    assert!((told.value.sd.unwrap() / expected.value.sd.unwrap() - 1.0).abs() < 1e-6);
    assert_eq!((told.value.min, told.value.max, told.gaps), (expected.value.min, expected.value.max, 0));
    let (found, expected) = (told.value.drift.unwrap(), expected.value.drift.unwrap());
    assert!((found.per_h / expected.per_h - 1.0).abs() < 0.02, "{found:?} {expected:?}");
    assert!(told.value.allan[0].count < 3600);
    assert!(told.message.contains("3600 of them are no more there"), "{}", told.message);
}

#[test]
fn a_single_reading_comes_to_itself() {
    let (_folder, connection) = log([R(1, 5.0, 5.0, 42.0, &[])]);
    let told = statistics(&connection);
    assert_eq!((told.count, told.value.mean, told.value.sd, told.span_s), (1, 42.0, None, 0.0));
    assert_eq!((told.value.uncertainty, told.value.drift), (None, None));
    assert!(told.message.starts_with("A single reading: 42.000 cd/m²."), "{}", told.message);
}

#[test]
fn however_long_a_stretch_is_summing_it_up_takes_no_more_memory() {
    let memory = |count: u32| {
        let measured = allocation_counter::measure(|| {
            let mut night = Night::new(1.0);
            for second in 0..count {
                let value = rising(second);
                night.push(&Taken { elapsed_s: f64::from(second), value, ..Taken::default() });
            }
            assert!(night.finish(0.0, true).value.is_some());
        });
        measured.bytes_max
    };
    // An Allan deviation of 2¹⁸ bins at most, 4 MiB, and blocks.
    let (whole, longer) = (memory(530_000), memory(700_000));
    assert!(whole < 5 * 1024 * 1024, "{whole}");
    assert!(longer <= whole + 4096, "{whole} {longer}");
}
