//! Runs that were not over when the daemon ended, and go on. What their readings say is had from the log, reading by reading, as if they
//! came now.

use std::sync::Arc;

use settled_protocol::error::RpcError;
use settled_protocol::log::{EventKind, Selection};
use settled_protocol::reading::{Flag, Reading};
use settled_protocol::run::RunState;
use settled_protocol::time::Timestamp;

use super::book::Entry;
use super::course::Course;
use super::task::night_after;
use super::{Kept, plan, words};
use crate::clock::Moment;
use crate::daemon::Daemon;
use crate::meter_task::MeterHandle;

/// The runs to go on with, and the nights after them that were not planned yet when the daemon was killed.
pub(super) fn unfinished(daemon: &Arc<Daemon>, runs: Vec<Kept>) -> Vec<Arc<Entry>> {
    let mut entries: Vec<Arc<Entry>> = runs.into_iter().map(Entry::logged).collect();
    for entry in &entries {
        daemon.runs.book.add(entry);
    }
    let running = entries.iter().map(|entry| entry.kept()).filter(|kept| kept.run.state == RunState::Running);
    let nights: Vec<Arc<Entry>> = running.filter_map(|kept| night_after(daemon, &kept)).collect();
    entries.extend(nights);
    entries
}

/// Goes on with a run that was running. Nothing if its time is over: then it has ended.
pub(super) async fn resume(
    daemon: &Arc<Daemon>,
    entry: &Arc<Entry>,
    meter: MeterHandle,
    kept: Kept,
) -> Option<Course> {
    let now = daemon.clock.now();
    let origin_s = origin(&kept, daemon.clock.boot(), now);
    let mut course = Course::new(daemon, entry, meter, kept, origin_s);
    (course.kept.origin_s, course.kept.boot) = (Some(origin_s), Some(daemon.clock.boot().to_owned()));
    if let Err(error) = read_again(&mut course).await {
        tracing::warn!(%error, run = course.kept.run.run, "what a run has seen can't be read again");
    }
    course.never_back();
    course.stand_on();
    let gap_s = course.elapsed_s() - course.last_s();
    let name = plan::name(&course.kept.run);
    if course.lasts_s().is_some_and(|lasts_s| course.elapsed_s() >= lasts_s) {
        let why = format!(
            "Its end passed while the daemon was not running, {} after its last reading.",
            words::span(gap_s)
        );
        course.end(RunState::Done, Some(why)).await;
        return None;
    }
    let detail = format!("{name} goes on, {} after its last reading", words::span(gap_s));
    course.event(EventKind::RunResumed, detail).await;
    course.keep().await;
    course.tell(None);
    Some(course)
}

/// Where the run began on the boot clock of now, in s: by UTC if that is another boot's.
fn origin(kept: &Kept, boot: &str, now: Moment) -> f64 {
    match (kept.origin_s, &kept.boot) {
        (Some(origin_s), Some(of)) if of == boot => origin_s,
        _ => now.t_s - plan::seconds_between(kept.run.begins, now.at).max(0.0),
    }
}

/// Where readings of one boot lie in the run.
#[derive(Debug)]
struct Axis {
    boot: String,
    origin_s: f64,
}

impl Axis {
    /// That of a reading's boot: by UTC, but never before what came earlier.
    fn of(reading: &Reading, begins: Timestamp, last_s: f64) -> Self {
        let began_s = plan::seconds_between(begins, reading.at) - (reading.t_s - reading.began_s);
        Self { boot: reading.boot.clone(), origin_s: reading.began_s - began_s.max(last_s) }
    }
}

/// Counts all of a run's readings in the log anew. What can't be read again is as it was written.
async fn read_again(course: &mut Course) -> Result<(), RpcError> {
    let before = course.forget();
    let read = replay(course).await;
    course.remember(before);
    read
}

async fn replay(course: &mut Course) -> Result<(), RpcError> {
    let (log, run) = (course.daemon.log.clone(), course.kept.run.run);
    let begins = course.kept.run.begins;
    let (now, first_origin_s) = (course.daemon.clock.boot().to_owned(), course.clock_s(0.0));
    let mut axis: Option<Axis> = None;
    let mut after = Some(0);
    while after.is_some() {
        let page = log.readings(Selection { run: Some(run), after, ..Selection::default() }).await?;
        for reading in page.readings.iter().filter(|reading| !reading.flags.contains(&Flag::Dark)) {
            if axis.as_ref().is_none_or(|axis| axis.boot != reading.boot) {
                let is_now = reading.boot == now;
                let of = Axis::of(reading, begins, course.last_s());
                axis = Some(if is_now { Axis { origin_s: first_origin_s, ..of } } else { of });
            }
            let origin_s = axis.as_ref().map_or(0.0, |axis| axis.origin_s);
            let _gap_s = course.absorb(reading, reading.began_s - origin_s, reading.t_s - origin_s);
        }
        after = page.next;
    }
    Ok(())
}
