//! Numbers from people: durations, percentages, colours. Errors name what was wrong.

use std::ops::RangeInclusive;
use std::time::Duration;

use settled_protocol::stage::Range;
use settled_protocol::time::Timestamp;

/// Seconds from text such as `90s` or `1h 30min`. The unit is never left out: 8 could be seconds, minutes or hours. Nothing is nothing, in whatever unit.
///
/// # Errors
/// A sentence that says what is expected.
pub fn seconds(text: &str) -> Result<f64, String> {
    let text = text.trim();
    if let Some(rest) = text.strip_prefix('-') {
        let is_time = span_s(rest).is_some() || bare(rest).is_some();
        return Err(if is_time { "must not be negative" } else { NO_TIME }.to_owned());
    }
    match (bare(text), span_s(text)) {
        (Some(0.0), _) => Ok(0.0),
        (_, Some(seconds)) => Ok(seconds),
        (Some(number), None) => Err(with_its_unit(number)),
        (None, None) => Err(NO_TIME.to_owned()),
    }
}

const NO_TIME: &str = "expected a time such as 90s, 400ms or 1h 30min";

/// A time with its units.
fn span_s(text: &str) -> Option<f64> {
    humantime::parse_duration(text).ok().map(|duration: Duration| duration.as_secs_f64())
}

/// A number without any unit, 0 or more.
fn bare(text: &str) -> Option<f64> {
    text.parse().ok().filter(|number: &f64| number.is_finite() && *number >= 0.0)
}

/// The ways to write what a bare number may have been meant for. The number is written plainly: with a unit, +8 and 8e2 aren't understood.
fn with_its_unit(number: f64) -> String {
    if span_s(&format!("{number}h")).is_none() {
        return NO_TIME.to_owned();
    }
    if number >= 1.0 {
        return format!("write it with its unit: {number}h, {number}min or {number}s");
    }
    // To a nanosecond: 0.07 s are 70 ms, not 70.00000000000001.
    let thousandths = (number * 1e9).round() / 1e6;
    format!("write it with its unit: {number}s, which is {thousandths}ms, or {number}min")
}

/// A moment from RFC 3339 text, in UTC or with an offset: `2026-11-25T19:00:00+01:00`.
///
/// # Errors
/// A sentence that says what is expected.
pub fn moment(text: &str) -> Result<Timestamp, String> {
    let expected =
        || "expected an RFC 3339 time such as 2026-11-25T18:00:00Z or 2026-11-25T19:00:00+01:00".to_owned();
    let Some((local, offset)) = text.len().checked_sub(OFFSET).and_then(|at| text.split_at_checked(at))
    else {
        return Err(expected());
    };
    let Some(ahead_ns) = offset_ns(offset) else { return text.parse().map_err(|_| expected()) };
    let local: Timestamp = format!("{local}Z").parse().map_err(|_| expected())?;
    local.unix_ns().checked_add_signed(-ahead_ns).map(Timestamp::from_unix_ns).ok_or_else(expected)
}

/// The length of `+01:00`.
const OFFSET: usize = 6;

/// How far ahead of UTC a clock of this offset is; nothing if it isn't one.
fn offset_ns(offset: &str) -> Option<i64> {
    let (sign, rest) = offset.split_at_checked(1)?;
    let (hours, minutes) =
        rest.split_once(':').filter(|_| rest.bytes().all(|byte| byte == b':' || byte.is_ascii_digit()))?;
    let sign = match sign {
        "+" => 1,
        "-" => -1,
        _ => return None,
    };
    let within = |digits: &str, most: i64| {
        digits.parse().ok().filter(|number: &i64| digits.len() == 2 && *number <= most)
    };
    Some(sign * (within(hours, 23)? * 60 + within(minutes, 59)?) * 60_000_000_000)
}

/// The time of one exposure, in s: what a daemon may be asked for. The meter has limits of its own.
///
/// # Errors
/// A sentence that says what is expected.
pub fn integration(text: &str) -> Result<f64, String> {
    within(seconds, 1e-6..=3600.0, "1us to 1h")(text)
}

/// The time from one reading to the next, or a reading's age, in s: what a daemon may be asked for.
///
/// # Errors
/// A sentence that says what is expected.
pub fn interval(text: &str) -> Result<f64, String> {
    within(seconds, 0.0..=86_400.0, "0 to 24h")(text)
}

