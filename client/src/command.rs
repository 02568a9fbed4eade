//! The commands of `settle`: one file each.

use std::ffi::OsString;
use std::path::PathBuf;
use std::time::{SystemTime, UNIX_EPOCH};

use clap::error::ErrorKind;
use clap::{Args, CommandFactory, Parser, Subcommand};
use settled_protocol::method::{ClockKind, MetersList, Nothing};
use settled_protocol::text::Text;
use settled_protocol::time::Timestamp;

use crate::connection::{CallError, Connection, OpenError};
use crate::output::Output;

pub use exit::Exit;
pub use failure::Failure;
pub use lease::leash;

mod arrival;
mod assess;
mod correct;
mod demo;
mod exit;
mod failure;
mod helping;
pub(crate) mod lease;
mod live;
mod log;
mod manual;
pub(crate) mod meters;
mod observe;
mod page;
mod patience;
mod prompt;
mod read;
mod report;
mod review;
mod run;
pub(crate) mod runs;
pub(crate) mod settled;
mod signals;
mod stage;
mod status;
mod target;
mod verbose;
mod zero;

const STATUSES: &str = "Exit status: 0 settled, or done; 1 an error; 2 a mistake on the command line; 3 not settled; 4 alerts; 130 interrupted. \
A run that is waited for, or watched: 0 settled, or within its bands, without an alert; 3 not settled, beyond them, or undecided; 4 as 0, with \
alerts; 1 it could not go on; 130 interrupted, and the run goes on. \
settle lease ends as the command that it runs, or with 125 if it has got no lease to run it under: see settle lease --help.

Kinds of error beside those of PROTOCOL.md: usage, no_daemon, connection_closed, version_mismatch, input, output, interrupted \
(Ctrl-C), command (settle lease could not run it).

Cautions: long static patches leave marks on self-emitting panels, flashing ones can trigger seizures in photosensitive \
viewers; don't look into lasers or very bright sources. The makers' instructions, local codes and licensed practice come first.";

/// What stands over the options that every command has, behind its own.
const EVERYWHERE: &str = "With every command";

