//! `settle observe`: a line for each reading.

use clap::Args;
use serde_json::json;
use settled_protocol::log::Selection;
use settled_protocol::meter::{Meter, State};
use settled_protocol::method::{LogReadings, MetersList, Nothing, ObserveParams};
use settled_protocol::notification::MissedWhy;
use settled_protocol::reading::Reading;
use tokio::signal::unix::{SignalKind, signal};

use super::{Context, Exit, Failure, MeterArgument};
use crate::connection::{CallError, Connection};
use crate::output::{CAUTION, FAINT, Output, styled};
use crate::quantities::{integration, interval};
use crate::show;
use crate::subscription::{Event, Gap};

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
    /// First show what came after the reading of this number, from the log.
    #[arg(long, value_name = "NUMBER")]
    since: Option<u64>,
    /// With --json: readings with their spectra.
    #[arg(long)]
    spectra: bool,
    /// End after this many readings.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u64).range(1..))]
    count: Option<u64>,
}

pub(super) async fn run(context: &Context, options: Options) -> Result<Exit, Failure> {
    if options.spectra && !context.output.json {
        return Err(Failure::Usage(
            "--spectra needs --json: a line of words has no room for them".to_owned(),
        ));
    }
    let connection = context.connect().await?;
    let meter = options.meter.resolve(&connection).await?;
    if let Some(after) = options.since {
        // A sequence that the log can't serve is better refused than silently begun anew.
        let probe = Selection { after: Some(after), limit: Some(1), ..Selection::default() };
        connection.call::<LogReadings>(&probe).await?;
    }
    let params = ObserveParams {
        meter,
        interval_s: options.interval,
        integration_s: options.integration,
        after: options.since,
        spectra: options.spectra,
        ..ObserveParams::default()
    };
    let mut readings = connection.observe(&params).await?;
    let mut changes = connection.observe_meters().await?;
    let mut presence = Presence { output: context.output, meter: params.meter, said: None };
    presence.look(&connection).await?;
    // One listener for the whole time: a Ctrl-C while a reading is being written must not be lost.
    let mut interrupt = signal(SignalKind::interrupt())?;
    let mut left = options.count.unwrap_or(u64::MAX);
    while left > 0 {
        let event = tokio::select! {
            biased;
            _ = interrupt.recv() => return Ok(Exit::Interrupted),
            change = changes.next() => match change {
                Some(Event::Meter(meter)) => {
                    presence.note(&meter);
                    continue;
                }
                Some(_) => {
                    presence.look(&connection).await?;
                    continue;
                }
                None => None,
            },
            event = readings.next() => event,
        };
        match event {
            Some(Event::Reading(reading)) => {
                show_reading(context.output, &reading)?;
                left -= 1;
            }
            Some(Event::Missed(gap)) => say_missed(context.output, gap),
            Some(Event::Meter(_)) => {}
            None => return Err(CallError::Closed.into()),
        }
    }
    Ok(Exit::Done)
}

/// Whether the meter gives readings. A silent wait for one that doesn't would look like a wait for light.
struct Presence {
    output: Output,
    meter: String,
    /// Why it gives none, if it doesn't, as it was said.
    said: Option<String>,
}

impl Presence {
    async fn look(&mut self, connection: &Connection) -> Result<(), CallError> {
        for meter in &connection.call::<MetersList>(&Nothing {}).await?.meters {
            self.note(meter);
        }
        Ok(())
    }

    /// Says so where the meter gives readings no more, or again; nothing twice, nothing of other meters.
    fn note(&mut self, meter: &Meter) {
        if meter.id != self.meter {
            return;
        }
        let away = away(meter);
        if away != self.said {
            let words = away.clone().unwrap_or_else(|| format!("{} is back", meter.id));
            self.output.note(&styled(CAUTION, &words), meter);
            self.said = away;
        }
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
    let (from, to) = gap.range.unzip();
    let object = json!({ "missed": { "count": gap.count, "from": from, "to": to, "why": gap.why } });
    output.note(&styled(CAUTION, &missed(gap)), &object);
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
        let unread = gap(1, MissedWhy::LogUnavailable);
        assert!(
            unread.contains("up to 1 reading, 7") && unread.contains("could not be read or written"),
            "{unread}"
        );
        assert!(!unread.contains("slow"), "{unread}");
    }
}
