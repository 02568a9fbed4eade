//! Requests that are alike: the same but for the numbers in them.

/// A request without its numbers, and the numbers.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Shape {
    letters: Vec<u8>,
    numbers: Vec<f64>,
}

impl Shape {
    /// The shape of a request: `SENS:INT 0.1` is `SENS:INT #` and 0.1.
    pub(super) fn of(request: &[u8]) -> Self {
        let (mut letters, mut numbers, mut run) = (Vec::new(), Vec::new(), String::new());
        let mut finish = |run: &mut String, letters: &mut Vec<u8>| {
            if run.bytes().any(|byte| byte.is_ascii_digit()) {
                letters.push(b'#');
                // Two points make no number; such a request is like none but itself.
                numbers.push(run.parse().unwrap_or(f64::INFINITY));
            } else {
                letters.extend_from_slice(run.as_bytes());
            }
            run.clear();
        };
        for byte in request {
            if byte.is_ascii_digit() || *byte == b'.' {
                run.push(char::from(*byte));
            } else {
                finish(&mut run, &mut letters);
                letters.push(*byte);
            }
        }
        finish(&mut run, &mut letters);
        Self { letters, numbers }
    }

    /// Whether there are numbers in it: then it may set something that later answers depend on.
    pub(super) fn sets(&self) -> bool {
        !self.numbers.is_empty()
    }

    /// How far this is from another: 0 for the same numbers, at most 1 for each that differs; nothing if they are not alike.
    pub(super) fn distance(&self, other: &Self) -> Option<f64> {
        if self.letters != other.letters {
            return None;
        }
        let apart = |(a, b): (&f64, &f64)| {
            let largest = a.abs().max(b.abs());
            if a == b {
                0.0
            } else if largest.is_finite() {
                (a - b).abs() / largest
            } else {
                1.0
            }
        };
        Some(self.numbers.iter().zip(&other.numbers).map(apart).sum())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn distance(a: &str, b: &str) -> Option<f64> {
        Shape::of(a.as_bytes()).distance(&Shape::of(b.as_bytes()))
    }

    #[test]
    fn requests_are_alike_if_only_their_numbers_differ() {
        assert_eq!(distance("SENS:INT 0.1\n", "SENS:INT 0.1\n"), Some(0.0));
        assert!(distance("SENS:INT 0.1\n", "SENS:INT 0.2\n") < distance("SENS:INT 0.1\n", "SENS:INT 0.4\n"));
        assert_eq!(distance("SENS:INT 0.1\n", "SENS:GAIN 0.1\n"), None);
        assert_eq!(distance("READ?\n", "READ?\n"), Some(0.0));
    }

    #[test]
    fn a_request_sets_something_if_there_is_a_number_in_it() {
        assert!(Shape::of(b"SENS:INT 0.1\n").sets() && Shape::of(b"CH2").sets());
        assert!(!Shape::of(b"READ?\n").sets() && !Shape::of(b"").sets() && !Shape::of(b"a.b").sets());
    }
}