/// Settled readings from the settled daemon.
#[derive(Debug, Parser)]
#[command(name = "settle", version, after_help = STATUSES, max_term_width = 100)]
pub struct Arguments {
    /// The daemon's socket; else SETTLED_SOCKET, your own daemon's, the system's.
    #[arg(long, global = true, help_heading = EVERYWHERE, value_name = "PATH")]
    socket: Option<PathBuf>,
    /// Write JSON, one object a line, as PROTOCOL.md describes it. An error is one line of JSON on standard error:
    /// {"error":{"message":…,"data":{"kind":…}}}.
    #[arg(long, global = true, help_heading = EVERYWHERE)]
    json: bool,
    /// No progress on standard error: nothing that only says how far something is, or what it waits for. Cautions, the rest that one
    /// must know, and errors are said.
    #[arg(long, global = true, help_heading = EVERYWHERE, conflicts_with = "verbose")]
    quiet: bool,
    /// Say on standard error which socket was found, what the daemon is asked for, and how long each answer took.
    #[arg(long, global = true, help_heading = EVERYWHERE)]
    verbose: bool,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// The whole job on a simulated meter and display, without any set-up.
    Demo(demo::Options),
    /// What is attached, and how it is.
    Meters,
    /// One reading; with --settled, one that can be trusted, with its uncertainty and why.
    Read(read::Options),
    /// Let a meter measure its own offset, with its aperture covered.
    Zero(zero::Options),
    /// Have a meter watched unattended: the run goes on in the daemon, without this terminal, across a restart and a reboot.
    #[command(subcommand)]
    Run(run::Options),
    /// The runs there are, the latest first: how they get on, and what came of them.
    Runs(runs::Options),
    /// A line for each reading, until Ctrl-C.
    ///
    /// If the daemon goes, it waits for it to come back, and goes on after the last reading that it showed, with what the log has. That
    /// the daemon has gone, that it is back, and what can't be known of what came meanwhile is said on standard error.
    ///
    /// With --json these are objects there, one a line, told apart by their only member: {"daemon":{"state":"lost"}};
    /// {"daemon":{"state":"back","anew":…,"missed":"no_log" or "other_log"}}, without "missed" where nothing is lacking;
    /// {"missed":{"count":…,"why":…,"from":…,"to":…}}, the numbers where they are known; {"numbers":{"after":…,"from":…}} where numbers
    /// jump and nothing is missing; {"lease":{"meter":…,"holder":{…}}} where readings wait for somebody's lease; and {"meter":{…}}, the
    /// meter as meters.list has it, where it gives readings no more, or again.
    Observe(observe::Options),
    /// Meters, runs and events on the whole screen, as they change.
    ///
    /// It shows what others measure and causes no exposure, unless m or --measure says so: each meter's value with its uncertainty, its
    /// drift with the band and where it goes, whether it has settled and why, who has the meter, runs and events. ? shows the keys.
    ///
    /// It goes on when the daemon is started anew. Without a terminal, settle observe and settle meters --json tell the same. Exit status: 0
    /// after q, 130 after Ctrl-C or a signal.
    Live(live::Options),
    /// Run a command that has a meter for itself.
    ///
    /// Nobody else takes readings with the meter meanwhile, zeroes it or changes what its display shows; whoever only watches sees
    /// the readings that the command takes. The lease is renewed while the command runs, and given back when it ends.
    ///
    /// The command finds the lease in its environment, SETTLED_LEASE=METER=TOKEN, and the daemon's socket in SETTLED_SOCKET: every
    /// settle command that it runs is under the lease. A lease within a lease is added, with a comma; one on a meter that is leased
    /// already by what this runs under is that very lease, and its --ttl, --wait and --purpose stay as they are.
    ///
    /// Ctrl-C goes to the command; SIGTERM and SIGHUP are passed on to it. Its exit status is that of settle: 128 and the signal's
    /// number if one ended it, 127 if it can't be found, 126 if it can't be run; 125 if settle itself failed: there is no daemon, or the
    /// lease was not to be had in time. If settle is killed, the command gets SIGTERM,
    /// but neither programs that it has started nor a command that changes its user do.
    ///
    /// If the lease is lost, because the daemon was started anew or the machine slept, that is said once, and the command goes on;
    /// what it asks for from then on is refused with the error lease_lost.
    Lease(Box<lease::Options>),
    /// Readings and events from the daemon's log.
    #[command(subcommand)]
    Log(log::Options),
    /// Corrections of filter colorimeters: make one against a reference meter, put it in force, look after them.
    Correct(correct::Options),
    /// A display taken through a plan of stimuli: settled readings of each, in a file that a review is made of.
    #[command(subcommand)]
    Review(review::Options),
    /// What was measured as a document: one file of HTML with plots and figures, to read, print and pass on.
    ///
    /// The file needs nothing else: no network, no script, no font. Figures are the same in each form: --figures has them as JSON (by report.schema.json), --csv as a
    /// table, --svg and --png have each plot in a file. All of them are complete or not there. REPORTS.md says more.
    ///
    /// With --json: {"report":{"files":[…],"plots":…}} at the end, on standard error.
    Report(Box<report::Options>),
    /// Tell a simulated display what to show.
    #[command(subcommand)]
    Stage(stage::Options),
    /// How the daemon is.
    Status,
    /// The address of the daemon's local page: every meter and every night at a glance, in a browser.
    ///
    /// What stands behind its # is the token that the page asks for. The config must give the page a port: [page] port = 9760.
    Page,
    /// When had it settled? Over recorded readings, without a daemon.
    Assess(assess::Options),
    /// Completions for a shell, on standard output.
    ///
    /// bash: settle completions bash > ~/.local/share/bash-completion/completions/settle (make that folder first). fish: settle completions
    /// fish > ~/.config/fish/completions/settle.fish. zsh: settle completions zsh > _settle in a folder that fpath names before compinit.
    /// A new shell has them.
    Completions {
        /// Which shell.
        shell: clap_complete::Shell,
    },
    /// The manual page, on standard output; with --into a page for each command.
    ///
    /// settle man | man -l - shows it. settle man --into ~/.local/share/man/man1 (the folder is made) puts the pages where man looks: man
    /// settle-read. Where man does not look there, MANPATH=~/.local/share/man: does (with the colon at its end).
    Man(manual::Options),
}

