//! Sizes as people write them.

use crate::recorder::LEAST_LIMIT;

/// Units, and what one of each is in bytes.
const UNITS: [(&str, u64); 10] = [
    ("", 1),
    ("B", 1),
    ("kB", 1000),
    ("MB", 1_000_000),
    ("GB", 1_000_000_000),
    ("TB", 1_000_000_000_000),
    ("KiB", 1 << 10),
    ("MiB", 1 << 20),
    ("GiB", 1 << 30),
    ("TiB", 1 << 40),
];

/// A size in bytes from text such as `500MB` or `2GiB`.
///
/// # Errors
/// A sentence that says what is wrong with it.
pub fn bytes(text: &str) -> Result<u64, String> {
    let digits = text.find(|c: char| !c.is_ascii_digit()).unwrap_or(text.len());
    let (number, unit) = text.split_at(digits);
    let scale = UNITS.iter().find(|(name, _)| *name == unit.trim()).map(|(_, scale)| *scale);
    let bytes = number.parse::<u64>().ok().zip(scale).and_then(|(number, scale)| number.checked_mul(scale));
    let bytes = bytes.ok_or("expected a whole number and a unit, such as 500MB or 2GiB")?;
    if bytes < LEAST_LIMIT { Err(format!("expected at least {LEAST_LIMIT} bytes")) } else { Ok(bytes) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_are_read_with_and_without_a_unit() {
        assert_eq!(bytes("65536"), Ok(65_536));
        assert_eq!(bytes("500MB"), Ok(500_000_000));
        assert_eq!(bytes("2 GiB"), Ok(2 << 30));
        for wrong in ["", "GiB", "1.5GiB", "-1", "10 parsecs", "99999999999TiB", "10kB"] {
            assert!(bytes(wrong).is_err(), "{wrong}");
        }
    }
}
