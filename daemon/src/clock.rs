//! The only place that reads the machine's clocks.
//!
//! Spans come from the boot clock (CLOCK_BOOTTIME: monotonic, counts suspend), stamps from UTC. A simulated clock runs
//! faster, so that a night can be rehearsed in a minute.

use std::sync::Mutex;
use std::time::Duration;

use nix::time::{ClockId, clock_gettime};
use settled_drivers::clock::{Boxed, Clock as Spans};
use settled_protocol::method::{ClockInfo, ClockKind};
use settled_protocol::time::Timestamp;
use tokio::sync::Notify;

use crate::clock_watch::Look;

/// The longest single sleep: the runtime's timers don't count suspend. Whoever notices one [wakes](Clock::wake) those who sleep; should
/// nobody, a long wait looks again now and then.
const LONGEST_SLEEP: Duration = Duration::from_secs(30);

/// The runtime's timers are this coarse. What is shorter, a simulated clock waits out by yielding.
const TIMER_GRAIN: Duration = Duration::from_millis(2);

/// The daemon's time.
#[derive(Debug)]
pub struct Clock {
    boot: String,
    kind: Kind,
    /// Sleepers are to look again.
    woken: Notify,
    /// The clocks don't go together as they did at the last glance.
    apart: Notify,
    /// The last glance.
    last: Mutex<Option<Look>>,
}

#[derive(Debug)]
enum Kind {
    System,
    Simulated { start_ns: u64, pace: Mutex<Pace> },
}

/// A line through simulated against real time.
#[derive(Clone, Copy, Debug)]
struct Pace {
    real_s: f64,
    simulated_s: f64,
    speed: f64,
}

/// A moment on both clocks.
#[derive(Clone, Copy, Debug)]
pub struct Moment {
    /// UTC.
    pub at: Timestamp,
    /// Boot clock, in s.
    pub t_s: f64,
}

impl Clock {
    /// The machine's clock.
    #[must_use]
    pub fn system() -> Self {
        let boot =
            kernel_text("/proc/sys/kernel/random/boot_id").unwrap_or_else(|| "unknown-boot".to_owned());
        Self::new(boot, Kind::System)
    }

    /// A clock that starts at 0 s and now, and runs `speed` times faster than the machine's.
    #[must_use]
    pub fn simulated(speed: f64) -> Self {
        let pace = Pace { real_s: boot_s(), simulated_s: 0.0, speed };
        let kind = Kind::Simulated { start_ns: utc_ns(), pace: Mutex::new(pace) };
        Self::new(format!("simulated-{}", unique_id()), kind)
    }

    fn new(boot: String, kind: Kind) -> Self {
        let clock = Self { boot, kind, woken: Notify::new(), apart: Notify::new(), last: Mutex::default() };
        *lock(&clock.last) = clock.look();
        clock
    }

    /// Changes a simulated clock's speed from now on; the machine's clock can't be changed.
    pub fn set_speed(&self, speed: f64) {
        if let Kind::Simulated { pace, .. } = &self.kind {
            let mut pace = lock(pace);
            let real_s = boot_s();
            *pace = Pace { real_s, simulated_s: pace.at(real_s), speed };
        }
    }

    /// The boot that spans belong to.
    #[must_use]
    pub fn boot(&self) -> &str {
        &self.boot
    }

    /// Now, on both clocks.
    #[must_use]
    pub fn now(&self) -> Moment {
        match &self.kind {
            Kind::System => {
                self.compare();
                Moment { at: Timestamp::from_unix_ns(utc_ns()), t_s: boot_s() }
            }
            Kind::Simulated { start_ns, pace } => {
                let t_s = lock(pace).at(boot_s());
                Moment { at: Timestamp::from_unix_ns(start_ns + nanoseconds(t_s)), t_s }
            }
        }
    }

    /// The machine's own boot clock, in s, whatever kind of clock this is: disks and other programs know no other.
    #[must_use]
    pub fn real_s(&self) -> f64 {
        boot_s()
    }

    /// UTC by the machine's own clock, in µs, whatever kind of clock this is: it numbers what no log can number.
    #[must_use]
    pub fn machine_us(&self) -> u64 {
        utc_ns() / 1000
    }

    /// What clients are told of it.
    #[must_use]
    pub fn info(&self) -> ClockInfo {
        match &self.kind {
            Kind::System => ClockInfo { kind: ClockKind::System, speed: 1.0 },
            Kind::Simulated { pace, .. } => ClockInfo { kind: ClockKind::Simulated, speed: lock(pace).speed },
        }
    }

    /// What the machine's clocks say; nothing for a simulated clock, which neither steps nor sleeps.
    #[must_use]
    pub fn look(&self) -> Option<Look> {
        let seconds = |clock| seconds(clock).as_secs_f64();
        matches!(self.kind, Kind::System).then(|| Look {
            utc_s: seconds(ClockId::CLOCK_REALTIME),
            boot_s: boot_s(),
            awake_s: seconds(ClockId::CLOCK_MONOTONIC),
            tai_s: seconds(ClockId::CLOCK_TAI),
        })
    }

