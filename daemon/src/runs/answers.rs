//! What clients are answered that ask for runs.

use std::sync::Arc;

use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::run::{ListRuns, Run, RunPlan, RunsPage, ShowRun, StopRun};
use settled_protocol::statistics::{Statistics, StatisticsParams};

use super::book::{Entry, MOST, MOST_A_METER};
use super::nightly::TimeOfDay;
use super::task::night_after;
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
    let entry = Entry::new(Kept::new(daemon.runs.number(), plan, now, begins), None);
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
    daemon.runs.unwritten.told(number, row).ok_or_else(|| none(number))
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
/// there they are over as well, and its message says which they were, or which is the next.
///
/// # Errors
/// `no_such_run`; `run_refused` where it is over; `log_unavailable` where the log is off or can't be read.
pub(crate) async fn stop(daemon: &Daemon, client: &Client, params: StopRun) -> Result<Run, RpcError> {
    let Some(entry) = daemon.runs.book.get(params.run) else {
        let run = look_up(daemon, params.run).await?;
        let message = format!("run {} is over already: {}", run.run, run.state.name());
        return Err(RpcError::new(ErrorKind::RunRefused, message));
    };
    let reason = params.reason.map(|reason| format!(": {}", reason.as_str())).unwrap_or_default();
    let why = format!("Stopped by {}{reason}.", client.by(None).who);
    let mut nights = to_come(daemon, &entry, params.this_night);
    let others = words::nights_to_come(
        &nights.iter().map(|night| night.kept().run).collect::<Vec<_>>(),
        params.this_night,
    );
    if params.this_night {
        nights.clear();
    }
    nights.iter().for_each(|night| night.stop(&why));
    entry.stop(&format!("{why}{others}"));
    let over = entry.over().await.run;
    for night in nights {
        night.over().await;
    }
    Ok(over)
}

/// The nights to come after a run; the next one is planned if it isn't yet and is `wanted`.
fn to_come(daemon: &Daemon, entry: &Arc<Entry>, wanted: bool) -> Vec<Arc<Entry>> {
    let kept = entry.kept();
    let Some(chain) = kept.chain() else { return Vec::new() };
    let mut nights = daemon.runs.book.nights(chain);
    nights.retain(|night| night.number() != kept.run.run);
    if nights.is_empty()
        && wanted
        && let Some(next) = night_after(daemon, &kept)
    {
        // If the daemon is stopping, its next start plans the night.
        let _handed_over = daemon.runs.fresh.try_send(Arc::clone(&next)).is_ok();
        nights.push(next);
    }
    nights
}

fn none(run: u64) -> RpcError {
    RpcError::new(ErrorKind::NoSuchRun, format!("there is no run {run} in this log"))
}
