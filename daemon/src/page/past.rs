//! What the log has, for the page to draw: a stretch in bins, column by column, so that a day takes some ten kilobytes; the newest events;
//! the newest runs.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::time::Duration;

use serde::Serialize;
use settled_protocol::bins::{Bin, BinsPage, BinsParams};
use settled_protocol::colorimetry::observer::Observer;
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::log::{Event, Selection};
use settled_protocol::method::ClockKind;
use settled_protocol::quantity::Photometric;
use settled_protocol::reading::{Flag, Reading};
use settled_protocol::run::{ListRuns, RunState};
use settled_protocol::time::Timestamp;
use tokio::time::timeout;

use crate::daemon::Daemon;
use crate::runs;

/// Stretches that the page draws, in s, and the length of their bins: at most 1440 of them, more than a wide screen has pixels for.
const STRETCHES: [(u64, u64); 3] = [(600, 1), (3600, 5), (86_400, 60)];

/// Runs, and events, that are told at once.
const RUNS: u32 = 20;
const EVENTS: u32 = 60;

/// How long the log has to write down what was handed to it.
const WRITTEN: Duration = Duration::from_secs(2);

/// Pages of readings that a rehearsal's curve is made of: 100,000 readings, more than a day of one a second.
const PAGES: usize = 100;

/// Digits that a curve's numbers have: twice what the page writes, so that rounding them twice comes out as rounding them once would.
const DIGITS: usize = 10;

/// A stretch of one meter's readings.
#[derive(Debug, Serialize)]
struct Stretch {
    meter: String,
    every_s: u64,
    /// Its ends, in s since 1970.
    since: f64,
    until: f64,
    /// Each of readings that compare, the one that goes on the last.
    series: Vec<Series>,
}

/// Readings that compare, bin by bin.
#[derive(Debug, Serialize)]
struct Series {
    quantity: Photometric,
    unit: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    observer: Option<Observer>,
    #[serde(skip_serializing_if = "Option::is_none")]
    correction: Option<String>,
    /// The sequence of the last reading in it.
    last: u64,
    /// Whether any of it comes from a simulation, or from a recording.
    simulated: bool,
    replayed: bool,
    /// The longest of its bins, in s: thinning may have left none as short as they were asked for.
    longest_s: f64,
    /// Beginnings of the bins, in s since 1970.
    t: Vec<f64>,
    n: Vec<u64>,
    mean: Vec<f64>,
    min: Vec<f64>,
    max: Vec<f64>,
}

impl Series {
    fn of(quantity: Photometric, observer: Option<Observer>, correction: Option<String>) -> Self {
        Self {
            quantity,
            unit: quantity.unit(),
            observer,
            correction,
            last: 0,
            simulated: false,
            replayed: false,
            longest_s: 0.0,
            t: Vec::new(),
            n: Vec::new(),
            mean: Vec::new(),
            min: Vec::new(),
            max: Vec::new(),
        }
    }

    fn push(&mut self, bin: &Bin) {
        self.last = self.last.max(bin.last);
        self.simulated |= bin.flags.contains(&Flag::Simulated);
        self.replayed |= bin.flags.contains(&Flag::Replayed);
        self.longest_s = self.longest_s.max(bin.span_s);
        self.t.push(seconds(bin.at));
        self.n.push(bin.count);
        for (column, value) in
            [(&mut self.mean, bin.mean), (&mut self.min, bin.min), (&mut self.max, bin.max)]
        {
            column.push(rounded(value));
        }
    }

    /// Takes a reading into the bin of its time, which is the last or a new one.
    fn take(&mut self, reading: &Reading, every_s: u64) {
        self.last = self.last.max(reading.sequence);
        self.simulated |= reading.flags.contains(&Flag::Simulated);
        self.replayed |= reading.flags.contains(&Flag::Replayed);
        let every_s = every_s as f64;
        self.longest_s = every_s;
        let begin = (seconds(reading.at) / every_s).floor() * every_s;
        let value = reading.light.value();
        if self.t.last().is_none_or(|last| *last < begin) {
            self.t.push(begin);
            self.n.push(1);
            [&mut self.mean, &mut self.min, &mut self.max].into_iter().for_each(|column| column.push(value));
        } else if let (Some(n), Some(mean), Some(min), Some(max)) =
            (self.n.last_mut(), self.mean.last_mut(), self.min.last_mut(), self.max.last_mut())
        {
            *n += 1;
            *mean += (value - *mean) / *n as f64;
            (*min, *max) = (min.min(value), max.max(value));
        }
    }

    fn round(&mut self) {
        for column in [&mut self.mean, &mut self.min, &mut self.max] {
            column.iter_mut().for_each(|value| *value = rounded(*value));
        }
    }
}

/// A meter's last `span_s` seconds.
///
/// # Errors
/// `no_such_meter`; `invalid_params` for a span that isn't drawn; `log_unavailable` where the log is off or can't be read.
pub(super) async fn stretch(daemon: &Daemon, meter: &str, span_s: u64) -> Result<String, RpcError> {
    daemon.meter(meter)?;
    let Some((_, every_s)) = STRETCHES.into_iter().find(|(span, _)| *span == span_s) else {
        let message = format!("span must be one of 600, 3600 and 86400, not {span_s}");
        return Err(RpcError::new(ErrorKind::InvalidParams, message));
    };
    // What was told on the stream is to be in it. A disk that stalls isn't waited for: what it lacks comes with the next look.
    let _written = timeout(WRITTEN, daemon.log.worked_through()).await.is_ok();
    let until = daemon.clock.now().at;
    let since = Timestamp::from_unix_ns(until.unix_ns().saturating_sub(span_s * 1_000_000_000));
    let params = BinsParams {
        meter: Some(meter.to_owned()),
        since: Some(since),
        every_s: Some(every_s as f64),
        ..BinsParams::default()
    };
    let mut series = match daemon.clock.info().kind {
        ClockKind::System => binned(daemon, params).await?,
        ClockKind::Simulated => rehearsed(daemon, meter, since, every_s).await?,
    };
    series.sort_by_key(|series| series.last);
    let (since, until) = (seconds(since), seconds(until));
    written(&Stretch { meter: meter.to_owned(), every_s, since, until, series })
}