/// A finite number.
///
/// # Errors
/// A sentence that says what is expected.
pub fn number(text: &str) -> Result<f64, String> {
    let number = text.trim().parse::<f64>().ok().filter(|number| number.is_finite());
    number.ok_or_else(|| "expected a number such as 0.0005".to_owned())
}

/// The same parser, for what lies in `range` alone; `ends` names its ends as one would type them.
pub fn within(
    parse: fn(&str) -> Result<f64, String>,
    range: RangeInclusive<f64>,
    ends: &'static str,
) -> impl Fn(&str) -> Result<f64, String> + Clone + Send + Sync + 'static {
    move |text| {
        let value = parse(text)?;
        if range.contains(&value) { Ok(value) } else { Err(format!("must be from {ends}")) }
    }
}

/// A share from text such as `0.5%`. The % is never left out: 0.5 could be half a per cent or half of the whole.
///
/// # Errors
/// A sentence that says what is expected.
pub fn share(text: &str) -> Result<f64, String> {
    with_percent_sign(text, "expected a share such as 0.5%").map(|percent| percent / 100.0)
}

/// Per cent from text such as `10%`; written with its %, as every share is.
///
/// # Errors
/// A sentence that says what is expected.
pub fn percent(text: &str) -> Result<f64, String> {
    let expected = "expected a percentage above 0 and up to 100, such as 10%";
    let number = with_percent_sign(text, expected)?;
    if number > 0.0 && number <= 100.0 { Ok(number) } else { Err(expected.to_owned()) }
}

/// The number before a %. A bare number is refused with the ways to write what may have been meant.
fn with_percent_sign(text: &str, expected: &str) -> Result<f64, String> {
    let text = text.trim();
    let number = |digits: &str| digits.trim_end().parse::<f64>().ok().filter(|number| number.is_finite());
    if let Some(digits) = text.strip_suffix('%') {
        return number(digits).ok_or_else(|| expected.to_owned());
    }
    Err(match number(text) {
        Some(fraction) if (0.0..=1.0).contains(&fraction) => {
            // To a millionth of a per cent: 0.07 is 7 %, not 7.000000000000001 %.
            let whole = (fraction * 1e8).round() / 1e6;
            format!("write it with its %: {text}%, or {whole}% if a fraction was meant")
        }
        Some(_) => format!("write it with its %: {text}%"),
        None => expected.to_owned(),
    })
}

/// A bit depth of code values.
///
/// # Errors
/// A sentence that says what is expected.
pub fn bits(text: &str) -> Result<u8, String> {
    let bits = text.trim().parse().ok().filter(|bits| [8, 10, 12].contains(bits));
    bits.ok_or_else(|| "expected 8, 10 or 12".to_owned())
}

/// What code values stand for.
///
/// # Errors
/// A sentence that says what is expected.
pub fn range(text: &str) -> Result<Range, String> {
    match text.trim() {
        "full" => Ok(Range::Full),
        "narrow" => Ok(Range::Narrow),
        _ => Err("expected full or narrow".to_owned()),
    }
}

/// A place on the screen from text such as `0.1,0.5`: shares of its width and height from the top left.
///
/// # Errors
/// A sentence that says what is expected.
pub fn position(text: &str) -> Result<[f64; 2], String> {
    let shares: Result<Vec<f64>, _> = text.split(',').map(|share| share.trim().parse()).collect();
    match shares.as_deref() {
        Ok([x, y]) if [x, y].into_iter().all(|share| (0.0..=1.0).contains(share)) => Ok([*x, *y]),
        _ => Err("expected shares X,Y of the screen's width and height from the top left, each from 0 to 1, such as 0.5,0.5".to_owned()),
    }
}

