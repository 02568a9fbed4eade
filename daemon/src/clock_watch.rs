//! Steps of UTC and suspends of the machine, seen by comparing the clocks now and then. Each is an event in the log; none
//! bends a span, since spans come from the boot clock.

use std::sync::Arc;
use std::time::Duration;

use settled_protocol::log::EventKind;

use crate::clock::Clock;
use crate::log::{Happening, Log};
use crate::stop::Stop;

/// Between two looks. A daemon with nothing to do wakes up for this alone.
const EVERY: Duration = Duration::from_secs(10);

/// Less than this, in s, is the ordinary slewing of a disciplined clock.
const NOTABLE_S: f64 = 0.5;

/// What the clocks said, in s.
#[derive(Clone, Copy, Debug)]
pub struct Look {
    /// UTC.
    pub utc_s: f64,
    /// The boot clock, which counts suspend.
    pub boot_s: f64,
    /// The monotonic clock, which doesn't.
    pub awake_s: f64,
}

/// Looks until the daemon stops.
pub(crate) async fn run(clock: Arc<Clock>, log: Log, mut stop: Stop) {
    let Some(mut last) = clock.look() else { return stop.wait().await };
    loop {
        tokio::select! {
            () = stop.wait() => return,
            () = tokio::time::sleep(EVERY) => {}
        }
        let Some(now) = clock.look() else { return };
        for happening in changes(last, now) {
            log.event(&clock, happening).await;
        }
        last = now;
    }
}

/// What happened between two looks.
fn changes(last: Look, now: Look) -> Vec<Happening> {
    let passed_s = now.boot_s - last.boot_s;
    let step_s = (now.utc_s - last.utc_s) - passed_s;
    let asleep_s = passed_s - (now.awake_s - last.awake_s);
    let mut happenings = Vec::new();
    if asleep_s > NOTABLE_S {
        happenings
            .push(Happening::new(EventKind::Suspended, format!("the machine slept for {asleep_s:.1} s")));
    }
    if step_s.abs() > NOTABLE_S {
        happenings.push(Happening::new(EventKind::ClockStep, format!("UTC was set by {step_s:+.3} s")));
    }
    happenings
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kinds(now: Look) -> Vec<EventKind> {
        let last = Look { utc_s: 1000.0, boot_s: 50.0, awake_s: 40.0 };
        changes(last, now).into_iter().map(|happening| happening.kind).collect()
    }

    #[test]
    fn ordinary_time_is_no_event() {
        assert_eq!(kinds(Look { utc_s: 1010.02, boot_s: 60.0, awake_s: 50.0 }), []);
    }

    #[test]
    fn a_step_and_a_suspend_are_told_apart() {
        assert_eq!(kinds(Look { utc_s: 4610.0, boot_s: 60.0, awake_s: 50.0 }), [EventKind::ClockStep]);
        assert_eq!(kinds(Look { utc_s: 1600.0, boot_s: 650.0, awake_s: 50.0 }), [EventKind::Suspended]);
        assert_eq!(
            kinds(Look { utc_s: 600.0, boot_s: 650.0, awake_s: 50.0 }),
            [EventKind::Suspended, EventKind::ClockStep]
        );
    }
}
