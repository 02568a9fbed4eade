//! One run from its beginning to its end. Whatever it has in hand is written down when the daemon stops, and resumed at its next start.

use std::sync::Arc;

use jiff::tz::TimeZone;
use settled_drivers::clock::Clock as _;
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::log::EventKind;
use settled_protocol::method::ShowParams;
use settled_protocol::run::{RunKind, RunState};
use settled_protocol::time::Timestamp;

use super::book::Entry;
use super::course::Course;
use super::nightly::TimeOfDay;
use super::{Kept, answers, measure, plan, resume, warming, words};
use crate::daemon::Daemon;
use crate::meter_task::MeterHandle;
use crate::stop::Stop;

/// The longest wait at once for a beginning by UTC, which may be set meanwhile, in s.
const LONGEST_WAIT_S: f64 = 30.0;

/// A run that begins later than this after its time says so, in s.
const LATE_S: f64 = 60.0;

/// Between two attempts to show a stimulus on a display that somebody else has for itself, in s.
const SHOW_AGAIN_S: f64 = 5.0;

/// How something that was waited for ended.
#[derive(Debug)]
pub(super) enum End {
    /// It has come; or the run's time is over.
    Over,
    /// Somebody has stopped the run.
    Stopped(String),
    /// The daemon stops.
    Halt,
}

/// Runs a run to its end, or to the daemon's.
pub(super) async fn go(daemon: Arc<Daemon>, entry: Arc<Entry>, stop: Stop) {
    if entry.kept().run.state.is_over() {
        // Its task ended in a panic just then.
        return;
    }
    until_over(&daemon, &entry, stop.clone()).await;
    if entry.kept().run.state.is_over() {
        sum_up(&daemon, entry.kept(), stop).await;
    }
}

/// Writes down, once and for all, what the readings of a run that is over come to: whoever asks for it needn't wait until all of them
/// are gone through again, and thinning changes nothing of it. A daemon that stops waits for none of it: whoever asks has it made then.
async fn sum_up(daemon: &Daemon, mut kept: Kept, mut stop: Stop) {
    kept.run.statistics = tokio::select! {
        biased;
        () = stop.wait() => None,
        statistics = answers::statistics(daemon, &kept.run) => statistics,
    };
    if kept.run.statistics.is_some() {
        daemon.log.keep_run(kept).await;
    }
}

async fn until_over(daemon: &Arc<Daemon>, entry: &Arc<Entry>, mut stop: Stop) {
    let mut kept = entry.kept();
    let is_due = kept.run.begins <= daemon.clock.now().at;
    if !entry.is_durable() && !is_due && !write(daemon, entry, &kept).await {
        return;
    }
    let Ok(meter) = daemon.meter(&kept.run.plan.meter).cloned() else {
        let message = format!("The config has no meter {:?} any more.", kept.run.plan.meter);
        return daemon.runs.conclude(daemon, entry, kept, RunState::Failed, message).await;
    };
    if kept.run.state == RunState::Running {
        if let Some(course) = resume::resume(daemon, entry, meter, kept).await {
            carry_on(course, stop).await;
        }
        return;
    }
    match beginning(daemon, entry, &mut kept, &mut stop).await {
        End::Halt => {}
        End::Stopped(why) => daemon.runs.conclude(daemon, entry, kept, RunState::Stopped, why).await,
        End::Over => {
            if let Some(course) = begin(daemon, entry, meter, kept, &mut stop).await {
                carry_on(course, stop).await;
            }
        }
    }
}

/// Writes a run that isn't in the log yet. Whether it goes on: not where whoever has asked for it is told that it could not be written; a
/// night that comes again goes on, and is written once it can be.
async fn write(daemon: &Daemon, entry: &Arc<Entry>, kept: &Kept) -> bool {
    let is_new = entry.is_new();
    let durable = match is_new {
        true => daemon.log.add_run(kept.clone()).await,
        false => daemon.log.keep_run(kept.clone()).await,
    };
    let is_refused = !durable && is_new;
    if is_refused {
        daemon.runs.book.remove(kept.run.run);
    } else {
        daemon.runs.changed(entry, kept, None);
    }
    entry.set_durable(durable);
    !is_refused
}

/// Waits for a run's beginning.
async fn beginning(daemon: &Daemon, entry: &Arc<Entry>, kept: &mut Kept, stop: &mut Stop) -> End {
    let mut zone = daemon.runs.zone.subscribe();
    loop {
        let now = daemon.clock.now();
        let left_s = plan::seconds_between(now.at, kept.run.begins);
        if left_s <= 0.0 {
            return End::Over;
        }
        // A simulated clock's UTC isn't set.
        let wait_s = if daemon.clock.look().is_some() { left_s.min(LONGEST_WAIT_S) } else { left_s };
        tokio::select! {
            // Who stops it as its time comes has stopped it before it began.
            biased;
            why = entry.stopped() => return End::Stopped(why),
            () = stop.wait() => return End::Halt,
            Ok(()) = zone.changed() => {
                if let Some(begins) = next_night(daemon, kept, kept.night_before()) {
                    kept.postpone(begins);
                    let _written = daemon.log.keep_run(kept.clone()).await;
                    daemon.runs.changed(entry, kept, None);
                }
            }
            () = daemon.clock.sleep_until(now.t_s + wait_s) => {}
        }
    }
}

/// When a nightly run begins next, after the night that began then.
fn next_night(daemon: &Daemon, kept: &Kept, before: Option<Timestamp>) -> Option<Timestamp> {
    let at: TimeOfDay = kept.run.plan.nightly.as_ref()?.at.parse().ok()?;
    at.next(daemon.clock.now().at, before, &TimeZone::system())
}

