//! When a meter must be zeroed. Pure: it is told the time and the meter's temperature.
//!
//! A zero is good for so long, or as long as the meter's temperature stays near that at the zero, as its description says. Once it
//! must be zeroed that stays so until it is, though its temperature should come back.

use std::time::Duration;

use settled_drivers::meter::{Overdue, ZeroNeed};
use settled_protocol::meter::Zero;
use settled_protocol::time::Timestamp;

use crate::clock::Moment;
use crate::log;

/// How an open meter stands with its zero.
#[derive(Clone, Debug)]
pub(super) struct Due {
    need: ZeroNeed,
    last: Option<Last>,
    /// The latest temperature that a reading told, and when, in °C and s.
    latest: Option<Told>,
    /// The temperature has moved too far: from which to which, in °C.
    moved: Option<(f64, f64)>,
}

/// A zero that counts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Last {
    at: Timestamp,
    /// On this boot's clock; negative if it was before the boot.
    t_s: f64,
    /// The temperature that it belongs to.
    temperature: Temperature,
}

/// What is known of the temperature at a zero. It is that of the reading nearest to it in time.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Temperature {
    /// No reading has told one since; that of the last reading before, if there was one.
    Before(Option<Told>),
    /// For good, in °C.
    Known(f64),
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Told {
    t_s: f64,
    celsius: f64,
}

impl Last {
    /// A zero that the log knows of; nothing if it can't be told how long ago it was: spans come from the boot clock, and across
    /// boots from UTC, which says nothing of a zero that lies in the future.
    pub(super) fn kept(zero: &log::Zero, now: Moment, boot: &str) -> Option<Self> {
        let t_s = if zero.boot == boot {
            zero.t_s
        } else {
            let ns = now.at.unix_ns().checked_sub(zero.at.unix_ns())?;
            now.t_s - Duration::from_nanos(ns).as_secs_f64()
        };
        let temperature = zero.temperature_c.map_or(Temperature::Before(None), Temperature::Known);
        (t_s <= now.t_s).then_some(Self { at: zero.at, t_s, temperature })
    }

    /// As the log keeps it.
    pub(super) fn to_keep(self, boot: &str) -> log::Zero {
        let Self { at, t_s, .. } = self;
        log::Zero { at, t_s, boot: boot.to_owned(), temperature_c: self.celsius() }
    }

    /// The temperature that it belongs to, in °C.
    pub(super) fn celsius(self) -> Option<f64> {
        match self.temperature {
            Temperature::Before(told) => told.map(|told| told.celsius),
            Temperature::Known(celsius) => Some(celsius),
        }
    }
}

impl Due {
    /// A meter that needs zeroing, and its last zero. One that must be zeroed each time it is opened has none.
    pub(super) fn new(need: ZeroNeed, last: Option<Last>) -> Self {
        Self { need, last: last.filter(|_| !need.at_start), latest: None, moved: None }
    }

    /// The meter has just been zeroed.
    pub(super) fn zeroed(&mut self, moment: Moment) -> Last {
        let Moment { at, t_s } = moment;
        let last = Last { at, t_s, temperature: Temperature::Before(self.latest) };
        (self.last, self.moved) = (Some(last), None);
        last
    }

    /// The zero that counts.
    pub(super) fn last(&self) -> Option<Last> {
        self.last
    }

    /// Whatever zero there was counts no more.
    pub(super) fn forget(&mut self) {
        self.last = None;
    }

    /// A reading told the meter's temperature. Gives the zero to be kept anew if it is now known at which temperature it was.
    pub(super) fn told(&mut self, t_s: f64, celsius: f64) -> Option<Last> {
        let now = Told { t_s, celsius };
        self.latest = Some(now);
        let last = self.last.as_mut()?;
        let (known, is_new) = match last.temperature {
            Temperature::Known(known) => (known, false),
            Temperature::Before(before) => {
                let nearer = before.filter(|before| last.t_s - before.t_s <= t_s - last.t_s);
                (nearer.map_or(celsius, |before| before.celsius), true)
            }
        };
        last.temperature = Temperature::Known(known);
        if self.need.within_k.is_some_and(|within_k| (celsius - known).abs() > within_k) {
            self.moved.get_or_insert((known, celsius));
        }
        is_new.then_some(*last)
    }

    /// From when on it must be zeroed, in s; never if infinite.
    pub(super) fn due_s(&self) -> f64 {
        let ZeroNeed { at_start, every_s, within_k, .. } = self.need;
        match self.last {
            _ if self.moved.is_some() => f64::NEG_INFINITY,
            Some(last) => every_s.map_or(f64::INFINITY, |every_s| last.t_s + every_s),
            None if at_start || every_s.is_some() || within_k.is_some() => f64::NEG_INFINITY,
            None => f64::INFINITY,
        }
    }

    /// Whether it must be zeroed at `now_s`.
    pub(super) fn is_due(&self, now_s: f64) -> bool {
        now_s >= self.due_s()
    }

    /// Whether it gives no readings at `now_s`, until it has been zeroed.
    pub(super) fn refuses(&self, now_s: f64) -> bool {
        self.need.overdue == Overdue::Refuse && self.is_due(now_s)
    }

    /// Why it must be zeroed, where it must.
    pub(super) fn why(&self) -> String {
        match (self.moved, self.last, self.need.at_start) {
            (Some((from, to)), ..) => format!("its temperature has moved from {from:.1} to {to:.1} °C"),
            (None, Some(last), _) => self.too_long_ago(last),
            (None, None, true) => "it has not been zeroed since it was opened".to_owned(),
            (None, None, false) => "it is not known when it was last zeroed".to_owned(),
        }
    }

