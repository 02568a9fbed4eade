//! `settled`: the daemon that owns the light meters.

use std::io::{IsTerminal, Write};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode};
use std::sync::Arc;

use clap::error::ErrorKind;
use clap::{CommandFactory, Parser};
use serde_json::json;
use settled::Beside;
use settled::access::Access;
use settled::accounts::System;
use settled::clock::Clock;
use settled::config::{Config, LogConfig};
use settled::conformance::Form;
use settled::daemon::Terms;
use settled::log::{Log, Written};
use settled::metrics::Listening;
use settled::recorder::Recording;
use settled::server::{BindError, Bound};
use settled::{conformance, size, stop};
use settled_drivers::driver::Registry;
use settled_drivers::fault::chain;
use settled_drivers::settings::{Problem, Problems};
use settled_protocol::socket;
use tokio::signal::unix::{SignalKind, signal};

/// Owns light meters and hands out settled readings over a local socket.
#[derive(Parser)]
#[command(
    version,
    after_help = "Exit status: 0 stopped in order, the config is right, or every clause is kept; 1 anything else; 2 a mistake on the command line."
)]
struct Arguments {
    /// The config file.
    #[arg(long, value_name = "FILE", default_value = "/etc/settled/settled.toml")]
    config: PathBuf,
    /// The socket to listen on, whatever the config says.
    #[arg(long, value_name = "PATH")]
    socket: Option<PathBuf>,
    /// Read the config, report every mistake in it, a line each, and touch nothing.
    #[arg(long)]
    check: bool,
    /// Record what passes on every meter's link, and what came of it, in this new file: the bug report, and a meter to play back. It
    /// holds the instruments' serial numbers.
    #[arg(long, value_name = "FILE", conflicts_with = "check")]
    record: Option<PathBuf>,
    /// The size at which a recording ends, such as 500MB or 2GiB.
    #[arg(long, value_name = "SIZE", default_value = "1GiB", value_parser = size::bytes)]
    record_limit: u64,
    /// Try a meter of the config against all that a driver must do, a line a clause; the daemon must not be running.
    #[arg(long, num_args = 2, value_names = ["CONFIG", "METER"], conflicts_with_all = ["check", "record", "config"])]
    conformance: Option<Vec<String>>,
    /// With --conformance: the meter's aperture is covered, so that it may be zeroed, too.
    #[arg(long)]
    covered: bool,
    /// With --conformance or --check: an object a line, for each clause or mistake.
    #[arg(long)]
    json: bool,
    /// Trace more: clients that come and go, and what they call themselves.
    #[arg(long)]
    verbose: bool,
}

impl Arguments {
    /// What is out of place. The parser asks for no argument that another one rules out.
    fn out_of_place(&self) -> Option<&'static str> {
        match (self.conformance.is_some(), self.check) {
            (false, _) if self.covered => Some("--covered is for --conformance"),
            (false, false) if self.json => Some("--json is for --conformance and --check"),
            _ => None,
        }
    }
}

/// What the system's own allocator has taken for a crowd it keeps when the crowd has gone, below anything that is still in use.
/// This one gives free pages back, at once if it is told to.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

/// How long the allocator keeps free pages, in ms: it is told by the environment alone, and only as a process begins.
const KEPT_MS: (&str, &str) = ("MIMALLOC_PURGE_DELAY", "0");

/// What a config without meters is good for.
const NO_METERS: &str = "without a [[meter]] there is nothing to measure with";

type Failure = Box<dyn std::error::Error>;

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    if let Some(what) = arguments.out_of_place() {
        Arguments::command().error(ErrorKind::MissingRequiredArgument, what).exit();
    }
    if arguments.check {
        let form = if arguments.json { Form::Json } else { Form::Words };
        return check(&arguments.config, form);
    }
    if let Some([file, meter]) = arguments.conformance.as_deref() {
        return conform(Path::new(file), meter, &arguments);
    }
    let level = if arguments.verbose { tracing::Level::DEBUG } else { tracing::Level::INFO };
    let colour =
        std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none_or(|set| set.is_empty());
    let trace = tracing_subscriber::fmt().with_max_level(level).with_ansi(colour).with_target(false);
    trace.with_writer(std::io::stderr).init();
    begin_frugally();
    match start(&arguments) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            for line in chain(error.as_ref()).lines() {
                tracing::error!("{line}");
            }
            ExitCode::FAILURE
        }
    }
}

/// Has this process begin anew, as the same program with the same arguments, so that its allocator gives memory back; once, and not
/// where the environment says something about that already.
fn begin_frugally() {
    let (name, value) = KEPT_MS;
    if std::env::var_os(name).is_some() {
        return;
    }
    let mut arguments = std::env::args_os();
    let called = arguments.next().unwrap_or_else(|| "settled".into());
    let failed = std::env::current_exe()
        .map(|program| Command::new(program).arg0(called).args(arguments).env(name, value).exec());
    // It works without, and takes more memory after a rush.
    let (Ok(error) | Err(error)) = failed;
    tracing::warn!(%error, "memory that is free may be kept: beginning anew to give it back");
}

