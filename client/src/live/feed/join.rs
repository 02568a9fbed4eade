//! The beginning of a connection, and what was before it: meters, runs, readings and events that the log has.

use std::collections::BTreeMap;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use settled::clock::{Clock, boot_s};
use settled_protocol::error::ErrorKind;
use settled_protocol::log::{LARGEST_PAGE, Selection};
use settled_protocol::meter::Meter;
use settled_protocol::method::{
    DaemonStatus, HelloResult, LogEvents, LogReadings, MetersList, Nothing, RunsList,
};
use settled_protocol::reading::Reading;
use settled_protocol::run::{ListRuns, Run, RunState};
use settled_protocol::time::Timestamp;

use crate::connection::{CallError, Connection};
use crate::live::state::News;
use crate::subscription::Subscription;

/// Readings out of the log that a picture begins with, those of all meters counted: as many as it keeps.
const READINGS: u64 = 2000;
/// How old they may be at the most, where their time is that of the clock on the wall.
const READINGS_S: u64 = 1800;
/// How old events may be at the most that a picture begins with.
const EVENTS_S: u64 = 86_400;
/// How far the daemon's clock may be ahead of this program's, which may be on another machine.
const APART: Duration = Duration::from_secs(2);
/// Pages of events that are read at one look: who has more reads on at the next.
const PAGES: usize = 5;

/// What a connection begins with.
pub(super) struct Joined {
    pub(super) meters: Vec<Meter>,
    pub(super) runs: Vec<Run>,
    /// The log's id, where there is one.
    pub(super) log_id: Option<String>,
    /// Meters and runs as they change.
    pub(super) changes: Vec<Subscription>,
}

/// Subscribes, and then looks: what changes in between is told twice, and never not at all.
pub(super) async fn join(connection: &Connection) -> Result<Joined, CallError> {
    let mut changes = Vec::new();
    changes.extend(unless_refused(connection.observe_meters().await)?);
    changes.extend(unless_refused(connection.observe_runs(None).await)?);
    let meters = connection.call::<MetersList>(&Nothing {}).await?.meters;
    let runs = runs(connection).await?;
    let status = unless_refused(connection.call::<DaemonStatus>(&Nothing {}).await)?;
    Ok(Joined { meters, runs, log_id: status.and_then(|status| status.log.id), changes })
}

/// Runs that go on or are planned, and the latest of all: those that ended while nobody listened are among them.
pub(super) async fn runs(connection: &Connection) -> Result<Vec<Run>, CallError> {
    let mut runs: BTreeMap<u64, Run> = BTreeMap::new();
    // The latest of all come last: what is told of a run later counts.
    for state in [Some(RunState::Running), Some(RunState::Planned), None] {
        let ask = ListRuns { state, ..ListRuns::default() };
        let page = unless_refused(connection.call::<RunsList>(&ask).await)?;
        runs.extend(page.into_iter().flat_map(|page| page.runs).map(|run| (run.run, run)));
    }
    Ok(runs.into_values().collect())
}

/// Whether the daemon goes on, and only this can't be had.
pub(super) fn is_refused(error: &CallError) -> bool {
    matches!(error, CallError::Refused(error) if error.kind() != ErrorKind::ShuttingDown)
}

fn unless_refused<T>(outcome: Result<T, CallError>) -> Result<Option<T>, CallError> {
    match outcome {
        Ok(value) => Ok(Some(value)),
        Err(error) if is_refused(&error) => Ok(None),
        Err(error) => Err(error),
    }
}

/// Where the picture is drawn, and when.
struct Here {
    boot: String,
    now: Timestamp,
    /// On the boot clock, in s.
    now_s: f64,
}

impl Here {
    /// A reading of real time out of the log.
    fn past(&self, reading: Reading) -> News {
        let seen_s = self.seen_s(&reading);
        News::Reading(Box::new(reading), seen_s)
    }

    /// When it was taken, on the boot clock here, in s: by that clock where the daemon has the same, else by UTC. Nothing where it lies
    /// ahead of now, as after UTC was set back.
    fn seen_s(&self, reading: &Reading) -> Option<f64> {
        if reading.boot == self.boot {
            return Some(reading.t_s);
        }
        Some(self.now_s - age_s(reading.at, self.now)?)
    }
}

/// How far the log was told.
#[derive(Debug, Default)]
pub(super) struct Past {
    /// The log that numbers belong to, or the daemon where there is none.
    numbers_of: Option<String>,
    /// The start of the daemon that told it.
    instance: Option<String>,
    /// The last event that was told.
    event: Option<u64>,
    /// Whether it was said that there are none to be had.
    said: bool,
}

impl Past {
    /// Notes whose numbers readings and events have from now on. Gives whether the daemon was started anew, and whether its numbers have
    /// nothing to do with those of before.
    pub(super) fn note(&mut self, log_id: Option<String>, hello: Option<&HelloResult>) -> (bool, bool) {
        let instance = hello.map(|hello| hello.instance.clone());
        let is_anew = self.instance.is_some() && self.instance != instance;
        self.instance.clone_from(&instance);
        let now = log_id.or(instance);
        let is_other = self.numbers_of.is_some() && self.numbers_of != now;
        if is_other {
            self.event = None;
        }
        self.said = false;
        self.numbers_of = now;
        (is_anew, is_other)
    }

