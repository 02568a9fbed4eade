//! `settled`: the daemon that owns the light meters.

use std::io::Write;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode};

use clap::error::ErrorKind;
use clap::{CommandFactory, Parser};
use settled::conformance::Form;
use settled::size;
use settled_drivers::fault::chain;

mod program;

use program::trace::Goes;
use program::{Unread, check, serve, trace};

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

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    if let Some(what) = arguments.out_of_place() {
        Arguments::command().error(ErrorKind::MissingRequiredArgument, what).exit();
    }
    let form = if arguments.json { Form::Json } else { Form::Words };
    if arguments.check {
        return check::check(&arguments.config, form);
    }
    if let Some([file, meter]) = arguments.conformance.as_deref() {
        return check::conform(Path::new(file), meter, arguments.covered, form);
    }
    let goes = trace::begin(if arguments.verbose { tracing::Level::DEBUG } else { tracing::Level::INFO });
    begin_frugally();
    match serve::start(&arguments) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            // Who starts it by hand reads mistakes in the config as --check tells them.
            let is_plain = goes == Goes::Here && error.is::<Unread>();
            for line in chain(error.as_ref()).lines() {
                if is_plain {
                    let _nobody_else_to_tell = writeln!(std::io::stderr(), "{line}");
                } else {
                    tracing::error!("{line}");
                }
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
