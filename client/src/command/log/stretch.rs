//! Which stretch of the log is looked at, and the bins and events of it.

use std::ops::RangeInclusive;

use clap::Args;
use settled_protocol::bins::{Bin, BinsParams, MOST_BINS};
use settled_protocol::log::{Event, EventKind, LARGEST_PAGE, Selection};
use settled_protocol::method::{LogBins, LogEvents, RunsShow};
use settled_protocol::run::ShowRun;
use settled_protocol::statistics::Stretch;
use settled_protocol::time::Timestamp;

use super::super::runs::number;
use super::super::{Failure, MeterArgument, must_be_past};
use super::must_rise;
use super::rows::must_exist;
use crate::connection::Connection;
use crate::quantities::moment;

/// Which readings: a meter's or a run's.
#[derive(Clone, Debug, Args)]
pub(super) struct StretchOptions {
    /// This meter's readings; may be left out where there is only one.
    #[arg(long, conflicts_with = "run")]
    meter: Option<String>,
    /// This run's readings.
    #[arg(long, value_name = "RUN", value_parser = number)]
    run: Option<u64>,
    /// Not before this, such as 2026-11-25T18:00:00Z.
    #[arg(long, value_name = "TIME", value_parser = moment)]
    since: Option<Timestamp>,
    /// Before this.
    #[arg(long, value_name = "TIME", value_parser = moment)]
    until: Option<Timestamp>,
}

/// The most events that are marked in a plot.
const MOST_EVENTS: usize = 2000;

impl StretchOptions {
    /// The stretch that is meant; the only meter's where none is named.
    pub(super) async fn resolve(self, connection: &Connection) -> Result<Stretch, Failure> {
        let Self { meter, run, since, until } = self;
        must_rise(since, until)?;
        must_be_past(connection, since).await?;
        let meter = match run {
            Some(_) => None,
            None => Some(MeterArgument::named(meter).resolve(connection).await?),
        };
        Ok(Stretch { meter, run, since, until })
    }
}

/// A stretch in words.
pub(super) fn name(stretch: &Stretch) -> String {
    match (&stretch.meter, stretch.run) {
        (_, Some(run)) => format!("run {run}"),
        (Some(meter), None) => meter.clone(),
        (None, None) => String::new(),
    }
}

/// What to ask for bins of a stretch.
pub(super) fn bins_of(stretch: &Stretch, every_s: f64) -> BinsParams {
    let Stretch { meter, run, since, until } = stretch.clone();
    BinsParams { meter, run, since, until, every_s: Some(every_s), after: None, limit: Some(MOST_BINS) }
}

/// Gives each page of bins to `each`, until there are no more or `each` says that it has enough.
pub(super) async fn pages(
    connection: &Connection,
    mut params: BinsParams,
    mut each: impl FnMut(Vec<Bin>) -> Result<bool, Failure>,
) -> Result<(), Failure> {
    loop {
        let page = connection.call::<LogBins>(&params).await?;
        if !each(page.bins)? {
            return Ok(());
        }
        match page.next {
            Some(_) => params.after = page.next,
            None => return Ok(()),
        }
    }
}

/// Every bin of a stretch: for stretches and lengths of bins of which that is few.
pub(super) async fn all(
    connection: &Connection,
    stretch: &Stretch,
    every_s: f64,
) -> Result<Vec<Bin>, Failure> {
    let mut bins = Vec::new();
    pages(connection, bins_of(stretch, every_s), |page| {
        bins.extend(page);
        Ok(true)
    })
    .await?;
    Ok(bins)
}

/// What happened in a stretch, to the meter or to all; and whether there was more than can be marked. Of a run it is what happened from its own
/// beginning to its own end, by the numbers of events: UTC may have been set back, or a simulated clock begun anew, so that another time has its hours.
pub(super) async fn events(
    connection: &Connection,
    stretch: &Stretch,
) -> Result<(Vec<Event>, bool), Failure> {
    let own = match stretch.run {
        Some(run) => own_numbers(connection, run).await?,
        None => None,
    };
    let mut selection = Selection {
        since: stretch.since,
        until: stretch.until,
        after: own.as_ref().and_then(|own| own.start().checked_sub(1)),
        limit: Some(LARGEST_PAGE),
        ..Selection::default()
    };
    let is_own = |event: &Event| own.as_ref().is_none_or(|own| own.contains(&event.sequence));
    let mut events = Vec::new();
    loop {
        let page = connection.call::<LogEvents>(&selection).await?;
        let is_over =
            page.events.last().is_some_and(|last| own.as_ref().is_some_and(|own| last.sequence > *own.end()));
        events.extend(page.events.into_iter().filter(|event| is_own(event) && concerns(stretch, event)));
        if events.len() > MOST_EVENTS {
            events.truncate(MOST_EVENTS);
            return Ok((events, true));
        }
        match page.next {
            Some(_) if !is_over => selection.after = page.next,
            _ => return Ok((events, false)),
        }
    }
}

