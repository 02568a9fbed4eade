//! The kernel's word that UTC was set, or that the machine is awake again.
//!
//! A timer on UTC that is far from due is cancelled when UTC is set (timerfd_create(2), TFD_TIMER_CANCEL_ON_SET) and, since Linux 5.15, when
//! the machine resumes. Waiting for that costs nothing.

use std::future::pending;
use std::os::fd::{AsFd, AsRawFd, RawFd};
use std::time::Duration;

use nix::errno::Errno;
use nix::sys::time::TimeSpec;
use nix::sys::timerfd::{ClockId, Expiration, TimerFd, TimerFlags, TimerSetTimeFlags};
use tokio::io::Interest;
use tokio::io::unix::AsyncFd;

/// When the timer would be due, in s of UTC: in the year 2223. The kernel takes no more than 292 years after 1970.
const FAR: Duration = Duration::from_secs(7_986_000_000);

/// The alarm; where the system gives none, it never rings.
#[derive(Debug)]
pub(super) struct Alarm(Option<AsyncFd<Timer>>);

#[derive(Debug)]
struct Timer(TimerFd);

impl AsRawFd for Timer {
    fn as_raw_fd(&self) -> RawFd {
        self.0.as_fd().as_raw_fd()
    }
}

impl Timer {
    fn arm(&self) -> nix::Result<()> {
        let flags = TimerSetTimeFlags::TFD_TIMER_ABSTIME | TimerSetTimeFlags::TFD_TIMER_CANCEL_ON_SET;
        self.0.set(Expiration::OneShot(TimeSpec::from_duration(FAR)), flags)
    }
}

impl Alarm {
    pub(super) fn set() -> Self {
        let flags = TimerFlags::TFD_NONBLOCK | TimerFlags::TFD_CLOEXEC;
        let timer = TimerFd::new(ClockId::CLOCK_REALTIME, flags).map(Timer);
        let timer = timer.and_then(|timer| timer.arm().map(|()| timer));
        let alarm = timer.map_err(std::io::Error::from).and_then(watched);
        Self(
            alarm
                .inspect_err(|error| {
                    tracing::warn!(
                        "the kernel doesn't tell when UTC is set, so that is noticed later: {error}"
                    );
                })
                .ok(),
        )
    }

    /// Returns once it rings. Dropping the future loses nothing.
    pub(super) async fn rings(&mut self) {
        let Some(timer) = &self.0 else { return pending().await };
        loop {
            let Ok(mut ready) = timer.readable().await else { return pending().await };
            match timer.get_ref().0.wait() {
                Err(Errno::EAGAIN) => ready.clear_ready(),
                // Cancelled; or due, on a clock that was set to another century.
                Err(Errno::ECANCELED) | Ok(()) => {
                    ready.clear_ready();
                    if let Err(error) = timer.get_ref().arm() {
                        tracing::warn!("the kernel doesn't tell any more when UTC is set: {error}");
                        self.0 = None;
                    }
                    return;
                }
                Err(error) => {
                    tracing::warn!("the kernel doesn't tell any more when UTC is set: {error}");
                    self.0 = None;
                    return pending().await;
                }
            }
        }
    }
}

#[expect(deprecated, reason = "unsound only for descriptors that somebody else may close, which this is not")]
fn watched(timer: Timer) -> std::io::Result<AsyncFd<Timer>> {
    AsyncFd::with_interest(timer, Interest::READABLE)
}