/// Says what is wrong with the config, a line each, as a compiler would: a person reads this, or another program, not a journal.
fn check(file: &Path, form: Form) -> ExitCode {
    let (mut stdout, mut stderr) = (std::io::stdout(), std::io::stderr());
    let (said, code) = match read(file) {
        Ok(_) if form == Form::Json => (Ok(()), ExitCode::SUCCESS),
        Err(error) if form == Form::Json => (write!(stdout, "{}", mistakes(file, &error)), ExitCode::FAILURE),
        Ok(config) => {
            let meters = match config.meters.len() {
                0 => format!("but {NO_METERS}"),
                1 => "1 meter".to_owned(),
                count => format!("{count} meters"),
            };
            (writeln!(stdout, "{}: no mistakes; {meters}", file.display()), ExitCode::SUCCESS)
        }
        Err(error) => (writeln!(stderr, "{}", chain(error.as_ref())), ExitCode::FAILURE),
    };
    if said.is_ok() { code } else { ExitCode::FAILURE }
}

/// The mistakes in a config, an object a line. What has no place in the file is told without one.
fn mistakes(file: &Path, error: &Failure) -> String {
    let objects: Vec<_> = match error.downcast_ref::<Problems>() {
        None => vec![json!({"file": file.display().to_string(), "message": chain(error.as_ref())})],
        Some(Problems(problems)) => problems
            .iter()
            .map(|Problem { file, line, column, key, message }| {
                let mut object = json!({"file": file, "line": line, "column": column, "message": message});
                if !key.is_empty() {
                    object["key"] = json!(key);
                }
                object
            })
            .collect(),
    };
    objects.iter().map(|object| format!("{object}\n")).collect()
}

/// Tries a meter's driver. A person, or another program, reads what comes of it.
fn conform(file: &Path, meter: &str, arguments: &Arguments) -> ExitCode {
    let form = if arguments.json { Form::Json } else { Form::Words };
    let kept =
        read(file).and_then(|config| conformance::check(&config, file, meter, arguments.covered, form));
    match kept {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::FAILURE,
        // `settled --conformance … | head`: who has heard enough is told no more.
        Err(error)
            if error.downcast_ref().map(std::io::Error::kind) == Some(std::io::ErrorKind::BrokenPipe) =>
        {
            ExitCode::FAILURE
        }
        Err(error) => {
            // Where that can't be told either, the exit status does.
            let _told = writeln!(std::io::stderr(), "{}", chain(error.as_ref())).is_ok();
            ExitCode::FAILURE
        }
    }
}

fn read(file: &Path) -> Result<Config, Failure> {
    let text =
        std::fs::read_to_string(file).map_err(|error| format!("reading {}: {error}", file.display()))?;
    Ok(Config::load(file, &text, &Registry::built_in())?)
}

fn start(arguments: &Arguments) -> Result<(), Failure> {
    let config = read(&arguments.config)?;
    if config.meters.is_empty() {
        tracing::warn!("{}: {NO_METERS}", arguments.config.display());
    }
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let clock = Arc::new(config.speed.map_or_else(Clock::system, Clock::simulated));
    let (written, recording) = runtime.block_on(serve(arguments, config, clock))?;
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
    mut config: Config,
    clock: Arc<Clock>,
) -> Result<(Written, Option<Recording>), Failure> {
    let usual = || socket::candidates(|name| std::env::var_os(name).map(PathBuf::from)).into_iter().next();
    let path =
        arguments.socket.clone().or(config.socket.path.take()).or_else(usual).ok_or("no socket path")?;
    let bound = Bound::new(&path, config.rules.door())
        .map_err(|error| format!("the socket {}: {}{}", path.display(), chain(&error), elsewhere(&error)))?;
    let (log, written) = open_log(&config.log)?;
    let recording = match arguments.record.as_deref() {
        Some(path) => Some(record(path, arguments, &mut config, &clock)?),
        None => None,
    };
    let progress = recording.as_ref().map(Recording::progress);
    let metrics = match &config.metrics {
        Some(metrics) => Some(Listening::at(metrics, config.rules.door()).await?),
        None => None,
    };
    let beside =
        Beside { recording: progress, bus: config.dbus, metrics, alert_command: config.alert_command };
    let access = Access::new(config.rules, Arc::new(System));
    let terms = Terms { stale_after_s: config.stale_after_s, limits: config.limits, access };
    let (stopper, stop) = stop::pair();
    let (mut terminate, mut interrupt) = (signal(SignalKind::terminate())?, signal(SignalKind::interrupt())?);
    let signals = async {
        tokio::select! { _ = terminate.recv() => {} _ = interrupt.recv() => {} }
        stopper.stop();
    };
    tracing::info!(socket = %bound.path().display(), "listening");
    tokio::join!(settled::run(config.meters, &bound.listener, clock, log, terms, beside, stop), signals);
    Ok((written, recording))
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

fn open_log(config: &LogConfig) -> Result<(Log, Written), Failure> {
    let LogConfig::File { path, survives } = config else { return Ok((Log::off(), Written::nothing())) };
    let path = path.clone().unwrap_or_else(usual_log);
    let opened = Log::open(path.clone(), *survives);
    Ok(opened.map_err(|error| format!("the log {}: {}", path.display(), chain(&error)))?)
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