impl Command {
    /// Whether it has an option --wait.
    fn can_wait(&self) -> bool {
        matches!(self, Self::Read(_) | Self::Zero(_) | Self::Lease(_))
    }

    /// Whether it speaks with a daemon that others may have leased meters of.
    fn needs_daemon(&self) -> bool {
        !matches!(
            self,
            Self::Demo(_)
                | Self::Assess(_)
                | Self::Review(
                    review::Options::Plans(_)
                        | review::Options::Show(_)
                        | review::Options::Compare(_)
                        | review::Options::Stimuli(_)
                )
                | Self::Report(_)
                | Self::Completions { .. }
                | Self::Man(_)
        )
    }
}

/// Which meter.
#[derive(Clone, Debug, Args)]
pub struct MeterArgument {
    /// The meter's id; may be left out where there is only one.
    meter: Option<String>,
    /// The same as an option, as commands have it that take other words.
    #[arg(long = "meter", id = "meter_by_option", value_name = "METER", conflicts_with = "meter")]
    by_option: Option<String>,
}

/// Runs a command to its end, and says what went wrong if something did.
pub async fn run(arguments: Arguments) -> Exit {
    let Arguments { socket, json, quiet, verbose, command } = arguments;
    if verbose {
        verbose::begin();
    }
    let output = Output { json, quiet };
    let context = Context { socket, output };
    let (can_wait, runs_another) = (command.can_wait(), matches!(command, Command::Lease(_)));
    let takes_back = !matches!(command, Command::Run(_) | Command::Runs(_) | Command::Review(_));
    let outcome = match crate::lease::mistake().filter(|_| command.needs_daemon()) {
        Some(mistake) => Err(Failure::Usage(mistake.to_string())),
        None => carry_out(&context, command).await,
    };
    let mut exit = outcome.unwrap_or_else(|failure| failure.say_of(output, can_wait));
    if runs_another && matches!(exit, Exit::Failed | Exit::Usage) {
        // Not to be taken for what the command ends with.
        exit = Exit::NotLeased;
    }
    if exit == Exit::Interrupted && json && takes_back {
        output.aside(&failure::interrupted().to_string());
    }
    exit
}

/// Says that a command can't even begin.
pub fn say_no_runtime(arguments: &Arguments, error: std::io::Error) -> Exit {
    Failure::Runtime(error).say(Output { json: arguments.json, quiet: arguments.quiet })
}

/// What becomes of a command line that was not understood, or that only asks for help: `words` is all of it.
pub fn refuse(mut error: clap::Error, words: &[OsString]) -> Exit {
    helping::suggest(&mut error, words, &Arguments::command());
    if !error.use_stderr() {
        // Help, or the version. A pipe that nobody reads from is no error.
        let _printed = error.print().is_ok();
        return Exit::Done;
    }
    // It was not understood, so that whether it asked for JSON can only be looked for.
    let json = words.iter().take_while(|word| *word != "--").any(|word| word == "--json");
    if json {
        let missing = error.kind() == ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand;
        let words = || failure::without_usage(&error.render().to_string());
        let message = if missing { "a command is missing; see --help".to_owned() } else { words() };
        return Failure::Usage(message).say(Output { json, ..Output::default() });
    }
    let _printed = error.print().is_ok();
    Exit::Usage
}

async fn carry_out(context: &Context, command: Command) -> Result<Exit, Failure> {
    match command {
        Command::Demo(options) => demo::run(context.output, &options).await,
        Command::Meters => meters::run(context).await,
        Command::Read(options) => read::run(context, options).await,
        Command::Zero(options) => zero::run(context, options).await,
        Command::Run(options) => run::run(context, options).await,
        Command::Runs(options) => runs::run(context, options).await,
        Command::Observe(options) => observe::run(context, options).await,
        Command::Live(options) => live::run(context, options).await,
        Command::Lease(options) => lease::run(context, *options).await,
        Command::Log(options) => log::run(context, options).await,
        Command::Correct(options) => correct::run(context, options).await,
        Command::Review(options) => review::run(context, options).await,
        Command::Report(options) => report::run(context, &options).await,
        Command::Stage(options) => stage::run(context, options).await,
        Command::Status => status::run(context).await,
        Command::Page => page::run(context).await,
        Command::Assess(options) => assess::run(context.output, &options),
        Command::Completions { shell } => manual::completions(context.output, Arguments::command(), shell),
        Command::Man(options) => manual::run(context.output, Arguments::command(), &options),
    }
}

