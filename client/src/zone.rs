//! A time zone, for the axes of plots: UTC, as everywhere else, or the machine's own.

use jiff::Timestamp as Instant;
use jiff::tz::TimeZone;
use settled_protocol::time::Timestamp;

/// A time zone.
#[derive(Clone, Debug)]
pub struct Zone(TimeZone);

/// A moment as the clocks of a zone show it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Local {
    /// Seconds since 1970 as those clocks count them.
    pub seconds: i64,
    /// How far they are ahead of UTC, in s.
    pub ahead_s: i32,
    date: (i16, i8, i8),
}

const MONTHS: [&str; 12] =
    ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

impl Zone {
    /// UTC.
    #[must_use]
    pub fn utc() -> Self {
        Self(TimeZone::UTC)
    }

    /// The machine's own zone, as TZ or the system says; UTC where neither does.
    #[must_use]
    pub fn of_the_machine() -> Self {
        Self(TimeZone::try_system().unwrap_or(TimeZone::UTC))
    }

    /// A zone by its name in the IANA database, where the machine has it.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        TimeZone::get(name).ok().map(Self)
    }

    /// A moment as its clocks show it.
    #[must_use]
    pub fn at(&self, moment: Timestamp) -> Local {
        let seconds = i64::try_from(moment.unix_ns() / 1_000_000_000).unwrap_or(i64::MAX);
        let instant = Instant::from_second(seconds).unwrap_or(Instant::MAX);
        let ahead_s = self.0.to_offset(instant).seconds();
        let civil = self.0.to_datetime(instant);
        Local {
            seconds: seconds.saturating_add(i64::from(ahead_s)),
            ahead_s,
            date: (civil.year(), civil.month(), civil.day()),
        }
    }

    /// What its times are called, for a stretch that begins at `from` and ends at `until`: `UTC`, `UTC+01:00`, or both offsets where it
    /// changes between them.
    #[must_use]
    pub fn words(&self, from: Timestamp, until: Timestamp) -> String {
        let offsets = [from, until].map(|moment| offset(self.at(moment).ahead_s));
        if offsets[0] == offsets[1] { offsets[0].clone() } else { offsets.join(" to ") }
    }
}

fn offset(ahead_s: i32) -> String {
    let (sign, minutes) = (if ahead_s < 0 { '−' } else { '+' }, ahead_s.abs() / 60);
    if ahead_s == 0 { "UTC".to_owned() } else { format!("UTC{sign}{:02}:{:02}", minutes / 60, minutes % 60) }
}

impl Local {
    /// The day and the month.
    #[must_use]
    pub fn date(&self) -> String {
        let month = usize::try_from(self.date.1 - 1).ok().and_then(|index| MONTHS.get(index)).copied();
        format!("{} {}", self.date.2, month.unwrap_or_default())
    }

    /// The date with its year, as ISO 8601 writes it.
    #[must_use]
    pub fn full_date(&self) -> String {
        let (year, month, day) = self.date;
        format!("{year:04}-{month:02}-{day:02}")
    }

    /// Hours and minutes.
    #[must_use]
    pub fn minute(&self) -> String {
        let minutes = self.seconds.rem_euclid(86_400) / 60;
        format!("{:02}:{:02}", minutes / 60, minutes % 60)
    }

    /// Hours, minutes and seconds.
    #[must_use]
    pub fn second(&self) -> String {
        format!("{}:{:02}", self.minute(), self.seconds.rem_euclid(60))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_zone_is_told_by_how_far_it_is_ahead_and_both_ways_where_that_changes() {
        let [before, after] =
            ["2026-10-24T20:00:00Z", "2026-10-25T08:00:00Z"].map(|text| text.parse().unwrap());
        assert_eq!(Zone::utc().words(before, after), "UTC");
        let berlin = Zone::named("Europe/Berlin").unwrap();
        assert_eq!(berlin.words(before, after), "UTC+02:00 to UTC+01:00");
        assert_eq!(berlin.words(after, after), "UTC+01:00");
        let local = berlin.at(after);
        let words = (local.date(), local.full_date(), local.minute(), local.second());
        assert_eq!(words, ("25 Oct".into(), "2026-10-25".into(), "09:00".into(), "09:00:00".into()));
    }
}
