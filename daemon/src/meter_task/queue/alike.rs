//! Which requests ask for the same exposure.
//!
//! Those that leave the integration time to the meter do, and share whatever a settling has lengthened it to: no more exposures are
//! made than for that settling alone. It is never longer than is of use to each that settles.

use settled_drivers::sample::Exposure;

use super::item::Lengths;

/// An exposure as it is made.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Exposed {
    /// Its settings.
    pub exposure: Exposure,
    /// It is also what those get who leave the integration time to the meter.
    pub free: bool,
}

impl Exposed {
    /// Whether it is what somebody asks for.
    #[must_use]
    pub fn serves(&self, asked: Exposure) -> bool {
        match asked.integration_s {
            Some(_) => self.exposure == asked,
            None => self.free,
        }
    }

    /// What it was lengthened to, in s, from what the meter would have chosen.
    #[must_use]
    pub fn lengthened_s(&self) -> Option<f64> {
        self.exposure.integration_s.filter(|_| self.free)
    }
}

/// What those get who leave the integration time to the meter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Alike(Exposure);

impl Alike {
    /// The longest that a settling has lengthened it to, of those that are of use to all; else the meter's own choice.
    pub(super) fn new(settlings: impl Iterator<Item = Lengths> + Clone) -> Self {
        let longest_s = settlings.clone().map(|lengths| lengths.longest_s).min_by(f64::total_cmp);
        let longer = settlings.filter_map(|lengths| lengths.longer_s);
        let integration_s = longer.filter(|longer_s| Some(*longer_s) <= longest_s).max_by(f64::total_cmp);
        Self(Exposure { integration_s })
    }

    /// What is exposed for somebody who asks for this.
    pub(super) fn exposed(self, asked: Exposure) -> Exposed {
        let exposure = if asked == Exposure::default() { self.0 } else { asked };
        Exposed { exposure, free: exposure == self.0 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn alike(settlings: &[(Option<f64>, f64)]) -> Option<f64> {
        let lengths = settlings.iter().map(|&(longer_s, longest_s)| Lengths { longer_s, longest_s });
        Alike::new(lengths).0.integration_s
    }

    #[test]
    fn the_longest_that_is_of_use_to_all_is_shared() {
        assert_eq!(alike(&[]), None);
        assert_eq!(alike(&[(None, 4.0)]), None);
        assert_eq!(alike(&[(Some(0.5), 4.0), (Some(2.0), 4.0), (None, 4.0)]), Some(2.0));
        assert_eq!(alike(&[(Some(0.5), 4.0), (Some(2.0), 4.0), (None, 1.0)]), Some(0.5));
        assert_eq!(alike(&[(Some(2.0), 4.0), (None, 1.0)]), None);
    }

    #[test]
    fn what_is_asked_for_exactly_is_given_exactly_and_shared_where_it_is_the_same() {
        let alike = Alike(Exposure { integration_s: Some(2.0) });
        let exactly = |integration_s| Exposure { integration_s: Some(integration_s) };
        let (free, same, other) = (Exposure::default(), exactly(2.0), exactly(1.0));
        assert_eq!(alike.exposed(free), alike.exposed(same));
        assert!(alike.exposed(free).serves(same) && alike.exposed(same).serves(free));
        assert!(!alike.exposed(free).serves(other) && !alike.exposed(other).serves(free));
        assert_eq!((alike.exposed(free).lengthened_s(), alike.exposed(other).lengthened_s()), (Some(2.0), None));
        let unlengthened = Alike(free).exposed(free);
        assert!(unlengthened.serves(free) && !unlengthened.serves(same));
        assert_eq!(unlengthened.lengthened_s(), None);
    }
}