/// Code values from text such as `1023,1023,1023`, or `512` for a grey.
///
/// # Errors
/// A sentence that says what is expected.
pub fn colour(text: &str) -> Result<[u16; 3], String> {
    let codes: Result<Vec<u16>, _> = text.split(',').map(|code| code.trim().parse()).collect();
    match codes.as_deref() {
        Ok([grey]) => Ok([*grey; 3]),
        Ok([r, g, b]) => Ok([*r, *g, *b]),
        _ => Err("expected code values R,G,B such as 1023,1023,1023, or one for a grey".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_people_write_is_understood() {
        assert_eq!(seconds("60s"), Ok(60.0));
        assert_eq!(seconds(" 1.5h "), Ok(5400.0));
        assert_eq!(seconds("1h 30min"), Ok(5400.0));
        assert_eq!(seconds("400ms"), Ok(0.4));
        assert_eq!(share("0.5%"), Ok(0.005));
        assert!((share("99.99%").unwrap() - 0.9999).abs() < 1e-12);
        assert_eq!(percent("10 %"), Ok(10.0));
        assert_eq!(percent("0.25%"), Ok(0.25));
        assert_eq!(colour("512"), Ok([512; 3]));
        assert_eq!(colour("1, 2, 3"), Ok([1, 2, 3]));
        assert_eq!(position("0, 0.25"), Ok([0.0, 0.25]));
    }

    #[test]
    fn a_place_beside_the_screen_is_none() {
        for text in ["", "0.5", "0.5,0.5,0.5", "1.01,0.5", "0.5,-0.1", "nan,0.5", "50%,50%"] {
            assert!(position(text).unwrap_err().contains("from 0 to 1"), "{text}");
        }
    }

    #[test]
    fn a_moment_may_be_given_with_an_offset_and_a_negative_time_is_called_that() {
        let utc = "2026-11-25T18:00:00Z".parse::<Timestamp>().unwrap();
        for text in ["2026-11-25T18:00:00Z", "2026-11-25T19:00:00+01:00", "2026-11-25T12:30:00.0-05:30"] {
            assert_eq!(moment(text), Ok(utc), "{text}");
        }
        for text in [
            "",
            "now",
            "2026-11-25T19:00:00",
            "2026-11-25T19:00:00+1:00",
            "2026-11-25T19:00:00+24:00",
            "\u{e9}\u{e9}\u{e9}\u{e9}",
        ] {
            assert!(moment(text).unwrap_err().contains("+01:00"), "{text}");
        }
        for text in ["-1", "-1s", "-5min"] {
            assert_eq!(seconds(text).unwrap_err(), "must not be negative", "{text}");
        }
        assert!(seconds("-soon").unwrap_err().starts_with("expected"));
    }

    #[test]
    fn what_makes_no_sense_is_refused() {
        for text in ["", "-1", "nan", "soon"] {
            assert!(seconds(text).is_err(), "{text}");
        }
        assert!(share("NaN").is_err() && share("%").is_err() && share("NaN%").is_err());
        assert!(percent("0%").is_err() && percent("101%").is_err() && percent("-1%").is_err());
        assert!(integration("0").is_err() && integration("2h").is_err() && interval("25h").is_err());
        assert!(number("inf").is_err() && bits("9").is_err());
        assert!(colour("1,2").is_err() && colour("70000").is_err() && colour("red").is_err());
    }

    #[test]
    fn a_time_without_its_unit_is_refused_with_how_to_write_it_unless_it_is_none() {
        assert_eq!(seconds("8").unwrap_err(), "write it with its unit: 8h, 8min or 8s");
        assert_eq!(seconds("1.5").unwrap_err(), "write it with its unit: 1.5h, 1.5min or 1.5s");
        assert_eq!(seconds("0.07").unwrap_err(), "write it with its unit: 0.07s, which is 70ms, or 0.07min");
        assert_eq!(["0", "0.0", "0s"].map(seconds), [Ok(0.0), Ok(0.0), Ok(0.0)]);
        // What is suggested is understood.
        for suggested in ["1.5h", "1.5min", "0.07s", "70ms"] {
            assert!(seconds(suggested).is_ok(), "{suggested}");
        }
        assert!(interval("8").unwrap_err().contains("8min"));
        for (text, number) in [("+8", "8"), ("8e2", "800"), ("8.", "8"), ("1.50", "1.5")] {
            let words = format!("write it with its unit: {number}h, {number}min or {number}s");
            assert_eq!(seconds(text).unwrap_err(), words, "{text}");
            assert!(seconds(&format!("{number}h")).is_ok(), "{text}");
        }
        assert_eq!(seconds("1e300").unwrap_err(), NO_TIME, "with a unit it isn't understood either");
    }

    #[test]
    fn a_share_without_its_percent_sign_is_refused_with_how_to_write_it() {
        assert_eq!(share("0.5").unwrap_err(), "write it with its %: 0.5%, or 50% if a fraction was meant");
        assert_eq!(share("0.07").unwrap_err(), "write it with its %: 0.07%, or 7% if a fraction was meant");
        assert_eq!(percent("25").unwrap_err(), "write it with its %: 25%");
    }
}
