//! `settle log`: readings and events that the daemon kept.

use clap::{Args, Subcommand};
use settled_protocol::log::{LARGEST_PAGE, Selection};
use settled_protocol::method::{LogEvents, LogReadings};
use settled_protocol::time::Timestamp;

use super::{Context, Exit, Failure, observe};
use crate::output::{FAINT, STRONG, styled};

#[derive(Debug, Subcommand)]
pub(super) enum Options {
    /// Readings, oldest first.
    Readings(Which),
    /// What happened beside readings, oldest first.
    Events(Which),
}

/// Which rows.
#[derive(Debug, Args)]
pub(super) struct Which {
    /// Only this meter.
    #[arg(long)]
    meter: Option<String>,
    /// Not before this, such as 2026-11-25T18:00:00Z.
    #[arg(long, value_name = "TIME")]
    since: Option<Timestamp>,
    /// Before this.
    #[arg(long, value_name = "TIME")]
    until: Option<Timestamp>,
    /// Only rows with a higher number.
    #[arg(long, value_name = "NUMBER", default_value_t = 0)]
    after: u64,
    /// At most this many rows.
    #[arg(long, value_name = "N")]
    limit: Option<u64>,
}

impl Which {
    /// The next page, for the rows that are still wanted.
    fn page(&self, after: u64, wanted: u64) -> Selection {
        Selection {
            meter: self.meter.clone(),
            since: self.since,
            until: self.until,
            after: Some(after),
            limit: Some(u32::try_from(wanted).unwrap_or(LARGEST_PAGE).min(LARGEST_PAGE)),
        }
    }
}

pub(super) async fn run(context: &Context, options: Options) -> Result<Exit, Failure> {
    let (which, of_readings) = match &options {
        Options::Readings(which) => (which, true),
        Options::Events(which) => (which, false),
    };
    let connection = context.connect().await?;
    let (mut after, mut wanted) = (which.after, which.limit.unwrap_or(u64::MAX));
    while wanted > 0 {
        let selection = which.page(after, wanted);
        let (rows, next) = if of_readings {
            let page = connection.call::<LogReadings>(&selection).await?;
            for reading in &page.readings {
                observe::show_reading(context.output, reading)?;
            }
            (page.readings.len(), page.next)
        } else {
            let page = connection.call::<LogEvents>(&selection).await?;
            for event in &page.events {
                show_event(context, event)?;
            }
            (page.events.len(), page.next)
        };
        wanted = wanted.saturating_sub(rows as u64);
        match next {
            Some(next) => after = next,
            None => break,
        }
    }
    Ok(Exit::Done)
}

fn show_event(context: &Context, event: &settled_protocol::log::Event) -> Result<(), Failure> {
    if context.output.json {
        return Ok(context.output.object(event)?);
    }
    let time = styled(FAINT, &format!("{:>6}  {}", event.sequence, crate::show::moment(event.at)));
    let (meter, kind) =
        (event.meter.as_deref().unwrap_or("-"), styled(STRONG, &format!("{:<15}", event.kind.name())));
    Ok(context.output.line(&format!("{time}  {meter:<8}  {kind}  {}", event.detail))?)
}
