//! logind on the system's bus: what it tells, and what is asked of it.
//!
//! `org.freedesktop.login1.Manager`, as <https://www.freedesktop.org/software/systemd/man/latest/org.freedesktop.login1.html> has it, and
//! <https://systemd.io/INHIBITOR_LOCKS/>. Its signals are taken from whoever has its name alone: anybody may send signals on the bus.

use std::future::poll_fn;
use std::pin::Pin;
use std::time::Duration;

use zbus::connection::Builder;
use zbus::export::futures_core::Stream;
use zbus::proxy::{CacheProperties, OwnerChangedStream, SignalStream};
use zbus::{Connection, OwnedFd, Proxy};

use super::words;
use crate::config::BusConfig;

/// logind's name, object and interface.
const NAME: &str = "org.freedesktop.login1";
const OBJECT: &str = "/org/freedesktop/login1";
const MANAGER: &str = "org.freedesktop.login1.Manager";

/// How long connecting may take, and each answer: on a bus that hangs, nobody waits.
const PATIENCE: Duration = Duration::from_secs(5);

/// How long logind waits for whoever delays a sleep unless its config says otherwise: logind.conf(5), InhibitDelayMaxSec=.
const USUAL_DELAY: Duration = Duration::from_secs(5);

/// Who we are, to whoever lists what keeps the machine awake.
const WHO: &str = "settled";

/// Why a run keeps the machine awake.
const WHY_BLOCK: &str = "A measurement is running: readings are due until it is over";

/// Why the machine's sleep is delayed.
const WHY_DELAY: &str = "Light meters finish the reading that is under way, and the log is written";

/// logind, as long as its bus is there.
pub(super) struct Logind {
    connection: Connection,
    proxy: Proxy<'static>,
    sleeps: SignalStream<'static>,
    owners: OwnerChangedStream<'static>,
    /// What could not be held was told.
    told: bool,
}

/// Holds what it was asked for until dropped.
#[derive(Debug)]
pub(super) struct Inhibitor {
    _held: OwnedFd,
}

/// What there is to hear.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Heard {
    FallingAsleep,
    Awake,
    /// logind is there again, or for the first time: what is to be held is to be asked for anew.
    Restarted,
    /// The bus is gone.
    Gone,
}

impl Logind {
    /// Connects to the bus and listens to logind there, by a connection of its own: no other waits should signals pile up.
    pub(super) async fn connect(bus: &BusConfig) -> Result<Self, String> {
        let connecting = async {
            let builder = match bus {
                BusConfig::System => Builder::system(),
                BusConfig::Session => Builder::session(),
                BusConfig::At(address) => Builder::address(address.as_str()),
            };
            let connection = builder.method_timeout(PATIENCE).build().await?;
            let proxy: Proxy<'static> = zbus::proxy::Builder::new(&connection)
                .destination(NAME)
                .path(OBJECT)
                .interface(MANAGER)
                .cache_properties(CacheProperties::No)
                .build()
                .await?;
            let sleeps = proxy.receive_signal("PrepareForSleep").await?;
            let owners = proxy.receive_owner_changed().await?;
            Ok::<_, zbus::Error>(Self { connection, proxy, sleeps, owners, told: false })
        };
        match tokio::time::timeout(PATIENCE, connecting).await {
            Ok(connected) => connected.map_err(|error| words(&error)),
            Err(_) => Err(format!("no answer within {} s", PATIENCE.as_secs())),
        }
    }

    /// The next thing to hear. Dropping the future loses nothing.
    pub(super) async fn hear(&mut self) -> Heard {
        loop {
            let Self { connection, sleeps, owners, told, .. } = self;
            let heard = tokio::select! {
                biased;
                () = connection.closed() => return Heard::Gone,
                owner = next(owners) => match owner {
                    None => Heard::Gone,
                    Some(Some(_)) => {
                        *told = false;
                        Heard::Restarted
                    }
                    // What it held it holds again once it is back.
                    Some(None) => continue,
                },
                signal = next(sleeps) => match signal.map(|message| message.body().deserialize::<bool>()) {
                    None => Heard::Gone,
                    Some(Ok(true)) => Heard::FallingAsleep,
                    Some(Ok(false)) => Heard::Awake,
                    Some(Err(error)) => {
                        tracing::warn!("what logind says of the machine's sleep can't be read: {error}");
                        continue;
                    }
                },
            };
            return heard;
        }
    }

    /// How long logind waits once it has told of a sleep.
    pub(super) async fn delay_limit(&self) -> Duration {
        let property = self.proxy.get_property::<u64>("InhibitDelayMaxUSec");
        match tokio::time::timeout(PATIENCE, property).await {
            Ok(Ok(limit_us)) => Duration::from_micros(limit_us),
            _ => USUAL_DELAY,
        }
    }

    /// Has the machine wait for us before it sleeps.
    pub(super) async fn delay(&mut self) -> Option<Inhibitor> {
        self.held("sleep", WHY_DELAY, "delay").await
    }

    /// Keeps the machine from `what`; where only part of that is allowed, from that part.
    pub(super) async fn block(&mut self, what: &str) -> Option<Inhibitor> {
        if let Some(held) = self.held(what, WHY_BLOCK, "block").await {
            return Some(held);
        }
        let (_, less) = what.split_once(':')?;
        self.held(less, WHY_BLOCK, "block").await
    }

    /// Asks to hold something; says once what could not be held.
    async fn held(&mut self, what: &str, why: &str, mode: &str) -> Option<Inhibitor> {
        match self.inhibit(what, why, mode).await {
            Ok(held) => Some(held),
            Err(error) => {
                if !std::mem::replace(&mut self.told, true) {
                    tracing::warn!(
                        "logind doesn't let this daemon {mode} {what}: {error}; daemon/SERVICE.md tells how it may"
                    );
                }
                None
            }
        }
    }

    async fn inhibit(&self, what: &str, why: &str, mode: &str) -> Result<Inhibitor, String> {
        let arguments = (what, WHO, why, mode);
        let asked = self.proxy.call::<_, _, OwnedFd>("Inhibit", &arguments);
        match tokio::time::timeout(PATIENCE, asked).await {
            Ok(Ok(held)) => Ok(Inhibitor { _held: held }),
            Ok(Err(error)) => Err(words(&error)),
            Err(_) => Err(format!("no answer within {} s", PATIENCE.as_secs())),
        }
    }
}

/// The next of a stream's items; nothing at its end.
async fn next<S: Stream + Unpin>(stream: &mut S) -> Option<S::Item> {
    poll_fn(|context| Pin::new(&mut *stream).poll_next(context)).await
}
