//! What clients are answered that ask for runs.

use std::sync::Arc;

use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::run::{ListRuns, Run, RunPlan, RunsPage, ShowRun, StopRun};
use settled_protocol::statistics::{Statistics, StatisticsParams};

use super::book::{Entry, MOST, MOST_A_METER};
use super::nightly::TimeOfDay;
use super::task::plan_night_after;
use super::{Kept, plan, words};
use crate::client::Client;
use crate::daemon::Daemon;
use crate::{log, request};

/// The most runs of a page.
const LARGEST_PAGE: u32 = 100;

/// Starts a run, or plans it. Once the answer is there the log has it.
///
/// # Errors
/// `no_such_meter`; `invalid_params`; `log_unavailable` where nothing can be kept; `overloaded` where there are too many; `unsupported`
/// for a stimulus before a real display, or an integration time that the meter can't do.
pub(crate) async fn start(daemon: &Daemon, plan: RunPlan) -> Result<Run, RpcError> {
    let meter = daemon.meter(&plan.meter)?;
    let now = daemon.clock.now().at;
    let plan = plan::checked(plan, now)?;
    request::exposure(meter, plan.integration_s)?;
    if plan.stimulus.is_some() {
        daemon.has_stage(meter.id())?;
    }
    if daemon.log.is_off() {
        return Err(log::off());
    }
    if let Some(reason) = daemon.log.status().reason {
        let message = format!("the log can't be written, so that no run would be kept: {reason}");
        return Err(RpcError::new(ErrorKind::LogUnavailable, message));
    }
    room(daemon, meter.id())?;
    let begins = match &plan.nightly {
        Some(nightly) => {
            let at: TimeOfDay =
                nightly.at.parse().map_err(|error: String| RpcError::new(ErrorKind::InvalidParams, error))?;
            let never = || RpcError::new(ErrorKind::RunRefused, "that time never comes");
            at.next(now, None, &jiff::tz::TimeZone::system()).ok_or_else(never)?
        }
        None => plan.start.map_or(now, |start| start.max(now)),
    };
    let entry = Entry::asked(Kept::new(daemon.runs.number(), plan, now, begins));
    daemon.runs.book.add(&entry);
    let run = entry.kept().run.run;
    if daemon.runs.fresh.try_send(Arc::clone(&entry)).is_err() {
        daemon.runs.book.remove(run);
        return Err(RpcError::new(ErrorKind::ShuttingDown, "the daemon is stopping"));
    }
    // Whoever asked may go: from here on the run belongs to the daemon.
    if entry.durable().await {
        return Ok(entry.kept().run);
    }
    let reason = daemon.log.status().reason.unwrap_or_default();
    let message = format!("the run could not be written to the log, and was not started: {reason}");
    Err(RpcError::new(ErrorKind::LogUnavailable, message))
}

fn room(daemon: &Daemon, meter: &str) -> Result<(), RpcError> {
    let (all, of_meter) = daemon.runs.book.count(meter);
    let message = if of_meter >= MOST_A_METER {
        format!("{meter} has {MOST_A_METER} runs that are not over: stop one first")
    } else if all >= MOST {
        format!("there are {MOST} runs that are not over: stop one first")
    } else {
        return Ok(());
    };
    Err(RpcError::new(ErrorKind::Overloaded, message).about(meter))
}

/// A page of runs, the latest first.
///
/// # Errors
/// `invalid_params`; `log_unavailable` where the log is off or can't be read.
pub(crate) async fn list(daemon: &Daemon, which: ListRuns) -> Result<RunsPage, RpcError> {
    let most = which.limit.unwrap_or(LARGEST_PAGE);
    if !(1..=LARGEST_PAGE).contains(&most) {
        let message = format!("params.limit must be from 1 to {LARGEST_PAGE}, not {most}");
        return Err(RpcError::new(ErrorKind::InvalidParams, message));
    }
    let (rows, more) = daemon.log.runs(which.clone(), most).await?;
    let lowest = rows.last().map(|run| run.run).filter(|_| more);
    let now = |row: Run| match daemon.runs.book.get(row.run) {
        Some(entry) => Some(entry.kept().run),
        None => daemon.runs.unwritten.told(row.run, Some(row)),
    };
    let mut runs: Vec<Run> = rows.into_iter().filter_map(now).collect();
    daemon.runs.unwritten.complete(&mut runs, daemon.runs.all(), &which, lowest.unwrap_or(0));
    let is_cut = runs.len() > most as usize;
    runs.truncate(most as usize);
    let next = if is_cut { runs.last().map(|run| run.run) } else { lowest };
    Ok(RunsPage { runs, next })
}

