//! Readings that are thinned out stay so across a return: the daemon begins to count anew, and its first reading would come
//! sooner than was asked for.

use settled_protocol::reading::Reading;

/// How much too soon a reading may come, as a share of the time between two: clocks round.
const EARLY: f64 = 1e-3;

/// The pace of the readings that are given.
#[derive(Debug)]
pub(super) struct Pace {
    every_s: f64,
    /// Boot and time of the last one.
    last: Option<(String, f64)>,
    /// The next is the first since the return.
    returned: bool,
}

impl Pace {
    /// That of a reading each `every_s`, at most; nothing where all are wanted.
    pub(super) fn new(every_s: f64) -> Option<Self> {
        (every_s > 0.0).then_some(Self { every_s, last: None, returned: false })
    }

    /// The daemon counts anew.
    pub(super) fn begin_anew(&mut self) {
        self.returned = true;
    }

    /// What comes now is of another log, or of none: the next begins the beat, whatever came before.
    pub(super) fn forget(&mut self) {
        self.last = None;
    }

    /// Whether this one is to be given.
    pub(super) fn admits(&mut self, reading: &Reading) -> bool {
        let due_s = self.every_s * (1.0 - EARLY);
        let is_too_soon = |(boot, t_s): &(String, f64)| *boot == reading.boot && reading.t_s - t_s < due_s;
        if std::mem::take(&mut self.returned) && self.last.as_ref().is_some_and(is_too_soon) {
            return false;
        }
        self.last = Some((reading.boot.clone(), reading.t_s));
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reading(boot: &str, t_s: f64) -> Reading {
        let members = serde_json::json!({
            "sequence": 1, "meter": "m", "at": "2026-11-25T18:00:00Z", "t_s": t_s, "began_s": 0, "boot": boot,
            "luminance_cd_m2": 1.0, "flags": [],
        });
        serde_json::from_value(members).unwrap()
    }

    #[test]
    fn the_first_reading_after_a_return_waits_for_its_time_unless_it_is_of_another_boot() {
        assert!(Pace::new(0.0).is_none());
        let mut pace = Pace::new(60.0).unwrap();
        // While the daemon counts, one that was late makes the next seem early.
        assert!(pace.admits(&reading("a", 0.0)) && pace.admits(&reading("a", 70.0)));
        assert!(pace.admits(&reading("a", 120.0)));
        pace.begin_anew();
        assert!(!pace.admits(&reading("a", 125.0)));
        // The daemon's next is a minute after that one.
        assert!(pace.admits(&reading("a", 185.0)));
        pace.begin_anew();
        assert!(pace.admits(&reading("b", 1.0)));
        pace.begin_anew();
        assert!(pace.admits(&reading("b", 61.0 - 1e-9)));
    }

    #[test]
    fn the_first_reading_of_another_log_is_given_and_begins_the_beat() {
        let mut pace = Pace::new(60.0).unwrap();
        assert!(pace.admits(&reading("a", 0.0)));
        pace.begin_anew();
        pace.forget();
        assert!(pace.admits(&reading("a", 5.0)));
        pace.begin_anew();
        assert!(!pace.admits(&reading("a", 60.0)) && pace.admits(&reading("a", 65.0)));
    }
}
