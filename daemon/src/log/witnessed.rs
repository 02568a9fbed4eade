//! How old the log itself shows its readings to be, whatever UTC says now.
//!
//! A clock that is set years ahead makes every reading old at once, and after a restart nothing but the log remembers that it wasn't
//! always so. Within one boot the boot clock tells how much time has passed. Between two boots UTC alone does, which may have been set
//! meanwhile: it is believed up to a limit. So a reading is at least as old as is found here, or all but.

use rusqlite::{Connection, OptionalExtension, Row, params};

/// Now, or when a reading was taken.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Witness {
    sequence: i64,
    boot: i64,
    t_s: f64,
    at_ns: i64,
}

/// What is asked for.
#[derive(Clone, Debug)]
pub(super) struct Question {
    /// The boot clock's boot.
    pub(super) boot: String,
    /// What it says, in s.
    pub(super) t_s: f64,
    /// What UTC says, in ns since 1970.
    pub(super) at_ns: i64,
    /// How old readings must be, in s.
    pub(super) age_s: f64,
    /// What UTC is believed at most between two boots, in s.
    pub(super) most_s: f64,
}

const COLUMNS: &str = "SELECT sequence, boot, t_s, at_ns FROM readings";

fn witness(row: &Row<'_>) -> rusqlite::Result<Witness> {
    Ok(Witness { sequence: row.get(0)?, boot: row.get(1)?, t_s: row.get(2)?, at_ns: row.get(3)? })
}

/// The last reading with that number or a lower one.
fn up_to(connection: &Connection, sequence: i64) -> rusqlite::Result<Option<Witness>> {
    let text = format!("{COLUMNS} WHERE sequence <= ?1 ORDER BY sequence DESC LIMIT 1");
    connection.prepare_cached(&text)?.query_row([sequence], witness).optional()
}

/// The first one with that number or a higher one.
fn from(connection: &Connection, sequence: i64) -> rusqlite::Result<Option<Witness>> {
    let text = format!("{COLUMNS} WHERE sequence >= ?1 ORDER BY sequence LIMIT 1");
    connection.prepare_cached(&text)?.query_row([sequence], witness).optional()
}

/// Two neighbours, the earlier of which is not so and the later is, where `low` isn't and `high` is.
fn edge(
    connection: &Connection,
    (mut low, mut high): (Witness, Witness),
    is_so: impl Fn(&Witness) -> bool,
) -> rusqlite::Result<(Witness, Witness)> {
    loop {
        let middle = low.sequence.midpoint(high.sequence);
        let below = up_to(connection, middle)?.filter(|found| found.sequence > low.sequence);
        let found = match below {
            Some(found) => Some(found),
            None => from(connection, middle + 1)?.filter(|found| found.sequence < high.sequence),
        };
        match found {
            None => return Ok((low, high)),
            Some(found) if is_so(&found) => high = found,
            Some(found) => low = found,
        }
    }
}

/// The number up to which all readings are old enough, as far as the log shows; nothing where none is.
pub(super) fn old_enough(connection: &Connection, question: &Question) -> rusqlite::Result<Option<i64>> {
    let Question { boot, t_s, at_ns, age_s, most_s } = question;
    let boot: Option<i64> = connection
        .query_row("SELECT id FROM boots WHERE name = ?1", params![boot], |row| row.get(0))
        .optional()?;
    // A boot without readings is none of theirs.
    let mut later = Witness { sequence: i64::MAX, boot: boot.unwrap_or(-1), t_s: *t_s, at_ns: *at_ns };
    let (first, mut latest) = (from(connection, i64::MIN)?, up_to(connection, i64::MAX)?);
    let mut passed_s = 0.0;
    while let (Some(first), Some(last)) = (first, latest) {
        passed_s += if last.boot == later.boot {
            (later.t_s - last.t_s).max(0.0)
        } else {
            seconds(later.at_ns.saturating_sub(last.at_ns)).clamp(0.0, *most_s)
        };
        if passed_s >= *age_s {
            return Ok(Some(last.sequence));
        }
        let is_of_it = |found: &Witness| found.boot == last.boot;
        let (before, begin) = if is_of_it(&first) {
            (None, first)
        } else {
            let (before, begin) = edge(connection, (first, last), is_of_it)?;
            (Some(before), begin)
        };
        let border_s = last.t_s - (age_s - passed_s);
        if begin.t_s <= border_s {
            let (old, _) = edge(connection, (begin, last), |found| found.t_s > border_s)?;
            return Ok(Some(old.sequence));
        }
        passed_s += (last.t_s - begin.t_s).max(0.0);
        (later, latest) = (begin, before);
    }
    Ok(None)
}

