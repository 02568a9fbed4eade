//! `settle runs`: how runs get on, and what came of them.

use clap::{Args, Subcommand};
use settled_drivers::nearest;
use settled_protocol::method::{RunsList, RunsShow, RunsStop};
use settled_protocol::run::{ListRuns, Run, RunState, ShowRun, StopRun};
use settled_protocol::text::Text;

use super::patience::waiting;
use super::{Context, Exit, Failure, until_interrupted};
use crate::connection::Connection;
use crate::output::{FAINT, Output, styled};
use crate::runs::{Watching, one};
use events::Events;
use watch::{Manner, Watch};

mod alarm;
pub(crate) mod bar;
pub(super) mod events;
mod figures;
mod table;
pub(super) mod watch;
pub(super) mod words;

/// Runs that one answer holds at most.
const LARGEST_RUNS_PAGE: u32 = 100;

/// Runs that are listed where nobody says how many.
const A_SCREENFUL: u64 = 20;

#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true)]
pub(super) struct Options {
    /// What to do; without any: the runs there are, a line each.
    #[command(subcommand)]
    action: Option<Action>,
    #[command(flatten)]
    which: Which,
}

/// Which runs.
#[derive(Debug, Args)]
struct Which {
    /// Only this meter's.
    #[arg(long)]
    meter: Option<String>,
    /// Only those in this state: planned, running, done, stopped or failed.
    #[arg(long, value_parser = state)]
    state: Option<RunState>,
    /// At most this many [default: 20].
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u64).range(1..))]
    limit: Option<u64>,
    /// All of them.
    #[arg(long, conflicts_with = "limit")]
    all: bool,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// All there is to know of one run.
    Show {
        /// The run's number.
        #[arg(value_parser = number)]
        run: u64,
    },
    /// End a run, or take one back that is planned. What it has measured stays.
    ///
    /// A run that comes again each day ends for good: the nights to come end with it. With --this-night they are left, and the next one
    /// begins as planned; of one that has not begun that skips a night. What is said names the nights that ended, or the next one.
    Stop {
        /// The run's number.
        #[arg(value_parser = number)]
        run: u64,
        /// Why, for the log.
        #[arg(long, value_name = "TEXT", value_parser = text)]
        reason: Option<Text>,
        /// This night alone: the nights to come are left.
        #[arg(long)]
        this_night: bool,
    },
    /// How it gets on, until it is over: then it ends as settle run --wait does. On a terminal a line that stays in its place, else a
    /// line now and then.
    ///
    /// Ctrl-C ends the watching alone. If the daemon goes, it waits for it to come back: the run goes on then, too. With --json each
    /// change is a line: {"run":…}, with "alert" where there is one.
    Watch {
        /// The run's number; without it all that are not over, and those to come until none is left.
        #[arg(value_parser = number)]
        run: Option<u64>,
        /// Run this by sh at each alert, as settle run --on-alert does.
        #[arg(long, value_name = "COMMAND")]
        on_alert: Option<String>,
    },
}

/// What a run is called by.
pub(super) fn number(text: &str) -> Result<u64, String> {
    text.parse().map_err(|_| "a run has a number, such as 3: settle runs lists them".to_owned())
}

fn state(name: &str) -> Result<RunState, String> {
    RunState::ALL.into_iter().find(|state| state.name() == name).ok_or_else(|| {
        let names: Vec<&str> = RunState::ALL.iter().map(|state| state.name()).collect();
        let meant = nearest::meant(name, &names).unwrap_or_default();
        format!("there are {}{meant}", names.join(", "))
    })
}

/// A reason in the user's own words.
fn text(words: &str) -> Result<Text, String> {
    Text::try_from(words.to_owned()).map_err(|error| error.to_string())
}

pub(super) async fn run(context: &Context, options: Options) -> Result<Exit, Failure> {
    let output = context.output;
    let connection = context.connect_by_name().await?;
    match options.action {
        None => list(output, &connection, options.which).await,
        Some(Action::Show { run }) => show(output, &connection, run).await,
        Some(Action::Stop { run, reason, this_night }) => {
            let stopped = connection.call::<RunsStop>(&StopRun { run, reason, this_night }).await?;
            say(output, &stopped, &words::ended(&stopped))?;
            Ok(Exit::Done)
        }
        Some(Action::Watch { run, on_alert }) => watch(output, connection, run, on_alert).await,
    }
}

fn say(output: Output, run: &Run, line: &str) -> Result<(), Failure> {
    let said = if output.json { output.object(run) } else { output.line(line) };
    Ok(said?)
}

async fn list(output: Output, connection: &Connection, which: Which) -> Result<Exit, Failure> {
    let Which { meter, state, limit, all } = which;
    let mut wanted = if all { u64::MAX } else { limit.unwrap_or(A_SCREENFUL) };
    let mut before = None;
    let mut table = table::Table::of(Output::columns());
    let mut is_first = true;
    while wanted > 0 {
        let limit = u32::try_from(wanted).unwrap_or(LARGEST_RUNS_PAGE).min(LARGEST_RUNS_PAGE);
        let ask = ListRuns { meter: meter.clone(), state, before, limit: Some(limit) };
        let page = connection.call::<RunsList>(&ask).await?;
        wanted = wanted.saturating_sub(page.runs.len() as u64);
        if output.json {
            page.runs.iter().try_for_each(|run| output.object(run))?;
        } else if is_first && page.runs.is_empty() {
            output.aside(&styled(FAINT, "no runs: settle run --help says how to begin one"));
        } else {
            table.lines(&page.runs).iter().try_for_each(|line| output.line(line))?;
        }
        is_first = false;
        before = page.next;
        if before.is_none() {
            return Ok(Exit::Done);
        }
    }
    if !output.json {
        output.aside(&styled(FAINT, "there are more: --all shows them"));
    }
    Ok(Exit::Done)
}

async fn show(output: Output, connection: &Connection, number: u64) -> Result<Exit, Failure> {
    let params = ShowRun { run: number };
    let call = connection.call::<RunsShow>(&params);
    let run = waiting(output, "summing up its readings", call).await?;
    if output.json {
        output.object(&run)?;
        return Ok(Exit::Done);
    }
    let events = Events::of(connection, number).await?;
    for line in words::whole(&run, &events) {
        output.line(&line)?;
    }
    Ok(Exit::Done)
}

async fn watch(
    output: Output,
    connection: Connection,
    number: Option<u64>,
    on_alert: Option<String>,
) -> Result<Exit, Failure> {
    let mut watch = Watch::new(output, Manner::Answer, on_alert);
    let Some(number) = number else {
        let exit = until_interrupted(watch.all(Watching::all(connection).await?)).await?;
        if exit.is_none() {
            watch.interrupted(None);
        }
        return Ok(exit.unwrap_or(Exit::Interrupted));
    };
    let run = match one(&connection, number).await? {
        Some(run) => run,
        // It says that there is none, and which there are.
        None => connection.call::<RunsShow>(&ShowRun { run: number }).await?,
    };
    let Some(over) = until_interrupted(watch.one(Watching::one(connection, run).await?)).await? else {
        watch.interrupted(Some(number));
        return Ok(Exit::Interrupted);
    };
    Ok(words::exit(&over))
}
