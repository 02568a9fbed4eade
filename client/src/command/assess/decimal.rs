//! Decimal numbers out of bytes: to the last bit what the standard library's parser gives, and faster where they are short.

/// Powers of ten that a double holds exactly.
const POWERS: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18,
    1e19, 1e20, 1e21, 1e22,
];

/// The largest whole number up to which a double holds every one.
const EXACT: u64 = 1 << 53;

/// Digits that surely fit 64 bits.
const DIGITS: usize = 19;

/// The number that `bytes` begin with, as JSON writes numbers, and its length. Nothing if it is none, or isn't finite.
#[inline]
pub(super) fn leading(bytes: &[u8]) -> Option<(f64, usize)> {
    let is_negative = bytes.first() == Some(&b'-');
    let start = usize::from(is_negative);
    let (mut mantissa, whole) = digits(bytes, start, 0);
    let mut end = start + whole;
    if whole == 0 || (whole > 1 && bytes[start] == b'0') {
        return None;
    }
    let mut fraction = 0;
    if bytes.get(end) == Some(&b'.') {
        (mantissa, fraction) = digits(bytes, end + 1, mantissa);
        end += 1 + fraction;
        if fraction == 0 {
            return None;
        }
    }
    let plain = !matches!(bytes.get(end), Some(b'e' | b'E'));
    // Both are exact, so that their quotient is the nearest double.
    if plain && whole + fraction <= DIGITS && mantissa <= EXACT && fraction < POWERS.len() {
        #[expect(clippy::cast_precision_loss, reason = "no more than 53 bits")]
        let value = mantissa as f64 / POWERS[fraction];
        return Some((if is_negative { -value } else { value }, end));
    }
    if !plain {
        end += exponent(&bytes[end..])?;
    }
    let text = std::str::from_utf8(&bytes[..end]).ok()?;
    text.parse().ok().filter(|value: &f64| value.is_finite()).map(|value| (value, end))
}

/// Appends the digits from `start` on to `mantissa`, and counts them. Too many make nonsense of it, which the caller sees by
/// their count.
#[inline]
fn digits(bytes: &[u8], start: usize, mut mantissa: u64) -> (u64, usize) {
    let mut count = 0;
    for byte in &bytes[start.min(bytes.len())..] {
        let digit = byte.wrapping_sub(b'0');
        if digit > 9 {
            break;
        }
        mantissa = mantissa.wrapping_mul(10).wrapping_add(u64::from(digit));
        count += 1;
    }
    (mantissa, count)
}

/// The length of the exponent that `bytes` begin with, its letter included.
fn exponent(bytes: &[u8]) -> Option<usize> {
    let sign = usize::from(matches!(bytes.get(1), Some(b'+' | b'-')));
    let (_, count) = digits(bytes, 1 + sign, 0);
    (count > 0).then_some(1 + sign + count)
}

/// The number that `field` is, blanks about it aside, as people write numbers: also `+5`, `.5` and `5.`.
#[inline]
pub(super) fn whole(field: &[u8]) -> Option<f64> {
    let field = field.trim_ascii();
    match leading(field) {
        Some((value, length)) if length == field.len() => Some(value),
        _ => {
            let text = std::str::from_utf8(field).ok()?;
            // Words such as nan and infinity are no numbers here.
            let is_numeric = text.bytes().any(|byte| byte.is_ascii_digit());
            text.parse().ok().filter(|value: &f64| is_numeric && value.is_finite())
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn bits(value: Option<f64>) -> Option<u64> {
        value.map(f64::to_bits)
    }

    proptest! {
        #[test]
        fn a_number_is_that_of_the_standard_library_to_the_last_bit(
            text in r"-?(0|[1-9][0-9]{0,20})(\.[0-9]{1,25})?([eE][+-]?[0-9]{1,3})?"
        ) {
            let expected = text.parse().ok().filter(|value: &f64| value.is_finite());
            prop_assert_eq!(bits(leading(text.as_bytes()).map(|(value, _)| value)), bits(expected));
            prop_assert_eq!(bits(whole(text.as_bytes())), bits(expected));
            let followed = format!("{text},7");
            let length = leading(followed.as_bytes()).map(|(_, length)| length);
            prop_assert_eq!(length, expected.map(|_| text.len()));
        }

        #[test]
        fn whatever_is_a_number_comes_back_from_its_shortest_text(value in any::<f64>()) {
            prop_assume!(value.is_finite());
            prop_assert_eq!(bits(whole(format!("{value}").as_bytes())), Some(value.to_bits()));
            prop_assert_eq!(bits(whole(format!("{value:e}").as_bytes())), Some(value.to_bits()));
        }
    }

    #[test]
    fn what_is_no_number_is_none() {
        for text in ["", "-", ".", "e5", "nan", "inf", "1e999", "1,5", "0x10", "1 2", "--1"] {
            assert_eq!(whole(text.as_bytes()), None, "{text}");
        }
        for text in ["", "-", ".5", "5.", "01", "1.e5", "+1", "1e", "1e+"] {
            assert_eq!(leading(text.as_bytes()), None, "{text}");
        }
        assert_eq!(
            [" 5. ", "+5", ".5"].map(|text| whole(text.as_bytes())),
            [Some(5.0), Some(5.0), Some(0.5)]
        );
    }
}
