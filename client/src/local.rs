//! Moments as the clock on the wall has them: typed as a time of day, and shown in the zone of whoever looks.

use std::str::FromStr;

use jiff::civil::Time;
use jiff::tz::TimeZone;
use jiff::{ToSpan, ZonedDateTime};
use settled_protocol::time::Timestamp;

use crate::quantities;

/// The zone of this machine; UTC where nobody has set one.
#[must_use]
pub fn zone() -> TimeZone {
    TimeZone::try_system().unwrap_or(TimeZone::UTC)
}

/// A moment as it is typed: a time of day, which is the next one, or RFC 3339.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Typed {
    /// A time of day in the zone of this machine.
    Time(Time),
    /// That very moment.
    Moment(Timestamp),
}

impl FromStr for Typed {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let worded = |_| {
            "expected a time of day such as 18:00, or RFC 3339 such as 2026-11-28T08:00:00+01:00".to_owned()
        };
        time_of_day(text)
            .map(Self::Time)
            .or_else(|_| quantities::moment(text).map(Self::Moment))
            .map_err(worded)
    }
}

impl Typed {
    /// The first such moment after `now`. Where the zone skips the time of day, it is as much later; where it has it twice, the first.
    #[must_use]
    pub fn after(self, now: Timestamp, zone: &TimeZone) -> Timestamp {
        match self {
            Self::Moment(moment) => moment,
            Self::Time(time) => next(time, now, zone).unwrap_or(now),
        }
    }
}

fn next(time: Time, now: Timestamp, zone: &TimeZone) -> Option<Timestamp> {
    let today = zoned(now, zone)?.date();
    let at = |days: i64| -> Option<Timestamp> {
        let date = today.checked_add(days.days()).ok()?;
        let at = date.to_datetime(time).to_zoned_datetime(zone.clone()).ok()?.timestamp().as_nanosecond();
        u64::try_from(at).ok().map(Timestamp::from_unix_ns)
    };
    [0, 1, 2].into_iter().filter_map(at).find(|at| *at > now)
}

/// A time of day such as `18:00`, with seconds where they matter.
///
/// # Errors
/// A sentence that says what is expected.
pub fn time_of_day(text: &str) -> Result<Time, String> {
    let text = text.trim();
    let digits = |part: &str| part.len() == 2 && part.bytes().all(|byte| byte.is_ascii_digit());
    let fits = text.split(':').all(digits) && (2..=3).contains(&text.split(':').count());
    let form = if text.len() == 5 { "%H:%M" } else { "%H:%M:%S" };
    let time = fits.then(|| Time::strptime(form, text).ok()).flatten();
    // A leap second would be taken for the one before.
    let exact = time.filter(|time| time.strftime(form).to_string() == text);
    exact.ok_or_else(|| "expected a time of day such as 18:00".to_owned())
}

/// A time of day as the protocol has it: with seconds only where there are any.
#[must_use]
pub fn told(time: Time) -> String {
    time.strftime(if time.second() == 0 { "%H:%M" } else { "%H:%M:%S" }).to_string()
}

fn zoned(at: Timestamp, zone: &TimeZone) -> Option<ZonedDateTime> {
    let at = jiff::Timestamp::from_nanosecond(i128::from(at.unix_ns())).ok()?;
    Some(at.to_zoned_datetime(zone.clone()))
}

/// Date, time and zone: `2026-11-27 18:00:00 CET`.
#[must_use]
pub fn moment(at: Timestamp, zone: &TimeZone) -> String {
    formatted(at, zone, "%Y-%m-%d %H:%M:%S %Z")
}

/// The same in short, for a table: `11-27 18:00`.
#[must_use]
pub fn short(at: Timestamp, zone: &TimeZone) -> String {
    formatted(at, zone, "%m-%d %H:%M")
}

/// The same to the second: `11-27 18:00:05`.
#[must_use]
pub fn second(at: Timestamp, zone: &TimeZone) -> String {
    formatted(at, zone, "%m-%d %H:%M:%S")
}

/// The time of day alone: `18:00:05`.
#[must_use]
pub fn time(at: Timestamp, zone: &TimeZone) -> String {
    formatted(at, zone, "%H:%M:%S")
}

fn formatted(at: Timestamp, zone: &TimeZone, form: &str) -> String {
    zoned(at, zone).map_or_else(|| at.to_string(), |at| at.strftime(form).to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Central European time by its rule, so that no machine's tables matter.
    fn central() -> TimeZone {
        TimeZone::posix("CET-1CEST,M3.5.0,M10.5.0/3").unwrap()
    }

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    fn next_after(time: &str, now: &str) -> Timestamp {
        time.parse::<Typed>().unwrap().after(at(now), &central())
    }

    #[test]
    fn a_time_of_day_is_the_next_one_on_the_wall() {
        assert_eq!(next_after("18:00", "2026-11-27T16:59:59Z"), at("2026-11-27T17:00:00Z"));
        assert_eq!(next_after("18:00", "2026-11-27T17:00:00Z"), at("2026-11-28T17:00:00Z"));
        assert_eq!(next_after("08:00", "2026-12-31T17:00:00Z"), at("2027-01-01T07:00:00Z"));
        assert_eq!(next_after("08:00:30", "2026-07-01T17:00:00Z"), at("2026-07-02T06:00:30Z"));
        // Just after midnight on the wall, which is the day before in UTC.
        assert_eq!(next_after("00:30", "2026-11-27T23:10:00Z"), at("2026-11-27T23:30:00Z"));
    }

    #[test]
    fn a_time_that_the_zone_skips_is_as_much_later_and_one_that_it_has_twice_is_the_first() {
        assert_eq!(next_after("02:30", "2026-03-28T23:00:00Z"), at("2026-03-29T01:30:00Z"));
        assert_eq!(next_after("02:30", "2026-10-24T23:00:00Z"), at("2026-10-25T00:30:00Z"));
        // The night is an hour longer, or shorter, and eight is eight.
        assert_eq!(next_after("08:00", "2026-10-24T16:00:00Z"), at("2026-10-25T07:00:00Z"));
        assert_eq!(next_after("08:00", "2026-03-28T17:00:00Z"), at("2026-03-29T06:00:00Z"));
    }

    #[test]
    fn a_moment_with_its_offset_is_that_moment() {
        assert_eq!(
            next_after("2026-11-28T08:00:00+01:00", "2026-11-27T17:00:00Z"),
            at("2026-11-28T07:00:00Z")
        );
    }

    #[test]
    fn what_is_no_time_is_refused_with_how_to_write_it() {
        for text in ["", "8", "8:00", "24:00", "18:60", "1800", "18:00:60", "tomorrow", "-1:00", "2026-11-28"]
        {
            let error = text.parse::<Typed>().unwrap_err();
            assert!(error.contains("18:00") && error.contains("+01:00"), "{text}: {error}");
        }
        let seconds = time_of_day("18:00:05").unwrap();
        assert_eq!([told(time_of_day("18:00").unwrap()), told(seconds)], ["18:00", "18:00:05"]);
    }

    #[test]
    fn a_moment_is_shown_with_its_zone() {
        let at = at("2026-11-27T17:00:05.9Z");
        assert_eq!(moment(at, &central()), "2026-11-27 18:00:05 CET");
        assert_eq!(moment(at, &TimeZone::UTC), "2026-11-27 17:00:05 UTC");
        assert_eq!(short(at, &central()), "11-27 18:00");
        assert_eq!([second(at, &central()), time(at, &central())], ["11-27 18:00:05", "18:00:05"]);
    }
}