/// Whether there are readings from before that moment with higher numbers.
pub(super) fn is_younger(connection: &Connection, before_ns: i64, sequence: i64) -> rusqlite::Result<bool> {
    let text = "SELECT EXISTS (SELECT 1 FROM meters m JOIN readings t ON t.meter = m.id AND t.at_ns < ?1 WHERE t.sequence > ?2)";
    connection.query_row(text, [before_ns, sequence], |row| row.get(0))
}

#[expect(clippy::cast_precision_loss, reason = "a microsecond is fine enough")]
fn seconds(ns: i64) -> f64 {
    ns as f64 / 1e9
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Survives;
    use crate::log::schema;

    const DAY_S: f64 = 86_400.0;
    const DAY_NS: i64 = 86_400_000_000_000;
    const START_NS: i64 = 1_735_689_600_000_000_000;

    /// A log with a reading each hour for so many days of a boot, from a day of UTC on.
    fn log(folder: &tempfile::TempDir, boots: &[(i64, i64)]) -> Connection {
        let connection = schema::open(&folder.path().join("log.sqlite"), Survives::Crash).unwrap();
        connection.execute_batch("INSERT INTO meters (name) VALUES ('m')").unwrap();
        for (boot, (day, days)) in boots.iter().enumerate() {
            connection.execute("INSERT INTO boots (name) VALUES (?1)", [format!("b{boot}")]).unwrap();
            connection
                .execute_batch(&format!(
                    "WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n WHERE i < {days} * 24)
                     INSERT INTO readings (meter, boot, at_ns, t_s, began_s, illuminance, value, coloured, flags)
                        SELECT 1, {boot} + 1, {START_NS} + {day} * {DAY_NS} + i * 3600000000000, 50 + i * 3600, 0, 0, 1, 0, '' FROM n;"
                ))
                .unwrap();
        }
        connection
    }

    /// The number up to which readings are a hundred days old, where the last boot's clock has gone on by some days and UTC says some day.
    fn found(connection: &Connection, boot: &str, t_days: f64, day: i64) -> Option<i64> {
        let question = Question {
            boot: boot.to_owned(),
            t_s: 50.0 + t_days * DAY_S,
            at_ns: START_NS + day * DAY_NS,
            age_s: 100.0 * DAY_S,
            most_s: 7.0 * DAY_S,
        };
        old_enough(connection, &question).unwrap()
    }

    #[test]
    fn within_a_boot_its_own_clock_counts_whatever_utc_says() {
        let folder = tempfile::tempdir().unwrap();
        let connection = log(&folder, &[(0, 120)]);
        let after_20_days = Some(20 * 24 + 1);
        for day in [120, 120 + 20 * 365, 0] {
            assert_eq!(found(&connection, "b0", 120.0, day), after_20_days, "UTC says day {day}");
        }
        assert_eq!(found(&connection, "b0", 220.0, 220), Some(120 * 24 + 1), "all of them");
        let is_younger = |sequence| super::is_younger(&connection, START_NS + DAY_NS, sequence).unwrap();
        assert!(is_younger(23) && !is_younger(24), "those of the first day");
    }

    #[test]
    fn between_boots_utc_is_believed_for_some_days_and_no_more() {
        let folder = tempfile::tempdir().unwrap();
        // 30 days, 5 off, 60 days, off until UTC says that twenty years have passed, 10 days.
        let years = 20 * 365;
        let connection = log(&folder, &[(0, 30), (35, 60), (years, 10)]);
        // 10 + 7 + 60 + 5 = 82 days back is the end of the first boot, so that its first 12 days are old enough.
        assert_eq!(found(&connection, "b2", 10.0, years + 10), Some(12 * 24 + 1));
        // A day more, in another boot, so far without readings.
        assert_eq!(found(&connection, "none", 0.0, years + 11), Some(13 * 24 + 1));
        let empty = tempfile::tempdir().unwrap();
        assert_eq!(found(&log(&empty, &[]), "b0", 500.0, 500), None);
    }

    #[test]
    fn a_log_of_few_days_is_young_whatever_clock_it_is_read_by() {
        let folder = tempfile::tempdir().unwrap();
        let connection = log(&folder, &[(0, 30), (30, 30)]);
        for (boot, t_days, day) in
            [("b1", 30.0, 20 * 365), ("b1", 69.9, 0), ("new", 0.0, 20 * 365), ("new", 0.0, 0)]
        {
            assert_eq!(found(&connection, boot, t_days, day), None, "{boot} {day}");
        }
    }
}
