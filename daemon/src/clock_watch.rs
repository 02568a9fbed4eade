//! Steps of UTC, leap seconds, changes of the time zone and suspends of the machine, as events in the log. None bends a span, since
//! spans come from the boot clock.
//!
//! The kernel says when UTC is set and when the machine is awake again; whoever stamps a reading sees it, too. So the daemon looks
//! when there is something to see, and seldom otherwise.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use settled_protocol::log::EventKind;

use crate::clock::Clock;
use crate::log::{Happening, Log};
use crate::power::Rest;
use crate::stop::Stop;

mod alarm;
mod zone;

use alarm::Alarm;
use zone::Zone;

/// Between two looks where nobody has said that there is something to see: by slewing alone, 0.5 ms a second at most, the clocks come
/// no further apart meanwhile than a third of what is [`NOTABLE_S`].
const EVERY: Duration = Duration::from_secs(300);

/// Less than this, in s, is the ordinary slewing of a disciplined clock.
const NOTABLE_S: f64 = 0.5;

/// A leap second, in s, give or take what is notable.
const LEAP_S: f64 = 1.0;

/// Where the machine's time zone is.
const LOCALTIME: &str = "/etc/localtime";

/// What the clocks said, in s.
#[derive(Clone, Copy, Debug)]
pub struct Look {
    /// UTC.
    pub utc_s: f64,
    /// The boot clock, which counts suspend.
    pub boot_s: f64,
    /// The monotonic clock, which doesn't.
    pub awake_s: f64,
    /// International atomic time, which has no leap seconds, as far as the kernel was told how many there were.
    pub tai_s: f64,
}

impl Look {
    /// How long the machine slept between two looks, in s.
    fn asleep_s(self, now: Self) -> f64 {
        (now.boot_s - self.boot_s) - (now.awake_s - self.awake_s)
    }

    /// By how much UTC was set between two looks, in s.
    fn step_s(self, now: Self) -> f64 {
        (now.utc_s - self.utc_s) - (now.boot_s - self.boot_s)
    }

    /// How many leap seconds there were between two looks.
    fn leap_s(self, now: Self) -> f64 {
        (now.tai_s - now.utc_s) - (self.tai_s - self.utc_s)
    }

    /// Whether the clocks don't go together any more as they did.
    #[must_use]
    pub fn is_apart(self, now: Self) -> bool {
        self.asleep_s(now) > NOTABLE_S || self.step_s(now).abs() > NOTABLE_S
    }
}

/// Looks until the daemon stops. After a sleep that nobody told of before, meters are opened anew.
pub(crate) async fn run(clock: Arc<Clock>, log: Log, rest: Rest, mut stop: Stop) {
    if clock.look().is_none() {
        return stop.wait().await;
    }
    let mut alarm = Alarm::set();
    let mut zone = Zone::at(Path::new(LOCALTIME));
    loop {
        tokio::select! {
            () = stop.wait() => return,
            () = alarm.rings() => {}
            () = clock.apart() => {}
            () = tokio::time::sleep(EVERY) => {}
            detail = zone.changes() => {
                log.event(&clock, Happening::new(EventKind::ZoneChanged, detail)).await;
                continue;
            }
        }
        if glance(&clock, &log).await {
            clock.wake();
            rest.slept();
        }
    }
}

/// Writes down what happened to the clocks since the last glance. Whether the machine slept.
pub(crate) async fn glance(clock: &Clock, log: &Log) -> bool {
    let Some((last, now)) = clock.glance() else { return false };
    let happenings = changes(last, now);
    let slept = happenings.iter().any(|happening| happening.kind == EventKind::Suspended);
    for happening in happenings {
        log.event(clock, happening).await;
    }
    slept
}

/// What happened between two looks.
fn changes(last: Look, now: Look) -> Vec<Happening> {
    let (asleep_s, step_s, leap_s) = (last.asleep_s(now), last.step_s(now), last.leap_s(now));
    let mut happenings = Vec::new();
    if asleep_s > NOTABLE_S {
        happenings
            .push(Happening::new(EventKind::Suspended, format!("the machine slept for {asleep_s:.1} s")));
    }
    // The kernel takes a second out of UTC, or puts one in, and counts it: one that is set by hand moves both.
    let leaps = (leap_s.abs() - LEAP_S).abs() < NOTABLE_S && (step_s + leap_s).abs() < NOTABLE_S;
    if leaps {
        let what = if leap_s > 0.0 { "was inserted" } else { "was left out" };
        happenings.push(Happening::new(EventKind::LeapSecond, format!("a leap second {what}")));
    } else if step_s.abs() > NOTABLE_S {
        happenings.push(Happening::new(EventKind::ClockStep, format!("UTC was set by {step_s:+.3} s")));
    }
    happenings
}

#[cfg(test)]
mod tests {
    use super::*;

    const LAST: Look = Look { utc_s: 1000.0, boot_s: 50.0, awake_s: 40.0, tai_s: 1037.0 };

    fn kinds(now: Look) -> Vec<EventKind> {
        let found: Vec<_> = changes(LAST, now).into_iter().map(|happening| happening.kind).collect();
        assert_eq!(!found.is_empty(), LAST.is_apart(now), "whoever stamps something sees it, too");
        found
    }

    fn look(utc_s: f64, boot_s: f64) -> Look {
        Look { utc_s, boot_s, awake_s: 50.0, tai_s: utc_s + 37.0 }
    }

    #[test]
    fn ordinary_time_is_no_event() {
        assert_eq!(kinds(look(1010.02, 60.0)), []);
        assert_eq!(kinds(Look { tai_s: 1010.02, ..look(1010.02, 60.0) }), [], "told how many there were");
    }

    #[test]
    fn a_step_and_a_suspend_are_told_apart() {
        assert_eq!(kinds(look(4610.0, 60.0)), [EventKind::ClockStep]);
        assert_eq!(kinds(look(1600.0, 650.0)), [EventKind::Suspended]);
        assert_eq!(kinds(look(600.0, 650.0)), [EventKind::Suspended, EventKind::ClockStep]);
    }

    #[test]
    fn a_leap_second_is_no_step_and_a_step_of_a_second_is_no_leap_second() {
        assert_eq!(kinds(Look { tai_s: 1047.0, ..look(1009.0, 60.0) }), [EventKind::LeapSecond]);
        assert_eq!(kinds(Look { tai_s: 1047.0, ..look(1011.0, 60.0) }), [EventKind::LeapSecond]);
        assert_eq!(kinds(look(1009.0, 60.0)), [EventKind::ClockStep]);
        assert_eq!(kinds(look(1011.0, 60.0)), [EventKind::ClockStep]);
    }
}
