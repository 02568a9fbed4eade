//! The service manager: told that the daemon is ready, how it is, and that it lives.
//!
//! systemd's protocol: sd_notify(3), sd_watchdog_enabled(3). Without a manager nothing is told, and nothing is waited for.

use std::sync::Arc;
use std::time::Duration;

use sd_notify::NotifyState;
use settled_protocol::meter::State;
use tokio::sync::broadcast::error::RecvError;

use crate::daemon::Daemon;
use crate::stop::Stop;

pub mod activation;
mod starting;

pub use starting::Starting;

/// Between two lines of status: what changes faster is nothing that anybody could read.
const PACE: Duration = Duration::from_secs(1);

/// How much time a start that takes long asks for at once, and how often it does.
const STARTING: (Duration, Duration) = (Duration::from_secs(20), Duration::from_secs(5));

/// Whoever started the daemon and wants to be told how it is.
#[derive(Clone, Copy, Debug)]
pub struct Manager {
    /// The watchdog bites after so long without a word.
    watchdog: Option<Duration>,
}

impl Manager {
    /// The one that the environment names, if any.
    #[must_use]
    pub fn of_environment() -> Option<Self> {
        std::env::var_os("NOTIFY_SOCKET").map(|_| Self { watchdog: sd_notify::watchdog_enabled() })
    }

    /// The daemon starts, which may take long: asks for more time until what this gives is dropped.
    #[must_use]
    pub fn starting(self) -> Starting {
        let (within, every) = STARTING;
        Starting::begin(every, move || {
            if let Err(error) = sd_notify::notify(&[Said::More(within).state()]) {
                tracing::warn!("the service manager can't be asked for more time: {error}");
            }
        })
    }

    /// The daemon serves clients from now on, by the config that holds from now on.
    pub async fn ready(self) {
        tell(vec![Said::Ready]).await;
    }

    /// The config is being read anew.
    pub async fn reloading(self) {
        tell(vec![Said::Reloading]).await;
    }

    /// The daemon stops, which takes no longer than `within`, or asks for more time by then.
    pub async fn stopping(self, within: Duration) {
        tell(vec![Said::Stopping, Said::More(within)]).await;
    }

    /// It takes longer: no longer than `within` from now, or more is asked for by then.
    pub async fn more(self, within: Duration) {
        tell(vec![Said::More(within)]).await;
    }

    /// Tells how the daemon is, and that it lives, until it stops; then that it does, for as long as this is waited for.
    pub(crate) async fn run(self, daemon: &Arc<Daemon>, mut stop: Stop) {
        let telling = async {
            tokio::join!(self.status(daemon), self.watchdog(daemon));
        };
        tokio::select! { () = telling => {} () = stop.wait() => {} }
    }

    /// Says how the daemon is whenever that changes.
    async fn status(self, daemon: &Arc<Daemon>) {
        let (mut meters, mut runs) = (daemon.observe(), daemon.runs.active());
        let mut said = String::new();
        loop {
            let now = line(daemon, *runs.borrow_and_update());
            if now != said {
                tell(vec![Said::Status(now.clone())]).await;
                said = now;
            }
            tokio::time::sleep(PACE).await;
            let beat = async {
                match self.beat() {
                    Some(beat) => tokio::time::sleep(beat).await,
                    None => std::future::pending().await,
                }
            };
            tokio::select! {
                change = meters.recv() => if matches!(change, Err(RecvError::Closed)) { return },
                change = runs.changed() => if change.is_err() { return },
                // How the log is nobody tells: it is looked at as often as the watchdog wakes us anyway.
                () = beat => {}
            }
            // All that has piled up is one change.
            meters = meters.resubscribe();
        }
    }

    /// How often the watchdog is to be told.
    fn beat(self) -> Option<Duration> {
        self.watchdog.map(|limit| limit / 2)
    }

    /// Tells the watchdog that the daemon lives: that its thread comes round to this, and that the log's writer comes round to what is
    /// handed to it.
    async fn watchdog(self, daemon: &Arc<Daemon>) {
        let Some(beat) = self.beat() else { return };
        loop {
            // A writer that has ended is told by the log's status, and a restart might not help: only one that hangs is missed.
            let _lives = daemon.log.worked_through().await;
            tell(vec![Said::Alive]).await;
            tokio::time::sleep(beat).await;
        }
    }
}

/// How the daemon is, in a line.
fn line(daemon: &Daemon, runs: usize) -> String {
    let meters = daemon.list();
    let usable = |state| !matches!(state, State::Absent | State::Failed);
    let ready = meters.iter().filter(|meter| usable(meter.state)).count();
    let mut line = format!("{ready} of {} meters ready", meters.len());
    match runs {
        0 => {}
        1 => line.push_str(", 1 run on"),
        runs => line.push_str(&format!(", {runs} runs on")),
    }
    match daemon.log.status().reason {
        _ if daemon.log.is_off() => line.push_str("; no log"),
        None => {}
        Some(reason) => line.push_str(&format!("; the log can't be written: {reason}")),
    }
    line
}

/// What there is to say.
#[derive(Debug)]
enum Said {
    Ready,
    Reloading,
    Stopping,
    Status(String),
    Alive,
    More(Duration),
}

impl Said {
    fn state(&self) -> NotifyState<'_> {
        match self {
            Self::Ready => NotifyState::Ready,
            Self::Reloading => NotifyState::Reloading,
            Self::Stopping => NotifyState::Stopping,
            Self::Status(line) => NotifyState::Status(line),
            Self::Alive => NotifyState::Watchdog,
            Self::More(within) => {
                NotifyState::ExtendTimeoutUsec(u32::try_from(within.as_micros()).unwrap_or(u32::MAX))
            }
        }
    }
}

/// Says it, off the runtime: a manager that doesn't listen holds up nobody else.
async fn tell(words: Vec<Said>) {
    let told = tokio::task::spawn_blocking(move || {
        let mut states: Vec<NotifyState<'_>> = words.iter().map(Said::state).collect();
        if words.iter().any(|said| matches!(said, Said::Reloading)) {
            states.push(NotifyState::monotonic_usec_now()?);
        }
        sd_notify::notify(&states)
    });
    if let Ok(Err(error)) = told.await {
        tracing::warn!("the service manager can't be told how the daemon is: {error}");
    }
}