/// What every command works with.
#[derive(Debug)]
struct Context {
    socket: Option<PathBuf>,
    output: Output,
}

impl Context {
    async fn connect(&self) -> Result<Connection, OpenError> {
        match &self.socket {
            Some(path) => Connection::open(path).await,
            None => arrival::open_default().await,
        }
    }
}

impl Context {
    /// The same under this program's name, which others are told, and the log keeps, of what it starts or stops.
    async fn connect_by_name(&self) -> Result<Connection, Failure> {
        let connection = self.connect().await?;
        match connection.introduce(Text::try_from("settle".to_owned()).ok()).await {
            // Who may not say its name is nameless, and a daemon of another version says so of what it is asked for.
            Ok(_) | Err(CallError::Refused(_) | CallError::Misfit { .. }) => Ok(connection),
            Err(error) => Err(error.into()),
        }
    }
}

impl MeterArgument {
    /// That one, where one was named.
    fn named(meter: Option<String>) -> Self {
        Self { meter, by_option: None }
    }

    /// The id that was given, or that of the only meter.
    async fn resolve(self, connection: &Connection) -> Result<String, Failure> {
        if let Some(meter) = self.meter.or(self.by_option) {
            return Ok(meter);
        }
        let mut meters = connection.call::<MetersList>(&Nothing {}).await?.meters;
        match meters.len() {
            0 => Err(Failure::Usage("the daemon has no meters: add a [[meter]] to its config".to_owned())),
            1 => Ok(meters.remove(0).id),
            _ => {
                let ids: Vec<String> = meters.into_iter().map(|meter| meter.id).collect();
                Err(Failure::Usage(format!("which meter? There are {}", ids.join(", "))))
            }
        }
    }
}

/// Runs a call until it ends or Ctrl-C comes. Then the call is dropped, which takes it back; a moment is given for that to
/// get through.
async fn until_interrupted<T>(call: impl Future<Output = Result<T, Failure>>) -> Result<Option<T>, Failure> {
    tokio::select! {
        outcome = call => outcome.map(Some),
        _ = tokio::signal::ctrl_c() => Ok(None),
    }
}

/// Refuses to begin with what is yet to come: a slip of the pen, for which there would only be silence. A daemon that rehearses
/// has a time of its own.
async fn must_be_past(connection: &Connection, since: Option<Timestamp>) -> Result<(), Failure> {
    let now = wall_clock();
    let Some(since) = since.filter(|since| *since > now) else { return Ok(()) };
    match connection.introduce(None).await {
        Ok(hello) if hello.clock.kind == ClockKind::System => {
            Err(Failure::Usage(format!("--since must not be in the future: {since} is yet to come")))
        }
        _ => Ok(()),
    }
}

/// What time it is.
#[expect(
    clippy::disallowed_methods,
    reason = "what was typed is held against the wall clock, as whoever typed it does"
)]
fn wall_clock() -> Timestamp {
    let since_1970 = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    Timestamp::from_unix_ns(u64::try_from(since_1970.as_nanos()).unwrap_or(u64::MAX))
}

/// Gives what was just sent the time to leave the process.
async fn flush(connection: &Connection) {
    let settled = connection.call::<settled_protocol::method::DaemonStatus>(&Nothing {});
    let _in_time = tokio::time::timeout(std::time::Duration::from_secs(1), settled).await.is_ok();
}

/// Whether an error says that the daemon took a request back.
fn is_cancelled(error: &CallError) -> bool {
    matches!(error, CallError::Refused(error) if error.kind() == settled_protocol::error::ErrorKind::Cancelled)
}
