//! The daemon on D-Bus, beside its socket: the same meters, readings and requests, for programs that live on a bus.
//!
//! The bus may be away, or somebody else may have the name: the daemon says so once, tries again, and measures on. Nothing here reads a
//! meter unless a caller asks for it, and nobody who measures waits for the bus.

use std::sync::Arc;
use std::time::Duration;

use settled_drivers::fault::chain;
use tokio::task::JoinSet;
use zbus::Connection;
use zbus::connection::Builder;
use zbus::fdo::ObjectManager;

use crate::config::BusConfig;
use crate::daemon::Daemon;
use crate::stop::Stop;

mod calls;
mod manager;
mod members;
mod meter;
mod news;
mod path;
mod refusal;

use calls::Calls;
use manager::Manager;
use meter::MeterObject;

/// The name on the bus. The number is the version of its interfaces.
pub const NAME: &str = "io.github.settled1";

/// How long connecting may take, and the bus itself to answer us: on a bus that hangs, nobody waits.
const PATIENCE: Duration = Duration::from_secs(5);

/// Before the first attempt after one that failed, and at most, as they get rarer.
const PAUSES: (Duration, Duration) = (Duration::from_secs(1), Duration::from_secs(30));

/// How long calls may take to hand over their last answers when the daemon stops.
const FAREWELL: Duration = Duration::from_secs(2);

/// Serves callers on the bus until the daemon stops, as long as there is a bus.
pub async fn serve(bus: &BusConfig, daemon: &Arc<Daemon>, mut stop: Stop) {
    let (mut pause, mut told) = (PAUSES.0, false);
    loop {
        let connected = tokio::select! {
            connected = connect(bus, daemon, stop.clone()) => connected,
            () = stop.wait() => return,
        };
        match connected {
            Ok(connection) => {
                tracing::info!(name = NAME, %bus, "on D-Bus");
                (pause, told) = (PAUSES.0, false);
                if stay(connection, daemon, &mut stop).await == Left::Stopped {
                    return;
                }
                tracing::warn!(%bus, "D-Bus is gone; trying again, and measuring on");
            }
            Err(error) if !told => {
                told = true;
                tracing::warn!(%bus, "not on D-Bus: {error}; trying again, and measuring on");
            }
            Err(_) => {}
        }
        tokio::select! { () = tokio::time::sleep(pause) => {} () = stop.wait() => return }
        pause = (2 * pause).min(PAUSES.1);
    }
}

/// Connects, puts every object on the bus, and takes the name. What went wrong is told in words.
async fn connect(bus: &BusConfig, daemon: &Arc<Daemon>, stop: Stop) -> Result<Connection, String> {
    let builder = match bus {
        BusConfig::System => Builder::system(),
        BusConfig::Session => Builder::session(),
        BusConfig::At(address) => Builder::address(address.as_str()),
    };
    let manager = Manager::new(daemon);
    let mut builder =
        builder.method_timeout(PATIENCE).serve_at(path::ROOT, ObjectManager).serve_at(path::ROOT, manager);
    let calls = Arc::new(Calls::new(Arc::clone(daemon), stop));
    for handle in daemon.handles() {
        let object = MeterObject::new(handle.clone(), Arc::clone(&calls));
        builder = builder.serve_at(path::of(handle.id()), object);
    }
    // Left alone, the builder would take the name from whoever has it, and leave it to whoever wants it.
    let builder = builder.replace_existing_names(false).allow_name_replacements(false).name(NAME);
    match tokio::time::timeout(PATIENCE, builder.build()).await {
        Ok(Ok(connection)) => Ok(connection),
        Ok(Err(zbus::Error::NameTaken)) => Err(format!("another program has the name {NAME}")),
        Ok(Err(error)) => Err(chain(&error)),
        Err(_) => Err(format!("no answer within {} s", PATIENCE.as_secs())),
    }
}

/// Why the bus was left.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Left {
    Stopped,
    Lost,
}

/// Tells the bus what changes, until it is gone or the daemon stops; then whatever was asked for is answered, and the name given back.
async fn stay(connection: Connection, daemon: &Arc<Daemon>, stop: &mut Stop) -> Left {
    let mut telling = JoinSet::new();
    for handle in daemon.handles() {
        telling.spawn(news::tell(connection.clone(), handle.clone(), Arc::clone(daemon)));
    }
    let left = tokio::select! {
        () = connection.closed() => Left::Lost,
        () = stop.wait() => Left::Stopped,
    };
    telling.shutdown().await;
    if left == Left::Stopped {
        let farewell = async {
            let _given_back = connection.release_name(NAME).await.is_ok();
            connection.graceful_shutdown().await;
        };
        let _in_time = tokio::time::timeout(FAREWELL, farewell).await.is_ok();
    }
    left
}
