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
//! | [`clock_watch`] | steps of UTC, leap seconds, other zones and suspends, as events |
//! | [`conformance`] | the suite that every driver passes, run on a configured meter |
//! | [`correct`] | the mathematics of corrections: pure |
//! | [`corrections`] | the corrections there are, and which are in force |
//! | [`daemon`] | everything put together, and taken apart again |
//! | [`metrics`] | how the daemon does, for a system that watches it |
//! | [`meter_task`] | one task owns one meter |
//! | [`settle`] | the settling engine: pure |
//! | [`settling`] | one `meter.settle`, from its first reading to its verdict |
//! | [`log`] | readings and events, durable |
//! | `http` | what pages over HTTP have in common |
//! | [`page`] | the local page: every meter and every night at a glance |
//! | [`power`] | the machine's sleep: kept away, and prepared for |
//! | [`recorder`] | what passes on every meter's link, into a file |
//! | [`reload`] | the config, read anew |
//! | [`runs`] | measurements that belong to the daemon |
//! | `request` | what clients ask of a meter, whichever way they come |
//! | [`server`] | the socket, and who is on it |
//! | [`service`] | the service manager, told how the daemon is |
//! | [`lock`] | a file that says that its owner lives |
//! | [`drift`] | the figures of a night: pure |
//! | [`failure`] | instruments' faults as clients are told of them |
//! | [`size`] | sizes as people write them |
//! | [`stop`] | the end, as a value |
//! | `thinning` | when old readings give way to bins |

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
pub mod drift;
pub mod failure;
mod http;
pub mod lock;
pub mod log;
pub mod meter_task;
pub mod metrics;
pub mod page;
pub mod power;
pub mod recorder;
pub mod reload;
mod request;
pub mod runs;
pub mod server;
pub mod service;
pub mod settle;
pub mod settling;
pub mod size;
pub mod stop;
mod thinning;

use std::sync::Arc;

use settled_protocol::log::EventKind;
use tokio::sync::watch;

use crate::clock::Clock;
use crate::config::{BusConfig, MeterConfig, Retention};
use crate::daemon::{Daemon, Terms};
use crate::log::{Happening, Log};
use crate::power::Inhibit;
use crate::recorder::Progress;
use crate::reload::Reloader;
use crate::service::Manager;
use crate::stop::Stop;

/// What a daemon has to do beside its meters and its socket, where there is any.
#[derive(Debug, Default)]
pub struct Beside {
    /// The recording of its meters, that clients are told of.
    pub recording: Option<Progress>,
    /// The bus to be on.
    pub bus: Option<BusConfig>,
    /// How long readings are kept as they are, as that changes; for ever where there is nothing.
    pub retention: Option<watch::Receiver<Option<Retention>>>,
    /// Where its metrics are to be had.
    pub metrics: Option<metrics::Wanted>,
    /// The local page.
    pub page: Option<page::Wanted>,
    /// The program that is told of runs' alerts, as that changes.
    pub alert_command: Option<watch::Receiver<Option<runs::Command>>>,
    /// What runs keep the machine from, where its sleep is looked after.
    pub power: Option<watch::Receiver<Inhibit>>,
    /// The service manager that wants to be told how it is.
    pub manager: Option<Manager>,
    /// The config to read anew.
    pub reload: Option<Reloader>,
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
    let watching =
        clock_watch::run(Arc::clone(&daemon.clock), daemon.log.clone(), daemon.rest.clone(), stop.clone());
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
    let thinning = async {
        if let Some(retention) = beside.retention {
            thinning::run(retention, &daemon.clock, &daemon.log, stop.clone()).await;
        }
    };
    let powered = async {
        if let Some(inhibit) = beside.power {
            power::run(daemon.power(inhibit), stop.clone()).await;
        }
    };
    let managed = async {
        if let Some(manager) = beside.manager {
            manager.ready().await;
            manager.run(&daemon, stop.clone()).await;
        }
    };
    let reloading = async {
        if let Some(reloader) = beside.reload {
            reloader.run(&daemon, stop.clone()).await;
        }
    };
    let remembering = daemon.remember(stop.clone());
    let shown = pages(beside.metrics, beside.page, &daemon, stop.clone());
    let around = async {
        tokio::join!(powered, managed, reloading, watching, recording, remembering, thinning);
    };
    let running = runs::run(&daemon, beside.alert_command, stop.clone());
    let serving = server::serve(listener, &daemon, stop.clone());
    let auditing = daemon.audit.run(stop.clone());
    tokio::join!(supervisor.run(), running, serving, on_bus, auditing, around, shown);
    daemon.log.event(&daemon.clock, Happening::new(EventKind::DaemonStopped, "stopped in order")).await;
}

/// The pages over HTTP, as far as they are wanted.
async fn pages(
    metrics: Option<metrics::Wanted>,
    page: Option<page::Wanted>,
    daemon: &Arc<Daemon>,
    stop: Stop,
) {
    let measured = async {
        if let Some(wanted) = metrics {
            metrics::serve(wanted, daemon, stop.clone()).await;
        }
    };
    let looked_at = async {
        if let Some(wanted) = page {
            page::serve(wanted, daemon, stop.clone()).await;
        }
    };
    tokio::join!(measured, looked_at);
}