/// One run as it is now, without its figures unless the log has them.
async fn look_up(daemon: &Daemon, number: u64) -> Result<Run, RpcError> {
    if let Some(entry) = daemon.runs.book.get(number) {
        return Ok(entry.kept().run);
    }
    let row = daemon.log.run(number).await?.map(|kept| kept.run);
    daemon.runs.unwritten.told(number, row).ok_or_else(|| daemon.runs.none(number))
}

/// What a run's readings come to so far: nothing before its first point, and where they can't be read.
pub(super) async fn statistics(daemon: &Daemon, run: &Run) -> Option<Statistics> {
    if run.points == 0 {
        return None;
    }
    let of_run = StatisticsParams { run: Some(run.run), ..StatisticsParams::default() };
    daemon.log.statistics_as(of_run, |figures| Ok(figures.clone())).await.ok()
}

/// One run, with the figures of its readings: without them before there is a point, or where they can't be read. Those of a run that is
/// over are as they were written at its end: no reading is looked at for them.
///
/// # Errors
/// `no_such_run`; `log_unavailable` where the log is off or can't be read.
pub(crate) async fn show(daemon: &Daemon, params: ShowRun) -> Result<Run, RpcError> {
    let mut run = look_up(daemon, params.run).await?;
    if run.statistics.is_none() {
        run.statistics = statistics(daemon, &run).await;
    }
    Ok(run)
}

/// Ends a run, or takes a planned one back; of one that comes again the nights to come, too, unless they are to be left. Once the answer is
/// there they are over as well, and its message says which they were, or which is the next: that one is in the log by then.
///
/// # Errors
/// `no_such_run`; `run_refused` where it is over; `log_unavailable` where the log is off or can't be read; `shutting_down` where the
/// night to come can't be planned any more: nothing is stopped then.
pub(crate) async fn stop(daemon: &Daemon, client: &Client, params: StopRun) -> Result<Run, RpcError> {
    let Some(entry) = daemon.runs.book.get(params.run) else {
        let run = look_up(daemon, params.run).await?;
        let message = format!("run {} is over already: {}", run.run, run.state.name());
        return Err(RpcError::new(ErrorKind::RunRefused, message));
    };
    let reason = params.reason.map(|reason| format!(": {}", reason.as_str())).unwrap_or_default();
    let why = format!("Stopped by {}{reason}.", client.by(None).who);
    let nights = if params.this_night {
        let left = leave_next(daemon, &entry).await?;
        entry.stop(&format!("{why}{left}"));
        Vec::new()
    } else {
        daemon.runs.book.stop_all(&entry, &why, words::nights_that_end)
    };
    let over = entry.over().await.run;
    for night in nights {
        night.over().await;
    }
    Ok(over)
}

/// Sees to it that the night after this one is planned and in the log, before this one is stopped: whatever becomes of the daemon then,
/// it comes. What is said of it; nothing where this one is the last.
async fn leave_next(daemon: &Daemon, entry: &Entry) -> Result<String, RpcError> {
    let kept = entry.kept();
    let night = match daemon.runs.book.night_after(&kept) {
        Some(night) => night,
        None => match plan_night_after(daemon, &kept)? {
            Some(night) => night,
            None => return Ok(String::new()),
        },
    };
    // Its own task writes it, so that whoever asked may go; what could not be written then may be by now.
    let durable = night.durable().await || daemon.log.keep_run(night.kept()).await;
    night.set_durable(durable);
    Ok(words::night_that_is_left(&night.kept().run, durable))
}