    fn too_long_ago(&self, last: Last) -> String {
        let every = self.need.every_s.and_then(|every_s| Duration::try_from_secs_f64(every_s).ok());
        let good_for = every.map_or_else(String::new, |every| {
            format!(", and a zero is good for {}", humantime::format_duration(every))
        });
        format!("it was last zeroed at {:.19}Z{good_for}", last.at.to_string())
    }

    /// As clients are told of it.
    pub(super) fn zero(&self, now_s: f64) -> Zero {
        Zero {
            at: self.last.map(|last| last.at),
            due: self.last.and_then(|last| self.next(last)),
            due_within_k: self.need.within_k,
            needed: self.is_due(now_s),
            why: self.is_due(now_s).then(|| self.why()),
            refuses: self.need.overdue == Overdue::Refuse,
        }
    }

    /// UTC of the next after `last`, at the latest.
    fn next(&self, last: Last) -> Option<Timestamp> {
        let every = Duration::try_from_secs_f64(self.need.every_s?).ok()?;
        let ns = u64::try_from(every.as_nanos()).ok()?;
        last.at.unix_ns().checked_add(ns).map(Timestamp::from_unix_ns)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NEED: ZeroNeed =
        ZeroNeed { at_start: false, every_s: Some(3600.0), within_k: Some(2.0), overdue: Overdue::Flag };

    fn moment(t_s: f64) -> Moment {
        let at = Timestamp::from_unix_ns(1_795_629_600_000_000_000);
        Moment {
            at: Timestamp::from_unix_ns(at.unix_ns() + Duration::from_secs_f64(t_s).as_nanos() as u64),
            t_s,
        }
    }

    fn kept(t_s: f64, boot: &str) -> log::Zero {
        log::Zero { at: moment(t_s).at, t_s, boot: boot.to_owned(), temperature_c: Some(30.0) }
    }

    #[test]
    fn it_is_due_after_its_time_and_once_zeroed_no_more() {
        let mut due = Due::new(NEED, None);
        assert!(due.is_due(0.0) && due.zero(0.0).at.is_none() && due.zero(0.0).due.is_none());
        due.zeroed(moment(100.0));
        assert!(!due.is_due(100.0) && !due.is_due(3699.0) && due.is_due(3700.0));
        assert_eq!(due.zero(3699.0).why, None);
        let why = due.zero(3700.0).why.unwrap();
        assert!(
            why.starts_with("it was last zeroed at ") && why.ends_with(", and a zero is good for 1h"),
            "{why}"
        );
        assert_eq!(due.zero(100.0).due, Some(moment(3700.0).at));
        due.forget();
        assert!(due.is_due(100.0));
    }

    #[test]
    fn it_is_due_once_its_temperature_has_moved_and_stays_so() {
        let mut due = Due::new(ZeroNeed { every_s: None, ..NEED }, None);
        due.told(50.0, 30.0);
        due.zeroed(moment(60.0));
        // The reading before is nearer to the zero than the one after.
        assert_eq!(due.told(100.0, 31.0).and_then(Last::celsius), Some(30.0));
        assert_eq!(due.told(110.0, 32.0), None);
        assert!(!due.is_due(1e6));
        due.told(120.0, 32.1);
        assert!(due.is_due(120.0));
        due.told(130.0, 30.0);
        assert!(due.is_due(130.0) && due.why().contains("30.0 to 32.1"), "{}", due.why());
        due.zeroed(moment(140.0));
        assert!(!due.is_due(140.0));
    }

    #[test]
    fn the_temperature_at_a_zero_is_that_of_the_nearest_reading() {
        let mut due = Due::new(NEED, None);
        due.told(10.0, 25.0);
        due.zeroed(moment(100.0));
        assert_eq!(due.told(120.0, 28.0).and_then(Last::celsius), Some(28.0));
        assert!(!due.is_due(120.0));
    }

    #[test]
    fn a_meter_that_needs_none_is_never_due() {
        let need = ZeroNeed { every_s: None, within_k: None, ..NEED };
        let mut due = Due::new(need, None);
        assert!(!due.is_due(1e9));
        due.zeroed(moment(5.0));
        assert!(!due.is_due(1e9) && due.zero(1e9).due.is_none());
    }

    #[test]
    fn a_zero_of_this_boot_counts_by_the_boot_clock_and_one_of_another_by_utc() {
        let now = moment(10_000.0);
        let here =
            Last::kept(&log::Zero { at: moment(1.0).at, ..kept(9000.0, "here") }, now, "here").unwrap();
        assert_eq!(here.t_s, 9000.0);
        let before = Last::kept(&log::Zero { t_s: 77.0, ..kept(9000.0, "before") }, now, "here").unwrap();
        assert!((before.t_s - 9000.0).abs() < 1e-6, "{before:?}");
        assert!(!Due::new(NEED, Some(before)).is_due(10_000.0));
        assert!(Due::new(NEED, Some(before)).is_due(12_600.0));
    }

    #[test]
    fn a_zero_that_lies_in_the_future_tells_nothing() {
        let now = moment(10.0);
        assert_eq!(Last::kept(&kept(20.0, "here"), now, "here"), None);
        assert_eq!(Last::kept(&kept(20.0, "before"), now, "here"), None);
    }

    #[test]
    fn a_meter_that_must_be_zeroed_at_each_opening_counts_no_earlier_zero() {
        let last = Last::kept(&kept(5.0, "here"), moment(10.0), "here");
        assert!(Due::new(ZeroNeed { at_start: true, ..NEED }, last).is_due(10.0));
        let due = Due::new(NEED, last);
        assert!(!due.is_due(10.0) && due.zero(10.0).at == Some(moment(5.0).at));
    }
}