    /// A meter's readings of late. Those of a clock that isn't the one on the wall are of no age that could be told.
    pub(super) async fn readings(
        &self,
        connection: &Connection,
        meter: &str,
        real_time: bool,
    ) -> Result<Vec<News>, CallError> {
        let status = unless_refused(connection.call::<DaemonStatus>(&Nothing {}).await)?;
        let Some(last) = status.and_then(|status| status.log.last_sequence) else { return Ok(Vec::new()) };
        let here = Here { boot: Clock::system().boot().to_owned(), now: wall_clock(), now_s: boot_s() };
        let ask = Selection {
            meter: Some(meter.to_owned()),
            since: real_time.then(|| before(here.now, READINGS_S)),
            limit: Some(LARGEST_PAGE),
            ..Selection::default()
        };
        // All of a meter that reads seldom, were another's never so many.
        if real_time {
            let all = unless_refused(connection.call::<LogReadings>(&ask).await)?;
            if let Some(page) = all.filter(|page| page.next.is_none()) {
                return Ok(page.readings.into_iter().map(|reading| here.past(reading)).collect());
            }
        }
        let mut ask = Selection { after: last.checked_sub(READINGS), ..ask };
        let mut news = Vec::new();
        while let Some(page) = unless_refused(connection.call::<LogReadings>(&ask).await)? {
            let past =
                |reading| if real_time { here.past(reading) } else { News::Reading(Box::new(reading), None) };
            news.extend(page.readings.into_iter().map(past));
            // A page that leads nowhere would be asked for again and again.
            match page.next.filter(|next| ask.after.is_none_or(|after| *next > after)) {
                Some(next) => ask.after = Some(next),
                None => break,
            }
        }
        Ok(news)
    }

    /// Meters as they are, and what happened since the last look.
    pub(super) async fn look(&mut self, connection: &Connection) -> Result<Vec<News>, CallError> {
        let mut news = Vec::new();
        let meters = unless_refused(connection.call::<MetersList>(&Nothing {}).await)?;
        news.extend(meters.map(|list| News::Meters(list.meters)));
        for _ in 0..PAGES {
            let ask = Selection {
                after: self.event,
                since: self.event.is_none().then(|| before(wall_clock(), EVENTS_S)),
                limit: Some(LARGEST_PAGE),
                ..Selection::default()
            };
            let page = match connection.call::<LogEvents>(&ask).await {
                Ok(page) => page,
                Err(error) if is_refused(&error) => {
                    if !std::mem::replace(&mut self.said, true) {
                        news.push(News::NoEvents(error.to_string()));
                    }
                    break;
                }
                Err(error) => return Err(error),
            };
            let Some(last) = page.events.last().map(|event| event.sequence) else { break };
            self.event = Some(last);
            news.push(News::Events(page.events));
            if page.next.is_none() {
                break;
            }
        }
        Ok(news)
    }
}

/// How old what happened at a time is, in s; nothing where that is yet to come: a clock was set back since, and nobody knows by how much.
fn age_s(at: Timestamp, now: Timestamp) -> Option<f64> {
    let ahead = Duration::from_nanos(at.unix_ns().saturating_sub(now.unix_ns()));
    let ago = Duration::from_nanos(now.unix_ns().saturating_sub(at.unix_ns()));
    (ahead <= APART).then_some(ago.as_secs_f64())
}

fn before(now: Timestamp, seconds: u64) -> Timestamp {
    Timestamp::from_unix_ns(now.unix_ns().saturating_sub(seconds * 1_000_000_000))
}

/// What time it is.
#[expect(
    clippy::disallowed_methods,
    reason = "how old a reading is that came before this program is told by the wall clock; no measurement rests on it"
)]
fn wall_clock() -> Timestamp {
    let since_1970 = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    Timestamp::from_unix_ns(u64::try_from(since_1970.as_nanos()).unwrap_or(u64::MAX))
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn reading(boot: &str, at: &str) -> Reading {
        let told = json!({
            "sequence": 1, "meter": "bench", "at": at, "t_s": 900.0, "began_s": 899.5, "boot": boot, "quantity": "luminance",
            "luminance_cd_m2": 100.0, "flags": [],
        });
        serde_json::from_value(told).unwrap()
    }

    fn here() -> Here {
        let now: Timestamp = serde_json::from_value(json!("2026-11-27T18:00:00Z")).unwrap();
        Here { boot: "this one".to_owned(), now, now_s: 1000.0 }
    }

    #[test]
    fn the_age_of_a_reading_of_this_boot_is_told_by_its_clock_whatever_utc_says() {
        assert_eq!(here().seen_s(&reading("this one", "2026-11-27T19:30:00Z")), Some(900.0));
    }

    #[test]
    fn the_age_of_a_reading_of_another_boot_is_told_by_utc_and_before_that_was_set_back_by_none() {
        assert_eq!(here().seen_s(&reading("another", "2026-11-27T17:59:30Z")), Some(970.0));
        assert_eq!(here().seen_s(&reading("another", "2026-11-27T18:00:01Z")), Some(1000.0));
        assert_eq!(here().seen_s(&reading("another", "2026-11-27T19:00:00Z")), None, "set back: not now");
    }
}
