//! At most one reading a beat: for a subscriber that wants fewer than there are.
//!
//! Beats are counted from the first reading that is given and don't drift: a reading that comes late doesn't put off those after it.

use settled_protocol::reading::Reading;

/// By how much of a beat a reading may come early and still count as on it: times are sums of fractions, and a beat that is missed by
/// the last bit of one would cost a whole reading.
const EARLY: f64 = 1e-6;

/// One subscriber's beat.
#[derive(Debug)]
pub(super) struct Beat {
    every_s: f64,
    given: Option<Given>,
}

/// The reading that was given last.
#[derive(Debug)]
struct Given {
    /// The boot whose clock beats are counted by.
    boot: String,
    /// When the first of this boot's readings ended, in s.
    first_s: f64,
    /// The beats from that one to the last.
    beats: f64,
}

impl Beat {
    /// One reading each `every_s`; nothing for 0, which is all of them.
    pub(super) fn new(every_s: f64) -> Option<Self> {
        (every_s > 0.0).then_some(Self { every_s, given: None })
    }

    /// Whether a reading is the first of its beat, and so is to be given.
    pub(super) fn takes(&mut self, reading: &Reading) -> bool {
        let beats = self.beats(reading);
        match (&mut self.given, beats) {
            (Some(given), Some(beats)) => {
                let takes = beats > given.beats;
                given.beats = given.beats.max(beats);
                takes
            }
            // The first of all, or of its boot: nothing is known of the time between two boots.
            (given, _) => {
                *given = Some(Given { boot: reading.boot.clone(), first_s: reading.t_s, beats: 0.0 });
                true
            }
        }
    }

    /// How many beats there were between the last reading that was given and this one: so many could have been given in between.
    pub(super) fn between(&self, reading: &Reading) -> f64 {
        match (&self.given, self.beats(reading)) {
            (Some(given), Some(beats)) => (beats - given.beats - 1.0).max(0.0),
            _ => f64::INFINITY,
        }
    }

    /// The beats up to a reading; nothing if they aren't counted by its clock.
    fn beats(&self, reading: &Reading) -> Option<f64> {
        let Given { boot, first_s, .. } = self.given.as_ref()?;
        let beats = ((reading.t_s - first_s) / self.every_s + EARLY).floor();
        (*boot == reading.boot && reading.t_s >= *first_s).then_some(beats)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::meter_task::plain_reading;

    fn reading(boot: &str, t_s: f64) -> Reading {
        Reading { t_s, began_s: t_s, boot: boot.to_owned(), ..plain_reading() }
    }

    /// Those of the times at which a reading is given.
    fn given(every_s: f64, times_s: impl IntoIterator<Item = f64>) -> Vec<f64> {
        let mut beat = Beat::new(every_s).unwrap();
        times_s.into_iter().filter(|t_s| beat.takes(&reading("b", *t_s))).collect()
    }

    #[test]
    fn the_first_reading_of_each_beat_is_given_and_beats_dont_drift() {
        // A reading each 0.3 s: the beat is kept, though none ever ends on it.
        let tenths = given(1.0, (0..=40).map(|index| 100.0 + f64::from(index) * 0.3));
        let expected =
            [100.0, 101.2, 102.1, 103.0, 104.2, 105.1, 106.0, 107.2, 108.1, 109.0, 110.2, 111.1, 112.0];
        assert!(
            tenths.iter().zip(expected).all(|(given, expected)| (given - expected).abs() < 1e-9),
            "{tenths:?}"
        );
        assert_eq!(tenths.len(), expected.len());
    }

    #[test]
    fn readings_that_come_on_the_beat_are_all_given_however_their_times_are_rounded() {
        for every_s in [0.1, 0.3, 1.0 / 3.0, 0.7] {
            for first_s in [0.0, 0.1, 12_345.678] {
                let times_s: Vec<f64> =
                    (0..10_000).map(|index| first_s + f64::from(index) * every_s).collect();
                assert_eq!(given(every_s, times_s.clone()), times_s, "{every_s} from {first_s}");
            }
        }
    }

    #[test]
    fn what_comes_seldom_is_given_and_what_comes_late_puts_off_nothing() {
        assert_eq!(given(1.0, [0.0, 5.7, 6.1, 6.2, 7.0]), [0.0, 5.7, 6.1, 7.0]);
    }

    #[test]
    fn another_boot_is_another_beat() {
        let mut beat = Beat::new(10.0).unwrap();
        for (boot, t_s, taken) in
            [("a", 500.0, true), ("a", 505.0, false), ("b", 3.0, true), ("b", 9.0, false), ("b", 13.0, true)]
        {
            assert_eq!(beat.takes(&reading(boot, t_s)), taken, "{boot} {t_s}");
        }
    }

    #[test]
    fn beats_that_went_by_without_a_reading_are_counted() {
        let mut beat = Beat::new(1.0).unwrap();
        assert!(beat.takes(&reading("b", 0.5)));
        for (t_s, between) in [(0.9, 0.0), (1.6, 0.0), (2.6, 1.0), (9.5, 8.0)] {
            assert_eq!(beat.between(&reading("b", t_s)), between, "{t_s}");
        }
        assert_eq!(beat.between(&reading("another", 1.6)), f64::INFINITY);
    }
}
