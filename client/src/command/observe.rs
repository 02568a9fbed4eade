//! `settle observe`: a line for each reading.

use std::str::FromStr;
use std::time::Duration;

use clap::Args;
use serde_json::{Value, json};
use settled_protocol::error::ErrorKind;
use settled_protocol::lease::Holder;
use settled_protocol::meter::{Meter, State};
use settled_protocol::method::{MetersList, Nothing, ObserveParams};
use settled_protocol::notification::MissedWhy;
use settled_protocol::reading::Reading;
use settled_protocol::time::Timestamp;
use tokio::time::Instant;

use super::lease::held_by;
use super::{Context, Exit, Failure, MeterArgument, must_be_past, until_interrupted};
use crate::connection::{CallError, Connection};
use crate::following::{Event, Following, Lack, Start};
use crate::lease::inherited;
use crate::output::{CAUTION, FAINT, Output, styled};
use crate::quantities::{integration, interval, moment};
use crate::show;
use crate::subscription::{self, Gap, Subscription};
use numbers::Numbers;

mod numbers;

#[derive(Debug, Args)]
pub(super) struct Options {
    #[command(flatten)]
    meter: MeterArgument,
    /// Take a reading this often, unless others do; without it, only watch what others cause. 0 is without pause.
    #[arg(long, value_name = "TIME", allow_hyphen_values = true, value_parser = interval)]
    interval: Option<f64>,
    /// The integration time, with --interval; the meter's own choice if left out.
    #[arg(long, value_name = "TIME", allow_hyphen_values = true, value_parser = integration, requires = "interval")]
    integration: Option<f64>,
    /// Show one reading each so often, at most, and leave the others out. 0 shows every one.
    #[arg(long, value_name = "TIME", allow_hyphen_values = true, value_parser = interval)]
    every: Option<f64>,
    /// First show what the log has: after the reading of this number, or since this moment, such as 2026-11-25T18:00:00Z.
    ///
    /// What comes then goes on from there, with no gap and no repeat.
    #[arg(long, value_name = "NUMBER|TIME")]
    since: Option<Since>,
    /// With --json: readings with their spectra.
    #[arg(long)]
    spectra: bool,
    /// End after this many readings.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u64).range(1..))]
    count: Option<u64>,
}

/// Where in the log to begin.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Since {
    Number(u64),
    Moment(Timestamp),
}

impl FromStr for Since {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let number = || text.parse().map(Self::Number).ok();
        let moment = |text: &str| moment(text).map(Self::Moment);
        number().map_or_else(|| moment(text), Ok).map_err(|error| format!("{error}, or a reading's number"))
    }
}

impl Options {
    fn start(&self) -> Start {
        match self.since {
            None => Start::Now,
            Some(Since::Number(sequence)) => Start::After(sequence),
            Some(Since::Moment(at)) => Start::Since(at),
        }
    }

    fn params(&self, meter: &str) -> ObserveParams {
        ObserveParams {
            meter: meter.to_owned(),
            interval_s: self.interval,
            integration_s: self.integration,
            every_s: self.every,
            spectra: self.spectra,
            lease: self.interval.and_then(|_| inherited(meter)),
            ..ObserveParams::default()
        }
    }
}

pub(super) async fn run(context: &Context, options: Options) -> Result<Exit, Failure> {
    if options.spectra && !context.output.json {
        return Err(Failure::Usage(
            "--spectra needs --json: a line of words has no room for them".to_owned(),
        ));
    }
    let connection = context.connect().await?;
    let meter = options.meter.clone().resolve(&connection).await?;
    let params = options.params(&meter);
    let since = match options.since {
        Some(Since::Moment(at)) => Some(at),
        Some(Since::Number(_)) | None => None,
    };
    must_be_past(&connection, since).await?;
    let following = Following::begin(connection, params, options.start(), None).await?;
    let asks = options.interval.is_some() && inherited(&meter).is_none();
    let silence = (options.interval.is_none() && !context.output.json).then(|| Instant::now() + SILENCE);
    let presence = Presence { output: context.output, meter, asks, said: None, changes: None };
    // One wait for the whole time: a Ctrl-C must neither be lost while a reading is written, nor wait for the daemon.
    let shown =
        until_interrupted(show(presence, following, options.count.unwrap_or(u64::MAX), silence)).await?;
    Ok(if shown.is_some() { Exit::Done } else { Exit::Interrupted })
}

