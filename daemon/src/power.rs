//! The machine's sleep: kept away while a run is on, and prepared for where it comes all the same.
//!
//! logind tells before the machine sleeps and waits for whoever holds a delay: meters finish the reading that is under way and are
//! closed, and the log is worked through. When the machine is awake again they are opened anew. Where there is no logind, or no bus, that
//! is told once, and a sleep is noticed by the clocks alone. Everything here waits within bounds, off the meters' tasks.

use std::sync::Arc;
use std::time::Duration;

use settled_drivers::fault::chain;
use settled_protocol::log::EventKind;
use tokio::sync::watch;

use crate::clock::Clock;
use crate::clock_watch;
use crate::config::BusConfig;
use crate::log::{Happening, Log};
use crate::stop::Stop;

mod logind;
mod rest;

use logind::{Heard, Logind};
pub use rest::{Busy, Rest, Resting};

/// What a run keeps the machine from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Inhibit {
    /// Sleeping, whoever asks for it, and doing what it does when nobody is at it.
    #[default]
    Sleep,
    /// Doing what it does when nobody is at it. Whoever has it sleep may.
    Idle,
    /// Nothing.
    Nothing,
}

impl Inhibit {
    /// As logind writes it; nothing if nothing is kept from happening.
    #[must_use]
    pub fn what(self) -> Option<&'static str> {
        match self {
            Self::Sleep => Some("sleep:idle"),
            Self::Idle => Some("idle"),
            Self::Nothing => None,
        }
    }
}

/// Before the first attempt after one that failed, and at most, as they get rarer: a bus that isn't there is seldom started later.
const PAUSES: (Duration, Duration) = (Duration::from_secs(1), Duration::from_secs(300));

/// Of the time that logind gives: what is left for letting go of the delay, and for a machine that is busy.
const MARGIN: Duration = Duration::from_millis(500);

/// What power works with.
#[derive(Debug)]
pub struct Tools {
    /// The bus that logind is on.
    pub bus: BusConfig,
    /// The daemon's time.
    pub clock: Arc<Clock>,
    /// The log, which is worked through before the machine sleeps.
    pub log: Log,
    /// Has meters rest.
    pub rest: Rest,
    /// How many runs are on.
    pub runs: watch::Receiver<usize>,
    /// What they keep the machine from.
    pub inhibit: watch::Receiver<Inhibit>,
}

/// Looks after the machine's sleep until the daemon stops.
pub async fn run(mut tools: Tools, mut stop: Stop) {
    let (mut pause, mut told) = (PAUSES.0, false);
    loop {
        let connected = tokio::select! {
            connected = Logind::connect(&tools.bus) => connected,
            () = stop.wait() => return,
        };
        match connected {
            Ok(logind) => {
                (pause, told) = (PAUSES.0, false);
                tokio::select! {
                    () = tools.stay(logind) => {}
                    () = stop.wait() => return,
                }
                // Should it have gone while the machine was about to sleep, nobody says any more that it is awake.
                tools.rest.wake();
                tracing::warn!("logind's bus is gone; trying again, and measuring on");
            }
            Err(error) if !told => {
                told = true;
                tracing::info!(
                    "no logind to ask: {error}; nothing keeps this machine from sleeping, and a sleep is noticed afterwards"
                );
            }
            Err(_) => {}
        }
        tokio::select! { () = tokio::time::sleep(pause) => {} () = stop.wait() => return }
        pause = (2 * pause).min(PAUSES.1);
    }
}

impl Tools {
    /// Holds what is to be held, and does what is to be done before and after a sleep, until the bus is gone.
    async fn stay(&mut self, mut logind: Logind) {
        let mut delay = logind.delay().await;
        let mut block = None;
        let mut wanted = None;
        loop {
            let what = if *self.runs.borrow_and_update() > 0 {
                self.inhibit.borrow_and_update().what()
            } else {
                None
            };
            if what != wanted {
                // The new one before the old one goes.
                let next = match what {
                    Some(what) => logind.block(what).await,
                    None => None,
                };
                drop(std::mem::replace(&mut block, next));
                wanted = what;
            }
            let heard = tokio::select! {
                heard = logind.hear() => heard,
                changed = self.runs.changed() => {
                    if changed.is_err() { return }
                    continue;
                }
                changed = self.inhibit.changed() => {
                    if changed.is_err() { return }
                    continue;
                }
            };
            match heard {
                Heard::FallingAsleep => {
                    self.fall_asleep(logind.delay_limit().await).await;
                    drop(delay.take());
                }
                Heard::Awake => {
                    // First of all: it may be told to sleep again at once.
                    delay = logind.delay().await;
                    self.awake().await;
                }
                Heard::Restarted => {
                    // The one before it may have told of a sleep, and not of its end.
                    self.rest.wake();
                    delay = logind.delay().await;
                    drop(block.take());
                    wanted = None;
                }
                Heard::Gone => return,
            }
        }
    }

    /// Lets meters finish, and has the log worked through, within `limit`.
    async fn fall_asleep(&self, limit: Duration) {
        let detail = match self.rest.busy() {
            0 => "the machine is about to sleep".to_owned(),
            _ => "the machine is about to sleep: meters finish the reading that is under way, and are closed"
                .to_owned(),
        };
        let ready = async {
            self.log.event(&self.clock, Happening::new(EventKind::FallingAsleep, detail)).await;
            self.rest.begin().await;
            self.log.worked_through().await
        };
        if tokio::time::timeout(limit.saturating_sub(MARGIN), ready).await.is_err() {
            tracing::warn!(
                "the machine sleeps before a reading is finished, as logind waits for {} s at most (InhibitDelayMaxSec= in logind.conf)",
                limit.as_secs_f64()
            );
        }
    }

    /// Says for how long the machine slept, and has meters opened anew.
    async fn awake(&self) {
        let slept = clock_watch::glance(&self.clock, &self.log).await;
        if !slept && self.rest.is_wanted() {
            let detail = "the machine was about to sleep and is awake again without having slept";
            self.log.event(&self.clock, Happening::new(EventKind::Suspended, detail)).await;
        }
        self.clock.wake();
        self.rest.wake();
    }
}

/// What went wrong with a bus, in words.
fn words(error: &zbus::Error) -> String {
    chain(error)
}
