//! When a run starts that comes again each day: at one time of the machine's own zone, through summer and winter time.

use std::str::FromStr;

use jiff::civil::Time;
use jiff::tz::TimeZone;
use jiff::{Timestamp as Moment, ToSpan};
use settled_protocol::time::Timestamp;

/// A night is no other night than the one before if it begins less than this after it, in hours: where the zone was changed meanwhile.
const LEAST_H: i64 = 12;

/// A time of day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct TimeOfDay(Time);

impl FromStr for TimeOfDay {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let is_written = |text: &str| {
            let part = |part: &str| part.len() == 2 && part.bytes().all(|byte| byte.is_ascii_digit());
            text.split(':').all(part) && (2..=3).contains(&text.split(':').count())
        };
        let time = is_written(text).then(|| text.parse().ok()).flatten().map(Self);
        time.ok_or_else(|| format!("params.nightly.at must be a time of day such as \"18:00\", not {text:?}"))
    }
}

impl TimeOfDay {
    /// When it comes next after `now`, and long enough after the night before. Where the zone skips it, it comes as much later; where
    /// it comes twice, the first counts. Nothing at the end of the calendar.
    pub(super) fn next(
        self,
        now: Timestamp,
        before: Option<Timestamp>,
        zone: &TimeZone,
    ) -> Option<Timestamp> {
        let now = moment(now)?;
        let earliest = match before {
            Some(before) => now.max(moment(before)?.checked_add(LEAST_H.hours()).ok()?),
            None => now,
        };
        let mut date = earliest.to_zoned_datetime(zone.clone()).date();
        loop {
            // The library's usual way with what is skipped or comes twice is just this.
            let begins = date.to_datetime(self.0).to_zoned_datetime(zone.clone()).ok()?.timestamp();
            if begins > earliest {
                let ns = u64::try_from(begins.as_nanosecond()).ok()?;
                return Some(Timestamp::from_unix_ns(ns));
            }
            date = date.tomorrow().ok()?;
        }
    }
}

fn moment(at: Timestamp) -> Option<Moment> {
    Moment::from_nanosecond(i128::from(at.unix_ns())).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn utc(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    fn nights(at: &str, from: &str, zone: &str, count: usize) -> Vec<String> {
        let (at, zone) = (at.parse::<TimeOfDay>().unwrap(), TimeZone::get(zone).unwrap());
        let (mut now, mut before, mut all) = (utc(from), None, Vec::new());
        for _ in 0..count {
            let night = at.next(now, before, &zone).unwrap();
            all.push(night.to_string().trim_end_matches(".000000000Z").to_owned());
            (now, before) = (night, Some(night));
        }
        all
    }

    // The dates on which summer time begins and ends are those of the IANA time zone database.
    #[test]
    fn nights_begin_at_the_same_time_of_day_in_summer_and_in_winter() {
        assert_eq!(
            nights("18:00", "2026-10-23T20:00:00Z", "Europe/Vienna", 3),
            ["2026-10-24T16:00:00", "2026-10-25T17:00:00", "2026-10-26T17:00:00"]
        );
        assert_eq!(
            nights("18:00", "2026-03-27T18:00:00Z", "Europe/Vienna", 3),
            ["2026-03-28T17:00:00", "2026-03-29T16:00:00", "2026-03-30T16:00:00"]
        );
    }

    #[test]
    fn a_time_that_is_skipped_comes_as_much_later_and_of_two_the_first_counts() {
        // 2026-03-29 has no 02:30 there: the clocks go from 02:00 to 03:00, which is 01:00 of UTC.
        assert_eq!(
            nights("02:30", "2026-03-28T00:00:00Z", "Europe/Vienna", 3),
            ["2026-03-28T01:30:00", "2026-03-29T01:30:00", "2026-03-30T00:30:00"]
        );
        // 2026-10-25 has two.
        assert_eq!(
            nights("02:30", "2026-10-24T12:00:00Z", "Europe/Vienna", 2),
            ["2026-10-25T00:30:00", "2026-10-26T01:30:00"]
        );
    }

    #[test]
    fn another_zone_makes_no_second_night_of_one() {
        let at: TimeOfDay = "18:00".parse().unwrap();
        let (begun, now) = (utc("2026-11-25T17:00:00Z"), utc("2026-11-25T20:00:00Z"));
        let next = at.next(now, Some(begun), &TimeZone::get("America/New_York").unwrap()).unwrap();
        assert_eq!(next, utc("2026-11-26T23:00:00Z"));
    }

    #[test]
    fn a_time_of_day_is_written_in_one_way() {
        assert!("07:05:30".parse::<TimeOfDay>().is_ok());
        for text in ["7:05", "24:00", "18", "18:00Z", "", "18:0", "-1:00", "18:00:61"] {
            assert!(text.parse::<TimeOfDay>().is_err(), "{text}");
        }
    }
}