/// The night after one that begins, or should have begun; nothing if it is planned already, or was the last. Its own task writes it.
pub(super) fn night_after(daemon: &Daemon, kept: &Kept) -> Option<Arc<Entry>> {
    if daemon.runs.book.night_after(kept).is_some() {
        return None;
    }
    let begins = next_night(daemon, kept, Some(kept.run.begins))?;
    let next = kept.next(daemon.runs.number(), daemon.clock.now().at, begins)?;
    let entry = Entry::night(next);
    daemon.runs.book.add_night(&entry, kept.chain()?, kept.run.run).then_some(entry)
}

/// The same, with a task of its own from now on; nothing for a run that doesn't come again.
///
/// # Errors
/// `shutting_down` where it can have none: then it isn't planned.
pub(super) fn plan_night_after(daemon: &Daemon, kept: &Kept) -> Result<Option<Arc<Entry>>, RpcError> {
    let refused = |_| {
        let message = "the daemon is stopping: the night to come can't be planned before it is back";
        RpcError::new(ErrorKind::ShuttingDown, message)
    };
    if kept.chain().is_none() {
        return Ok(None);
    }
    let place = daemon.runs.fresh.try_reserve().map_err(refused)?;
    let next = night_after(daemon, kept);
    if let Some(next) = &next {
        place.send(Arc::clone(next));
    }
    Ok(next)
}

/// Begins a run whose time has come. Nothing if its time is over already.
async fn begin(
    daemon: &Arc<Daemon>,
    entry: &Arc<Entry>,
    meter: MeterHandle,
    mut kept: Kept,
    stop: &mut Stop,
) -> Option<Course> {
    let now = daemon.clock.now();
    let late_s = plan::seconds_between(kept.run.begins, now.at);
    let is_missed = kept.run.ends.is_some_and(|ends| ends <= now.at);
    // If the daemon is stopping, its next start plans the night after one that was running.
    let next = plan_night_after(daemon, &kept);
    if is_missed {
        // It says that it comes again for as long as no other row does.
        let durable = async {
            match next {
                Ok(Some(next)) => next.durable().await,
                Ok(None) => true,
                Err(_) => std::future::pending().await,
            }
        };
        tokio::select! {
            biased;
            _known = durable => {}
            () = stop.wait() => return None,
        }
        let message = format!("Missed: the daemon was not running from {} until its end.", kept.run.begins);
        daemon.runs.conclude(daemon, entry, kept, RunState::Failed, message).await;
        return None;
    }
    let is_late = late_s > LATE_S;
    if !is_late {
        kept.postpone(now.at);
    } else {
        kept.run.begins = now.at;
    }
    kept.run.state = RunState::Running;
    kept.run.left_s = plan::left_s(&kept.run);
    kept.run.message = words::getting_on(&kept.run, None);
    (kept.origin_s, kept.boot) = (Some(now.t_s), Some(daemon.clock.boot().to_owned()));
    if !write(daemon, entry, &kept).await {
        return None;
    }
    let course = Course::new(daemon, entry, meter, kept, now.t_s);
    let late = if is_late { format!(", {} late", words::span(late_s)) } else { String::new() };
    let name = plan::name(&course.kept.run);
    course.event(EventKind::RunStarted, format!("{name} started on {}{late}", course.meter.id())).await;
    Some(course)
}

/// Measures until the run's time is over, it is stopped, or the daemon is.
async fn carry_on(mut course: Course, stop: Stop) {
    let ended = until_end(&course, stop);
    let working = async {
        if let Err(error) = show(&mut course).await {
            return Some(error);
        }
        match course.kept.run.plan.kind {
            RunKind::WarmUp => warming::until_settled(&mut course).await,
            RunKind::Stability | RunKind::Drift => measure::bursts(&mut course).await,
        }
        None
    };
    let end = tokio::select! {
        biased;
        end = ended => end,
        failed = working => match failed {
            Some(error) => {
                let message = format!("Its stimulus can't be shown: {error}.");
                let (daemon, entry, kept) = (course.daemon, course.entry, course.kept);
                return daemon.runs.conclude(&daemon, &entry, kept, RunState::Failed, message).await;
            }
            None => End::Over,
        },
    };
    match end {
        End::Over => course.end(RunState::Done, None).await,
        End::Stopped(why) => course.end(RunState::Stopped, Some(why)).await,
        End::Halt => course.keep().await,
    }
}

/// Waits for whatever ends the run beside its own work.
fn until_end(course: &Course, mut stop: Stop) -> impl Future<Output = End> + use<> {
    let (clock, entry) = (Arc::clone(&course.daemon.clock), Arc::clone(&course.entry));
    let until_s = course.lasts_s().map(|lasts_s| course.clock_s(lasts_s));
    async move {
        let over = async {
            match until_s {
                Some(until_s) => clock.sleep_until(until_s).await,
                None => std::future::pending().await,
            }
        };
        tokio::select! {
            biased;
            why = entry.stopped() => End::Stopped(why),
            () = stop.wait() => End::Halt,
            () = over => End::Over,
        }
    }
}

/// Shows what a simulated display is to show, once, before the first reading. Waits while somebody else has it.
async fn show(course: &mut Course) -> Result<(), RpcError> {
    let Some(stimulus) = course.kept.run.plan.stimulus.filter(|_| course.kept.run.readings == 0) else {
        return Ok(());
    };
    loop {
        let params =
            ShowParams { meter: Some(course.meter.id().to_owned()), stimulus, position: None, lease: None };
        match course.daemon.show(params).await {
            Ok(_) => return Ok(()),
            Err(error) if error.kind() == ErrorKind::Leased => course.miss(Some(error)).await,
            Err(error) => return Err(error),
        }
        let clock = Arc::clone(&course.daemon.clock);
        clock.sleep_until(clock.now_s() + SHOW_AGAIN_S).await;
    }
}
