//! How long what is left of a review takes, by how long what is done took.

/// What was expected and what it took, in s of the daemon's clock.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Pace {
    expected_s: f64,
    took_s: f64,
}

/// So much of what was expected counts beside what was found, in s: the first few stimuli say little.
const PRIOR_S: f64 = 30.0;

impl Pace {
    /// A stimulus is done.
    pub fn took(&mut self, expected_s: f64, took_s: f64) {
        self.expected_s += expected_s;
        self.took_s += took_s;
    }

    /// How long is left of what was expected to take so long.
    #[must_use]
    pub fn left_s(&self, expected_s: f64) -> f64 {
        expected_s * (self.took_s + PRIOR_S) / (self.expected_s + PRIOR_S)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_left_is_told_by_what_was_found() {
        let mut pace = Pace::default();
        assert_eq!(pace.left_s(100.0), 100.0);
        for _ in 0..1000 {
            pace.took(5.0, 10.0);
        }
        assert!((pace.left_s(100.0) - 200.0).abs() < 1.0);
    }
}
