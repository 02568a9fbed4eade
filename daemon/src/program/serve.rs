//! The daemon from the command line: put together, run, and waited for until the last row is written.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use settled::access::Access;
use settled::accounts::System;
use settled::clock::Clock;
use settled::config::{Config, LogConfig, LogFile, PageConfig};
use settled::daemon::Terms;
use settled::log::{Log, Written};
use settled::recorder::Recording;
use settled::reload::Reloader;
use settled::server::{BindError, Bound};
use settled::service::Manager;
use settled::service::activation::{self, Inherited};
use settled::{Beside, metrics, page, stop};
use settled_drivers::fault::chain;
use settled_protocol::socket;

use super::check::read;
use super::ending::Ending;
use super::patience::patiently;
use super::{Failure, NO_METERS, Unread};
use crate::Arguments;

/// Runs the daemon to its end. What the service manager has handed over is taken here.
pub(crate) fn start(arguments: &Arguments) -> Result<(), Failure> {
    // Before there is a second thread.
    let inherited = Inherited::take()?;
    let (config, text) = read(&arguments.config).map_err(Unread)?;
    if config.meters.is_empty() {
        tracing::warn!("{}: {NO_METERS}", arguments.config.display());
    }
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let clock = Arc::new(config.speed.map_or_else(Clock::system, Clock::simulated));
    let (written, recording) = runtime.block_on(serve(arguments, (config, text), clock, inherited))?;
    // Whatever still holds the log goes with the runtime; then its writer can end. A port that is being opened, or a name that
    // is being looked up, holds up nothing.
    runtime.shutdown_background();
    written.wait();
    if let Some(recording) = recording {
        recording.end();
    }
    Ok(())
}

/// Begins a recording, and has every meter recorded.
fn record(
    path: &Path,
    arguments: &Arguments,
    config: &mut Config,
    clock: &Arc<Clock>,
) -> Result<Recording, Failure> {
    let begun = Recording::begin(path, arguments.record_limit, config, clock);
    let recording = begun.map_err(|error| match error.kind() {
        std::io::ErrorKind::AlreadyExists => {
            format!("the recording {}: it is there already, and none is overwritten", path.display())
        }
        _ => format!("the recording {}: {error}", path.display()),
    })?;
    config.meters = std::mem::take(&mut config.meters).into_iter().map(|meter| recording.of(meter)).collect();
    tracing::info!(file = %path.display(), "recording; the file holds serial numbers");
    Ok(recording)
}

async fn serve(
    arguments: &Arguments,
    (mut config, text): (Config, String),
    clock: Arc<Clock>,
    inherited: Inherited,
) -> Result<(Written, Option<Recording>), Failure> {
    let manager = Manager::of_environment();
    let reload = Reloader::new(&arguments.config, text, &config, manager)?;
    let starting = manager.map(Manager::starting);
    let bound = bind(arguments, &mut config, inherited).await?;
    let (log, written) = open_log(&config.log, &clock).await?;
    drop(starting);
    let recording = match arguments.record.as_deref() {
        Some(path) => Some(record(path, arguments, &mut config, &clock)?),
        None => None,
    };
    let progress = recording.as_ref().map(Recording::progress);
    let power = Some(reload.inhibit());
    let (retention, alert_command) = (Some(reload.retention()), Some(reload.alert_command()));
    let metrics = match config.metrics.take() {
        Some(metrics) => Some(metrics::Wanted::begin(metrics, config.rules.door()).await),
        None => None,
    };
    let page = match config.page.take() {
        Some(page) => {
            let file = token_file(&page, &config.log);
            Some(page::Wanted::begin(page, file).await)
        }
        None => None,
    };
    let beside = Beside {
        recording: progress,
        bus: config.dbus,
        metrics,
        page,
        retention,
        alert_command,
        power,
        manager,
        reload: Some(reload),
    };
    let access = Access::new(config.rules, Arc::new(System));
    let terms = Terms { stale_after_s: config.stale_after_s, limits: config.limits, access };
    let (stopper, stop) = stop::pair();
    let ending = Ending::new(manager)?;
    tracing::info!(socket = %bound.path().display(), "listening");
    let ending = ending.end(stopper, &bound, log.clone());
    let running = settled::run(config.meters, &bound.listener, clock, log, terms, beside, stop);
    tokio::select! {
        () = running => {}
        never = ending => match never {},
    }
    Ok((written, recording))
}

