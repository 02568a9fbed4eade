//! UTC stamps as RFC 3339 text with nanoseconds. Spans are never taken from these: the boot clock is for that.

use std::time::{Duration, SystemTime, UNIX_EPOCH};

use schemars::JsonSchema;
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};

/// A moment of UTC, with nanoseconds, from 1970 to 2262.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, JsonSchema)]
#[schemars(with = "String")]
pub struct Timestamp(u64);

impl Timestamp {
    /// From nanoseconds since 1970-01-01T00:00:00Z.
    #[must_use]
    pub fn from_unix_ns(ns: u64) -> Self {
        Self(ns)
    }

    /// Nanoseconds since 1970-01-01T00:00:00Z.
    #[must_use]
    pub fn unix_ns(self) -> u64 {
        self.0
    }
}

impl std::fmt::Display for Timestamp {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        humantime::format_rfc3339_nanos(UNIX_EPOCH + Duration::from_nanos(self.0)).fmt(f)
    }
}

impl std::str::FromStr for Timestamp {
    type Err = BadTimestamp;

    fn from_str(text: &str) -> Result<Self, BadTimestamp> {
        let moment: SystemTime = humantime::parse_rfc3339(text).map_err(|_| BadTimestamp)?;
        let since = moment.duration_since(UNIX_EPOCH).map_err(|_| BadTimestamp)?;
        u64::try_from(since.as_nanos()).map(Self).map_err(|_| BadTimestamp)
    }
}

/// Text that is not an RFC 3339 UTC time from 1970 on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BadTimestamp;

impl std::fmt::Display for BadTimestamp {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("expected an RFC 3339 time in UTC such as 2026-11-25T18:00:00Z")
    }
}

impl std::error::Error for BadTimestamp {}

impl Serialize for Timestamp {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Timestamp {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer)?.parse().map_err(de::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stamp_keeps_its_nanoseconds_through_text() {
        let stamp = Timestamp::from_unix_ns(1_795_629_600_123_456_789);
        let text = stamp.to_string();
        assert_eq!(text, "2026-11-25T18:00:00.123456789Z");
        assert_eq!(text.parse(), Ok(stamp));
    }

    #[test]
    fn a_time_without_a_zone_or_before_1970_is_refused() {
        assert_eq!("2026-11-25".parse::<Timestamp>(), Err(BadTimestamp));
        assert_eq!("1969-12-31T23:59:59Z".parse::<Timestamp>(), Err(BadTimestamp));
    }
}