/// Shows so many readings, and what there is to be said in between.
async fn show(
    mut presence: Presence,
    mut following: Following,
    mut left: u64,
    mut silence: Option<Instant>,
) -> Result<(), Failure> {
    let output = presence.output;
    presence.watch(&following).await?;
    let mut numbers = Numbers::default();
    while left > 0 {
        let event = tokio::select! {
            biased;
            change = presence.change() => {
                presence.take(change, &following).await?;
                continue;
            }
            event = following.next() => event,
            () = until(silence) => {
                silence = None;
                if presence.said.is_none() {
                    output.aside(&styled(FAINT, NOBODY_READS));
                }
                continue;
            }
        };
        silence = None;
        match event.transpose()? {
            Some(Event::Reading(reading)) => {
                if let Some(after) = numbers.jump(reading.sequence) {
                    numbers::say_jump(output, after, reading.sequence);
                }
                show_reading(output, &reading)?;
                left -= 1;
            }
            Some(Event::Missed(gap)) => {
                numbers.returned = false;
                say_missed(output, gap);
            }
            Some(Event::Lost) => {
                presence.changes = None;
                let words = "-- the daemon has gone: waiting for it to come back --";
                output.note(&styled(CAUTION, words), &json!({ "daemon": { "state": "lost" } }));
            }
            Some(Event::Trying { .. }) => {}
            Some(Event::Back { anew, lack }) => {
                numbers.returned = lack.is_none();
                let mut object = json!({ "daemon": { "state": "back", "anew": anew } });
                if let Some(lack) = lack {
                    object["daemon"]["missed"] = reason(lack).into();
                }
                output.note(&styled(CAUTION, &back(anew, lack)), &object);
                presence.watch(&following).await?;
            }
            None => return Err(CallError::Closed.into()),
        }
    }
    Ok(())
}

/// That the daemon is back, and what was missed, as far as it can be known. What the daemon itself knows to be missing it says.
fn back(anew: bool, lack: Option<Lack>) -> String {
    let who = if anew { "a daemon that was started anew answers" } else { "the daemon is back" };
    let what = match lack {
        None => "readings go on where they ended",
        Some(Lack::NoLog) => "what was taken meanwhile is missing, nobody knows how much: no log tells",
        Some(Lack::OtherLog) => {
            "its log is another one, and numbers begin anew: what it has from later is shown; what else was taken \
             meanwhile is missing, nobody knows how much"
        }
    };
    format!("-- {who}: {what} --")
}

fn reason(lack: Lack) -> &'static str {
    match lack {
        Lack::NoLog => "no_log",
        Lack::OtherLog => "other_log",
    }
}

/// How long it is silent where nobody takes readings, before that is said.
const SILENCE: Duration = Duration::from_secs(3);

const NOBODY_READS: &str = "watching; nobody takes readings: --interval TIME takes some";

/// Waits for a moment; for ever, where there is none.
async fn until(moment: Option<Instant>) {
    match moment {
        Some(moment) => tokio::time::sleep_until(moment).await,
        None => std::future::pending().await,
    }
}

/// Whether the meter gives readings. A silent wait for one that doesn't would look like a wait for light.
struct Presence {
    output: Output,
    meter: String,
    /// Readings are asked for, under no lease.
    asks: bool,
    /// Why it gives none, if it doesn't, as it was said.
    said: Option<String>,
    /// Meters as they come and go, while there is a daemon.
    changes: Option<Subscription>,
}

impl Presence {
    /// Looks, and watches from now on. That the daemon goes meanwhile is for the following to say; who may not look doesn't.
    async fn watch(&mut self, following: &Following) -> Result<(), CallError> {
        let Some(connection) = following.connection() else { return Ok(()) };
        self.changes = unless_gone(connection.observe_meters().await)?;
        self.look(&connection).await
    }

    /// The next change; never, where there is nothing to watch.
    async fn change(&mut self) -> Option<subscription::Event> {
        match &mut self.changes {
            Some(changes) => changes.next().await,
            None => std::future::pending().await,
        }
    }

    async fn take(
        &mut self,
        change: Option<subscription::Event>,
        following: &Following,
    ) -> Result<(), CallError> {
        match (change, following.connection()) {
            (Some(subscription::Event::Meter(meter)), _) => self.note(&meter),
            (Some(_), Some(connection)) => self.look(&connection).await?,
            (Some(_), None) => {}
            (None, _) => self.changes = None,
        }
        Ok(())
    }

    async fn look(&mut self, connection: &Connection) -> Result<(), CallError> {
        let meters = unless_gone(connection.call::<MetersList>(&Nothing {}).await)?;
        meters.iter().flat_map(|list| &list.meters).for_each(|meter| self.note(meter));
        Ok(())
    }

