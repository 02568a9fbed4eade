//! The end, as signals ask for it: in order at the first, at once at the second.

use std::convert::Infallible;
use std::time::Duration;

use settled::log::Log;
use settled::server::Bound;
use settled::service::Manager;
use settled::stop::Stopper;
use tokio::signal::unix::{Signal, SignalKind, signal};

/// The longest that exposures are waited for: as long as systemd waits unless it is told otherwise (systemd-system.conf(5),
/// DefaultTimeoutStopSec=).
const LONGEST: Duration = Duration::from_secs(90);

/// How much time is asked of the service manager at once.
const MORE: Duration = Duration::from_secs(10);

/// Hears of signals.
#[derive(Debug)]
pub(crate) struct Ending {
    terminate: Signal,
    interrupt: Signal,
    manager: Option<Manager>,
}

impl Ending {
    pub(crate) fn new(manager: Option<Manager>) -> std::io::Result<Self> {
        let (terminate, interrupt) = (signal(SignalKind::terminate())?, signal(SignalKind::interrupt())?);
        Ok(Self { terminate, interrupt, manager })
    }

    async fn told(&mut self) {
        tokio::select! { _ = self.terminate.recv() => {} _ = self.interrupt.recv() => {} }
    }

    /// Stops the daemon once it is told to, and hurries it once it is told so again, or has taken too long; then waits for its end.
    pub(crate) async fn end(mut self, stopper: Stopper, bound: &Bound, log: Log) -> Infallible {
        self.told().await;
        tracing::info!(
            "stopping; exposures that are under way are finished first, unless a second signal comes"
        );
        bound.is_ending();
        log.is_ending();
        // Its writer ends once nobody else holds it.
        drop(log);
        stopper.stop();
        let limit = tokio::time::sleep(LONGEST);
        tokio::pin!(limit);
        if let Some(manager) = self.manager {
            manager.stopping(MORE).await;
        }
        loop {
            tokio::select! {
                () = self.told() => tracing::warn!("stopping at once: exposures that are under way are given up"),
                () = &mut limit => {
                    tracing::warn!("stopping took {} s: exposures that are under way are given up", LONGEST.as_secs());
                }
                () = tokio::time::sleep(MORE / 2) => {
                    if let Some(manager) = self.manager {
                        manager.more(MORE).await;
                    }
                    continue;
                }
            }
            stopper.hurry();
            return std::future::pending().await;
        }
    }
}