/// From the first to the last event that is a run's own; without an end while the run goes on. Nothing where the log has none of them.
async fn own_numbers(connection: &Connection, run: u64) -> Result<Option<RangeInclusive<u64>>, Failure> {
    let mut selection = Selection { run: Some(run), limit: Some(LARGEST_PAGE), ..Selection::default() };
    let (mut own, mut has_ended): (Option<(u64, u64)>, bool) = (None, false);
    loop {
        let page = connection.call::<LogEvents>(&selection).await?;
        for event in page.events {
            own = Some((own.map_or(event.sequence, |(first, _)| first), event.sequence));
            has_ended |= event.kind == EventKind::RunEnded;
        }
        match page.next {
            Some(_) => selection.after = page.next,
            None => break,
        }
    }
    Ok(own.map(|(first, last)| first..=if has_ended { last } else { u64::MAX }))
}

/// Whether an event has to do with what is looked at: it is about it, or about no meter and no run.
fn concerns(stretch: &Stretch, event: &Event) -> bool {
    let meter = stretch.meter.is_none() || event.meter.is_none() || event.meter == stretch.meter;
    let run = stretch.run.is_none() || event.run.is_none() || event.run == stretch.run;
    meter && run
}

/// What is said where a stretch has no readings.
pub(super) async fn nothing(connection: &Connection, stretch: &Stretch) -> Failure {
    if let Some(meter) = &stretch.meter
        && let Err(unknown) = must_exist(connection, false, meter).await
    {
        return unknown;
    }
    if let Some(run) = stretch.run
        && let Err(unknown) = connection.call::<RunsShow>(&ShowRun { run }).await
    {
        return unknown.into();
    }
    let when = if stretch.since.is_some() || stretch.until.is_some() { " of that time" } else { "" };
    Failure::Input(format!("{}: the log has no readings{when}", name(stretch)))
}

#[cfg(test)]
mod tests {
    use serde_json::{Value, json};
    use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader};
    use tokio::net::UnixStream;

    use super::*;

    /// A daemon with thirty events, all of the same hour by UTC; run 7 has those from the tenth on.
    async fn daemon(stream: UnixStream, ends: &str) {
        let (reader, mut writer) = stream.into_split();
        let mut lines = BufReader::new(reader).lines();
        while let Some(line) = lines.next_line().await.unwrap() {
            let request: Value = serde_json::from_str(&line).unwrap();
            let params = &request["params"];
            let after = params["after"].as_u64().unwrap_or(0);
            let event = |sequence: u64| {
                let kind = match sequence {
                    10 => "run_started",
                    20 => ends,
                    _ => "stage_shown",
                };
                let mut event = json!({"sequence": sequence, "at": "2026-11-27T18:00:00Z", "t_s": 1.0, "boot": "b", "kind": kind, "detail": "d"});
                if kind != "stage_shown" {
                    event["run"] = json!(7);
                }
                event
            };
            let of_run = params["run"] == json!(7);
            let all = (after + 1..=30).map(event).filter(|event| !of_run || event["run"] == json!(7));
            let events: Vec<Value> = all.take(4).collect();
            let mut page = json!({ "events": events });
            if let Some(last) = events.last().filter(|_| events.len() == 4) {
                page["next"] = last["sequence"].clone();
            }
            let answer = json!({"jsonrpc": "2.0", "id": request["id"], "result": page});
            writer.write_all(format!("{answer}\n").as_bytes()).await.unwrap();
        }
    }

    #[tokio::test]
    async fn a_runs_events_are_those_from_its_beginning_to_its_end_whatever_utc_says() {
        for (ends, last) in [("run_ended", 20), ("run_gap", 30)] {
            let (ours, theirs) = UnixStream::pair().unwrap();
            let asked = async {
                let connection = Connection::over(ours);
                events(&connection, &Stretch { run: Some(7), ..Stretch::default() }).await.unwrap()
            };
            let ((found, more), ()) = tokio::join!(asked, daemon(theirs, ends));
            let numbers: Vec<u64> = found.iter().map(|event| event.sequence).collect();
            assert_eq!((numbers, more), ((10..=last).collect(), false), "{ends}");
        }
    }

    #[test]
    fn an_event_of_another_meter_or_run_is_not_marked() {
        let event = |meter: Option<&str>, run: Option<u64>| Event {
            meter: meter.map(str::to_owned),
            run,
            ..crate::course::tests::event("alert", 1)
        };
        let of_meter = Stretch { meter: Some("a".to_owned()), ..Stretch::default() };
        assert!(concerns(&of_meter, &event(None, None)) && concerns(&of_meter, &event(Some("a"), Some(3))));
        assert!(!concerns(&of_meter, &event(Some("b"), None)));
        let of_run = Stretch { run: Some(3), ..Stretch::default() };
        assert!(
            concerns(&of_run, &event(Some("a"), Some(3))) && !concerns(&of_run, &event(Some("a"), Some(4)))
        );
    }
}