/// The socket that the service manager has made, or one of our own.
async fn bind(
    arguments: &Arguments,
    config: &mut Config,
    mut inherited: Inherited,
) -> Result<Bound, Failure> {
    let door = config.rules.door();
    let given = arguments.socket.clone().or(config.socket.path.take());
    if let Some(listener) = inherited.socket(activation::NAME) {
        let (bound, advice) = Bound::inherited(listener, door).map_err(|error| chain(&error))?;
        if let Some(advice) = advice {
            tracing::warn!("{advice}");
        }
        if let Some(given) = given.filter(|given| given != bound.path()) {
            let (given, path) = (given.display(), bound.path().display());
            tracing::warn!("{given} is not listened on, as the service manager hands over {path}");
        }
        return Ok(bound);
    }
    if !inherited.left().is_empty() {
        let (left, name) = (inherited.left().join(", "), activation::NAME);
        tracing::warn!("of the sockets that were handed over ({left}) none is called {name}");
    }
    let usual = || socket::candidates(|name| std::env::var_os(name).map(PathBuf::from)).into_iter().next();
    let path = given.or_else(usual).ok_or("no socket path")?;
    let bound = patiently(|| Bound::new(&path, door)).await;
    let told = |error| format!("the socket {}: {}{}", path.display(), chain(&error), elsewhere(&error));
    Ok(bound.map_err(told)?)
}

/// What to do where the socket may not be made: an ordinary user without a folder of their own gets the system's.
fn elsewhere(error: &BindError) -> &'static str {
    match error {
        BindError::Io { source, .. } if source.kind() == std::io::ErrorKind::PermissionDenied => {
            "; choose a place that is yours with --socket or [socket] path, and tell settle with --socket or SETTLED_SOCKET"
        }
        _ => "",
    }
}

async fn open_log(config: &LogConfig, clock: &Arc<Clock>) -> Result<(Log, Written), Failure> {
    let LogConfig::File(file) = config else { return Ok((Log::off(), Written::nothing())) };
    let path = file.path.clone().unwrap_or_else(usual_log);
    let opened = patiently(|| Log::begin(path.clone(), file, Arc::clone(clock))).await;
    Ok(opened.map_err(|error| format!("the log {}: {}", path.display(), chain(&error)))?)
}

/// The file of the local page's token: beside the log, unless the config says otherwise.
fn token_file(page: &PageConfig, log: &LogConfig) -> PathBuf {
    let log = match log {
        LogConfig::File(LogFile { path: Some(path), .. }) => path.clone(),
        _ => usual_log(),
    };
    page.token_file.clone().unwrap_or_else(|| log.with_file_name("page.token"))
}

/// The system's folder for root, the user's own otherwise.
fn usual_log() -> PathBuf {
    let home = || std::env::var_os("HOME").map(|home| Path::new(&home).join(".local/state"));
    let own = std::env::var_os("XDG_STATE_HOME").map(PathBuf::from).or_else(home);
    match own {
        Some(folder) if !nix::unistd::geteuid().is_root() => folder.join("settled/log.sqlite"),
        _ => PathBuf::from("/var/lib/settled/log.sqlite"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_socket_that_may_not_be_made_says_where_else_to_put_it() {
        let io = |kind: std::io::ErrorKind| BindError::Io { doing: "making", source: kind.into() };
        assert!(elsewhere(&io(std::io::ErrorKind::PermissionDenied)).contains("--socket or [socket] path"));
        assert_eq!(elsewhere(&io(std::io::ErrorKind::NotFound)), "");
    }
}
