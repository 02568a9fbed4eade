//! The daemon as a library: `settle demo` and the tests run it in their own process.
//!
//! | module | idea |
//! |---|---|
//! | [`config`] | the config file, strictly read |
//! | [`access`] | who may do what |
//! | [`accounts`] | users and groups, as the system has them |
//! | [`audit`] | a line for every refusal |
//! | [`bus`] | D-Bus: the same for programs that live on a bus |
//! | [`client`] | who asks |
//! | [`clock`] | the only place that reads the machine's clocks |
//! | [`clock_watch`] | steps of UTC and suspends, as events |
//! | [`conformance`] | the suite that every driver passes, run on a configured meter |
//! | [`correct`] | the mathematics of corrections: pure |
//! | [`corrections`] | the corrections there are, and which are in force |
//! | [`daemon`] | everything put together, and taken apart again |
//! | [`metrics`] | how the daemon does, for a system that watches it |
//! | [`meter_task`] | one task owns one meter |
//! | [`settle`] | the settling engine: pure |
//! | [`settling`] | one `meter.settle`, from its first reading to its verdict |
//! | [`log`] | readings and events, durable |
//! | [`recorder`] | what passes on every meter's link, into a file |
//! | [`runs`] | measurements that belong to the daemon |
//! | `request` | what clients ask of a meter, whichever way they come |
//! | [`server`] | the socket, and who is on it |
//! | [`lock`] | a file that says that its owner lives |
//! | [`failure`] | instruments' faults as clients are told of them |
//! | [`size`] | sizes as people write them |
//! | [`stop`] | the end, as a value |

pub mod access;
pub mod accounts;
pub mod audit;
pub mod bus;
pub mod client;
pub mod clock;
pub mod clock_watch;
pub mod config;
pub mod conformance;
pub mod correct;
pub mod corrections;
pub mod daemon;
pub mod failure;
pub mod lock;
pub mod log;
pub mod meter_task;
pub mod metrics;
pub mod recorder;
mod request;
pub mod runs;
pub mod server;
pub mod settle;
pub mod settling;
pub mod size;
pub mod stop;

use std::sync::Arc;

use settled_protocol::log::EventKind;

use crate::clock::Clock;
use crate::config::{BusConfig, MeterConfig};
use crate::daemon::{Daemon, Terms};
use crate::log::{Happening, Log};
use crate::metrics::Listening;
use crate::recorder::Progress;
use crate::stop::Stop;

/// What a daemon has to do beside its meters and its socket, where there is any.
#[derive(Debug, Default)]
pub struct Beside {
    /// The recording of its meters, that clients are told of.
    pub recording: Option<Progress>,
    /// The bus to be on.
    pub bus: Option<BusConfig>,
    /// Where its metrics are to be had.
    pub metrics: Option<Listening>,
    /// The program that is told of runs' alerts.
    pub alert_command: Option<runs::Command>,
}

/// Runs a daemon on `listener` until `stop` comes; then every meter ends at a reading's edge, and what was asked for and
/// not answered is told so.
pub async fn run(
    meters: Vec<MeterConfig>,
    listener: &tokio::net::UnixListener,
    clock: Arc<Clock>,
    log: Log,
    terms: Terms,
    beside: Beside,
    stop: Stop,
) {
    let (daemon, supervisor) = Daemon::new(meters, clock, log, terms, stop.clone());
    let started = format!("settled {} started, instance {}", daemon::VERSION, daemon.instance);
    daemon.log.event(&daemon.clock, Happening::new(EventKind::DaemonStarted, started)).await;
    let watching = clock_watch::run(Arc::clone(&daemon.clock), daemon.log.clone(), stop.clone());
    let recording = async {
        if let Some(progress) = beside.recording {
            daemon.recorded(progress, stop.clone()).await;
        }
    };
    let on_bus = async {
        if let Some(bus) = &beside.bus {
            bus::serve(bus, &daemon, stop.clone()).await;
        }
    };
    let measured = async {
        if let Some(listening) = &beside.metrics {
            metrics::serve(listening, &daemon, stop.clone()).await;
        }
    };
    let running = runs::run(&daemon, beside.alert_command, stop.clone());
    let serving = server::serve(listener, &daemon, stop.clone());
    let auditing = daemon.audit.run(stop.clone());
    tokio::join!(supervisor.run(), running, serving, on_bus, measured, auditing, watching, recording);
    daemon.log.event(&daemon.clock, Happening::new(EventKind::DaemonStopped, "stopped in order")).await;
}