/// The log's bins.
async fn binned(daemon: &Daemon, mut params: BinsParams) -> Result<Vec<Series>, RpcError> {
    let mut series: Vec<Series> = Vec::new();
    loop {
        let BinsPage { bins, next } = daemon.log.bins_as(params.clone(), |page| Ok(page.clone())).await?;
        for bin in &bins {
            place(&mut series, bin.quantity, bin.observer, bin.correction.as_ref()).push(bin);
        }
        params.after = next;
        if next.is_none() {
            return Ok(series);
        }
    }
}

/// Of a rehearsal this boot's readings alone: its clock began anew as the daemon did, so that the log's bins may hold light of two boots.
async fn rehearsed(
    daemon: &Daemon,
    meter: &str,
    since: Timestamp,
    every_s: u64,
) -> Result<Vec<Series>, RpcError> {
    let mut selection =
        Selection { meter: Some(meter.to_owned()), since: Some(since), ..Selection::default() };
    let mut series: Vec<Series> = Vec::new();
    for _ in 0..PAGES {
        let page = daemon.log.readings(selection.clone()).await?;
        let is_shown =
            |reading: &&Reading| reading.boot == daemon.clock.boot() && !reading.flags.contains(&Flag::Dark);
        for reading in page.readings.iter().filter(is_shown) {
            let quantity = reading.light.photometric();
            place(&mut series, quantity, reading.observer, reading.correction.as_ref())
                .take(reading, every_s);
        }
        selection.after = page.next;
        if page.next.is_none() {
            break;
        }
    }
    for series in &mut series {
        series.round();
    }
    Ok(series)
}

/// The series of what compares, a new one where there is none.
fn place<'a>(
    all: &'a mut Vec<Series>,
    quantity: Photometric,
    observer: Option<Observer>,
    correction: Option<&String>,
) -> &'a mut Series {
    let is_it = |series: &Series| {
        (series.quantity, series.observer, series.correction.as_ref()) == (quantity, observer, correction)
    };
    let at = all.iter().position(is_it).unwrap_or_else(|| {
        all.push(Series::of(quantity, observer, correction.cloned()));
        all.len() - 1
    });
    &mut all[at]
}

/// An event as the page shows it.
#[derive(Serialize)]
struct Told<'a> {
    sequence: u64,
    at: Timestamp,
    /// In words.
    kind: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    meter: Option<&'a str>,
    words: Cow<'a, str>,
    /// Whether somebody should look at it.
    trouble: bool,
}

impl<'a> Told<'a> {
    fn of(event: &'a Event) -> Self {
        let Event { sequence, at, kind, meter, .. } = event;
        let (meter, words) = (meter.as_deref(), event.words());
        Self { sequence: *sequence, at: *at, kind: kind.words(), meter, words, trouble: kind.is_trouble() }
    }
}

/// The newest events, none up to `after`.
///
/// # Errors
/// `log_unavailable` where the log is off or can't be read.
pub(super) async fn events(daemon: &Daemon, after: u64) -> Result<String, RpcError> {
    let events = daemon.log.newest_events(EVENTS, after).await?;
    let told: Vec<_> = events.iter().map(Told::of).collect();
    written(&serde_json::json!({ "events": told }))
}

/// The runs that go on or are planned, and the newest of all.
///
/// # Errors
/// `log_unavailable` where the log is off or can't be read.
pub(super) async fn runs(daemon: &Daemon) -> Result<String, RpcError> {
    // A run that has just ended is looked up in what is written.
    let _written = timeout(WRITTEN, daemon.log.worked_through()).await.is_ok();
    let mut found = BTreeMap::new();
    for state in [None, Some(RunState::Running), Some(RunState::Planned)] {
        let limit = if state.is_none() { Some(RUNS) } else { None };
        let page = runs::list(daemon, ListRuns { state, limit, ..ListRuns::default() }).await?;
        found.extend(page.runs.into_iter().map(|run| (run.run, run)));
    }
    let newest_first: Vec<_> = found.values().rev().collect();
    written(&serde_json::json!({ "runs": newest_first }))
}

fn written(what: &impl Serialize) -> Result<String, RpcError> {
    serde_json::to_string(what)
        .map_err(|error| RpcError::new(ErrorKind::Internal, format!("writing JSON: {error}")))
}

fn seconds(at: Timestamp) -> f64 {
    (at.unix_ns() / 1_000_000) as f64 / 1e3
}

/// With as many digits as a curve can show.
fn rounded(value: f64) -> f64 {
    format!("{value:.*e}", DIGITS - 1).parse().unwrap_or(value)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_of_a_curve_have_no_more_digits_than_it_needs_and_enough_to_be_rounded_again() {
        assert_eq!(rounded(123.456_789_012_34), 123.456_789_0);
        assert_eq!(rounded(0.000_123_456_789_012), 0.000_123_456_789_0);
        // The page writes five of them: with a few fewer this would be a tie, which may go down.
        assert_eq!(rounded(804.305_021_757), 804.305_021_8);
        assert_eq!(rounded(0.0), 0.0);
        assert!(STRETCHES.iter().all(|(span, every)| span / every <= 1440));
    }
}
