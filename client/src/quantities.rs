//! Numbers from people: durations, percentages, colours. Errors name what was wrong.

use std::time::Duration;

/// Seconds from text such as `60`, `90s` or `1h 30min`.
///
/// # Errors
/// A sentence that says what is expected.
pub fn seconds(text: &str) -> Result<f64, String> {
    let plain = text.parse::<f64>().ok().filter(|seconds| seconds.is_finite() && *seconds >= 0.0);
    let worded = || humantime::parse_duration(text).map(|duration: Duration| duration.as_secs_f64()).ok();
    plain.or_else(worded).ok_or_else(|| "expected a time such as 60, 90s, 400ms or 1h 30min".to_owned())
}

/// A share from text such as `0.5%` or `0.005`.
///
/// # Errors
/// A sentence that says what is expected.
pub fn share(text: &str) -> Result<f64, String> {
    let (digits, scale) = match text.trim().strip_suffix('%') {
        Some(digits) => (digits.trim_end(), 0.01),
        None => (text.trim(), 1.0),
    };
    let number = digits.parse::<f64>().ok().map(|number| number * scale);
    number
        .filter(|share| share.is_finite())
        .ok_or_else(|| "expected a share such as 0.5% or 0.005".to_owned())
}

/// Per cent from text such as `10%` or `10`.
///
/// # Errors
/// A sentence that says what is expected.
pub fn percent(text: &str) -> Result<f64, String> {
    let digits = text.trim().trim_end_matches('%').trim_end();
    let number = digits.parse::<f64>().ok().filter(|percent| *percent > 0.0 && *percent <= 100.0);
    number.ok_or_else(|| "expected a percentage above 0 and up to 100, such as 10%".to_owned())
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
        assert_eq!(seconds("60"), Ok(60.0));
        assert_eq!(seconds("1h 30min"), Ok(5400.0));
        assert_eq!(seconds("400ms"), Ok(0.4));
        assert_eq!(share("0.5%"), Ok(0.005));
        assert_eq!(share("0.005"), Ok(0.005));
        assert_eq!(percent("10 %"), Ok(10.0));
        assert_eq!(colour("512"), Ok([512; 3]));
        assert_eq!(colour("1, 2, 3"), Ok([1, 2, 3]));
    }

    #[test]
    fn what_makes_no_sense_is_refused() {
        for text in ["", "-1", "nan", "soon"] {
            assert!(seconds(text).is_err(), "{text}");
        }
        assert!(
            share("NaN").is_err() && share("%").is_err() && percent("0").is_err() && percent("101").is_err()
        );
        assert!(colour("1,2").is_err() && colour("70000").is_err() && colour("red").is_err());
    }
}
