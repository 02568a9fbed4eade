//! What changes on a meter, told to the bus: at most so many times a second, and not at all while nothing happens.

use std::borrow::Cow;
use std::collections::HashMap;
use std::sync::Arc;
use std::time::Duration;

use settled_drivers::clock::Clock as _;
use settled_protocol::meter::Meter;
use tokio::sync::broadcast::Receiver;
use tokio::sync::broadcast::error::RecvError;
use zbus::fdo::Properties;
use zbus::names::InterfaceName;
use zbus::object_server::{Interface, InterfaceRef};
use zbus::{Connection, OwnedVariant, Variant};

use super::meter::MeterObject;
use super::path;
use crate::clock::Clock;
use crate::daemon::Daemon;
use crate::meter_task::MeterHandle;

/// Between two signals of a meter: five a second, as many as a person can follow, however fast it reads. The latest counts.
const PACE: Duration = Duration::from_millis(200);

type Told = HashMap<String, OwnedVariant>;

/// Tells what changes, until the meter's task or the connection is gone.
pub(super) async fn tell(connection: Connection, meter: MeterHandle, daemon: Arc<Daemon>) {
    if let Err(error) = telling(&connection, &meter, &daemon).await {
        tracing::debug!(meter = meter.id(), %error, "telling D-Bus what changes");
    }
}

async fn telling(connection: &Connection, meter: &MeterHandle, daemon: &Daemon) -> zbus::Result<()> {
    let server = connection.object_server();
    let object: InterfaceRef<MeterObject> = server.interface(path::of(meter.id())).await?;
    let (mut readings, mut changes) = (meter.follow(), daemon.observe());
    let mut told = properties(connection, &object).await?;
    loop {
        tokio::select! {
            heard = readings.recv() => if heard.err() == Some(RecvError::Closed) { return Ok(()) },
            () = changed(&mut changes, meter.id()) => {}
            () = warmed_up(meter, &daemon.clock) => {}
        }
        // What else has come counts as told by what is looked at after it.
        (readings, changes) = (readings.resubscribe(), changes.resubscribe());
        let now = properties(connection, &object).await?;
        tell_difference(&object, &told, &now).await?;
        told = now;
        tokio::time::sleep(PACE).await;
    }
}

/// Every property as it is now.
async fn properties(connection: &Connection, object: &InterfaceRef<MeterObject>) -> zbus::Result<Told> {
    let (meter, server) = (object.get().await, connection.object_server());
    Ok(meter.get_all(server, connection, None, object.signal_emitter()).await?)
}

/// One signal with all that isn't as it was told.
async fn tell_difference(object: &InterfaceRef<MeterObject>, told: &Told, now: &Told) -> zbus::Result<()> {
    let mut changed: HashMap<&str, Variant<'_>> = HashMap::new();
    for (name, value) in now {
        if told.get(name) != Some(value) {
            changed.insert(name, value.try_clone()?.into());
        }
    }
    if changed.is_empty() {
        return Ok(());
    }
    let name: InterfaceName<'_> = MeterObject::name();
    Properties::properties_changed(object.signal_emitter(), name, changed, Cow::Borrowed(&[])).await
}

/// Waits until the meter's state is announced. Of news that went by too fast, one may have been about it.
async fn changed(changes: &mut Receiver<Arc<Meter>>, id: &str) {
    loop {
        match changes.recv().await {
            Ok(meter) if meter.id != id => {}
            Ok(_) | Err(RecvError::Lagged(_)) => return,
            Err(RecvError::Closed) => std::future::pending().await,
        }
    }
}

/// Waits until the meter has had its own warm-up, which nobody announces; for ever if it has, or needs none.
async fn warmed_up(meter: &MeterHandle, clock: &Clock) {
    match meter.warm_at_s().filter(|warm_at_s| *warm_at_s > clock.now_s()) {
        Some(warm_at_s) => clock.sleep_until(warm_at_s).await,
        None => std::future::pending().await,
    }
}