    /// What the clocks said at the last glance, and what they say now, which is the last one from now on: what happened in between is
    /// told to one caller alone. Nothing for a simulated clock.
    #[must_use]
    pub fn glance(&self) -> Option<(Look, Look)> {
        let now = self.look()?;
        let last = lock(&self.last).replace(now)?;
        Some((last, now))
    }

    /// Whoever stamps something sees at once that the clocks don't go together any more.
    fn compare(&self) {
        if let (Some(last), Some(now)) = (*lock(&self.last), self.look())
            && last.is_apart(now)
        {
            self.apart.notify_one();
        }
    }

    /// Returns once somebody has seen that the clocks don't go together as they did at the last glance.
    pub async fn apart(&self) {
        self.apart.notified().await;
    }

    /// The machine has slept: whoever waits for a moment looks again whether it has come.
    pub fn wake(&self) {
        self.woken.notify_waiters();
    }

    /// What is left of real time until `t_s`; nothing if it has come.
    fn until(&self, t_s: f64) -> Duration {
        let seconds = match &self.kind {
            Kind::System => t_s - boot_s(),
            Kind::Simulated { pace, .. } => {
                let pace = *lock(pace);
                (t_s - pace.at(boot_s())) / pace.speed
            }
        };
        Duration::try_from_secs_f64(seconds).unwrap_or(if seconds > 0.0 {
            LONGEST_SLEEP
        } else {
            Duration::ZERO
        })
    }

    /// One step of waiting for `left` of real time.
    async fn wait(&self, left: Duration) {
        let fine = matches!(self.kind, Kind::Simulated { .. });
        if fine && left < TIMER_GRAIN {
            tokio::task::yield_now().await;
        } else {
            let grain = if fine { TIMER_GRAIN } else { Duration::ZERO };
            tokio::time::sleep(left.saturating_sub(grain).min(LONGEST_SLEEP)).await;
        }
    }
}

impl Spans for Clock {
    fn now_s(&self) -> f64 {
        match &self.kind {
            Kind::System => boot_s(),
            Kind::Simulated { pace, .. } => lock(pace).at(boot_s()),
        }
    }

    fn sleep_until(&self, t_s: f64) -> Boxed<'_, ()> {
        Box::pin(async move {
            loop {
                // Before the look: who is woken in between isn't missed.
                let woken = self.woken.notified();
                let left = self.until(t_s);
                if left.is_zero() {
                    return;
                }
                tokio::select! { () = self.wait(left) => {} () = woken => {} }
            }
        })
    }
}

impl Pace {
    fn at(self, real_s: f64) -> f64 {
        self.simulated_s + (real_s - self.real_s) * self.speed
    }
}

/// A mutex that is only ever held for plain assignments can't be left half-done by a panic.
fn lock<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
}

/// A random UUID, from the kernel.
#[must_use]
pub fn unique_id() -> String {
    kernel_text("/proc/sys/kernel/random/uuid").unwrap_or_else(|| format!("start-{}", utc_ns()))
}

/// A random UUID that nobody can guess; nothing where the kernel gives none.
#[must_use]
pub fn unguessable() -> Option<String> {
    kernel_text("/proc/sys/kernel/random/uuid").filter(|text| !text.is_empty())
}

fn kernel_text(path: &str) -> Option<String> {
    std::fs::read_to_string(path).ok().map(|text| text.trim().to_owned())
}

/// The machine's boot clock, in s: it goes on while the machine sleeps, and nobody sets it.
#[must_use]
pub fn boot_s() -> f64 {
    seconds(ClockId::CLOCK_BOOTTIME).as_secs_f64()
}

fn utc_ns() -> u64 {
    u64::try_from(seconds(ClockId::CLOCK_REALTIME).as_nanos()).unwrap_or(u64::MAX)
}

/// Since the clock's zero. Both clocks exist on every Linux this runs on; a failure would read as zero.
fn seconds(clock: ClockId) -> Duration {
    clock_gettime(clock).map_or(Duration::ZERO, Duration::from)
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "times of a simulated clock are small and positive"
)]
fn nanoseconds(seconds: f64) -> u64 {
    (seconds * 1e9) as u64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_change_of_speed_makes_no_jump() {
        let clock = Clock::simulated(1000.0);
        let before = clock.now_s();
        clock.set_speed(1.0);
        let after = clock.now_s();
        assert!(after >= before && after < before + 100.0, "{before} to {after}");
    }

    #[tokio::test]
    async fn a_short_simulated_sleep_ends_on_time() {
        let clock = Clock::simulated(5000.0);
        let start = clock.now_s();
        clock.sleep_until(start + 1.0).await;
        let slept = clock.now_s() - start;
        assert!((1.0..100.0).contains(&slept), "slept {slept} s");
    }

    #[tokio::test]
    async fn a_moment_that_has_passed_is_not_waited_for() {
        let clock = Clock::system();
        clock.sleep_until(clock.now_s() - 5.0).await;
        clock.sleep_until(f64::NEG_INFINITY).await;
    }
}