    /// Says so where the meter gives readings no more, or again; nothing twice, nothing of other meters.
    fn note(&mut self, meter: &Meter) {
        if meter.id != self.meter {
            return;
        }
        let kept = || meter.lease.as_ref().filter(|_| self.asks).map(|holder| kept(&meter.id, holder));
        let away = away(meter).or_else(kept);
        if away != self.said {
            let words = away.clone().unwrap_or_else(|| format!("{} is back", meter.id));
            self.output.note(&styled(CAUTION, &words), &presence_object(meter, self.asks));
            self.said = away;
        }
    }
}

/// What is told of the meter in JSON: the lease that readings wait for, else the meter as it is now.
fn presence_object(meter: &Meter, asks: bool) -> Value {
    match meter.lease.as_ref().filter(|_| asks && away(meter).is_none()) {
        Some(holder) => json!({ "lease": { "meter": meter.id, "holder": holder } }),
        None => json!({ "meter": meter }),
    }
}

fn unless_gone<T>(outcome: Result<T, CallError>) -> Result<Option<T>, CallError> {
    match outcome {
        Ok(value) => Ok(Some(value)),
        Err(CallError::Closed) => Ok(None),
        Err(CallError::Refused(error)) if error.kind() == ErrorKind::NotPermitted => Ok(None),
        Err(error) => Err(error),
    }
}

/// Why there is nothing to be seen of the meter, if it is away, or must be zeroed first.
fn away(meter: &Meter) -> Option<String> {
    let how = match meter.state {
        State::Ready | State::Reading | State::Warming | State::Zeroing => return must_be_zeroed(meter),
        State::Absent => "is absent",
        State::Failed => "has failed",
    };
    let reason = meter.reason.as_ref().map_or_else(String::new, |reason| format!(": {reason}"));
    Some(format!("{} {how}{reason}; waiting", meter.id))
}

/// What is still to be seen of a meter that somebody else has.
fn kept(meter: &str, holder: &Holder) -> String {
    format!(
        "{meter} is {}: until it is given back, only the readings taken for that are shown",
        held_by(holder)
    )
}

fn must_be_zeroed(meter: &Meter) -> Option<String> {
    meter.zero.as_ref().filter(|zero| zero.needed && zero.refuses).map(|_| {
        let id = &meter.id;
        format!("{id} must be zeroed first: cover its aperture, then settle zero {id}; waiting")
    })
}

/// One line for a reading.
pub(super) fn show_reading(output: Output, reading: &Reading) -> Result<(), Failure> {
    if output.json {
        return Ok(output.object(reading)?);
    }
    let colour = reading.light.chromaticity().map_or_else(
        || " ".repeat(20),
        |colour| format!("u′ {:.5}  v′ {:.5}", colour.u_prime(), colour.v_prime()),
    );
    let time = styled(FAINT, &format!("{:>6}  {}", reading.sequence, show::moment(reading.at)));
    let light = show::light(&reading.light);
    let observer =
        reading.observer.map_or_else(String::new, |observer| format!("{}  ", show::observer(observer)));
    let flags = styled(CAUTION, &show::short_flags(&reading.flags));
    output.line(format!("{time}  {light:>13}  {colour}  {observer}{flags}").trim_end())?;
    Ok(())
}

fn say_missed(output: Output, gap: Gap) {
    output.note(&styled(CAUTION, &missed(gap)), &missed_object(gap));
}

fn missed_object(gap: Gap) -> Value {
    let mut object = json!({ "missed": { "count": gap.count, "why": gap.why } });
    if let Some((from, to)) = gap.range {
        (object["missed"]["from"], object["missed"]["to"]) = (from.into(), to.into());
    }
    object
}

fn missed(Gap { count, range, why }: Gap) -> String {
    let which = range.map_or_else(String::new, |(from, to)| format!(", {from} to {to}"));
    let readings = show::counted(count, "reading", "readings");
    match why {
        MissedWhy::SlowReader => {
            format!(
                "-- missed {readings}{which}: this reader was too slow; `settle log readings` has what was logged --"
            )
        }
        MissedWhy::LogUnavailable => {
            format!(
                "-- missed up to {readings}{which}: the log, which should have told them, could not be read or written --"
            )
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_missed_is_told_with_its_own_reason() {
        let gap = |count, why| missed(Gap { count, range: Some((7, 9)), why });
        let slow = gap(3, MissedWhy::SlowReader);
        assert!(slow.contains("missed 3 readings, 7 to 9: this reader was too slow"), "{slow}");
        let unknown = missed_object(Gap { count: 1, range: None, why: MissedWhy::SlowReader });
        assert_eq!(unknown, json!({ "missed": { "count": 1, "why": "slow_reader" } }), "nothing is null");
        let unread = gap(1, MissedWhy::LogUnavailable);
        assert!(
            unread.contains("up to 1 reading, 7") && unread.contains("could not be read or written"),
            "{unread}"
        );
        assert!(!unread.contains("slow"), "{unread}");
    }
}
