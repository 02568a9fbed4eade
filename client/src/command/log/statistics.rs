//! `settle log statistics`: what a stretch of readings comes to, and one night against another.

use clap::Args;
use settled_protocol::method::{LogCompare, LogStatistics};
use settled_protocol::statistics::{CompareParams, StatisticsParams, Stretch};
use settled_protocol::time::Timestamp;

use super::super::assess::explained::in_ascii;
use super::super::patience::waiting;
use super::super::{Context, Exit, Failure};
use super::must_rise;
use super::stretch::{self, StretchOptions};
use crate::output::is_ascii_locale;
use crate::quantities::{moment, seconds, within};

mod table;

/// What is done while one waits.
const SUMMING: &str = "summing up readings";

/// What is said of drifts, behind the options.
const DRIFTS: &str = "\
A drift is told as a share of the mean and in the light's unit, each with half of its 95 % interval. What it comes to in a night of 12 h \
is told of stretches of 3 h on: less says nothing of a night.";

#[derive(Debug, Args)]
#[command(after_help = DRIFTS)]
pub(in super::super) struct Options {
    #[command(flatten)]
    stretch: StretchOptions,
    /// The length of the spans that readings are averaged into before their Allan deviation; one that fits how they came if left out.
    #[arg(long, value_name = "TIME", value_parser = within(seconds, 0.001..=31_557_600.0, "1ms to 1year"))]
    bin: Option<f64>,
    /// Also what this run came to, and by how much it differs.
    #[arg(long, value_name = "RUN", conflicts_with_all = ["against_since", "against_until", "bin"], value_parser = super::super::runs::number)]
    against_run: Option<u64>,
    /// Also what the same meter's or run's readings from this moment on came to, and by how much they differ.
    #[arg(long, value_name = "TIME", value_parser = moment, conflicts_with = "bin")]
    against_since: Option<Timestamp>,
    /// With --against-since, or without: those before this moment.
    #[arg(long, value_name = "TIME", value_parser = moment, conflicts_with = "bin")]
    against_until: Option<Timestamp>,
}

/// What the stretch is held against, if it is held against any.
fn against(options: &Options, stretch: &Stretch) -> Option<Stretch> {
    if let Some(run) = options.against_run {
        return Some(Stretch { run: Some(run), ..Stretch::default() });
    }
    let (since, until) = (options.against_since, options.against_until);
    (since.is_some() || until.is_some()).then(|| Stretch { since, until, ..stretch.clone() })
}

pub(super) async fn run(context: &Context, options: Options) -> Result<Exit, Failure> {
    must_rise(options.against_since, options.against_until)
        .map_err(|_| Failure::Usage("--against-since must not be after --against-until".to_owned()))?;
    let connection = context.connect().await?;
    let stretch = options.stretch.clone().resolve(&connection).await?;
    let lines = if let Some(other) = against(&options, &stretch) {
        let params = CompareParams { one: other, other: stretch };
        let found = waiting(context.output, SUMMING, connection.call::<LogCompare>(&params)).await?;
        if context.output.json {
            context.output.object(&found)?;
            return Ok(Exit::Done);
        }
        table::comparison(&found, (&stretch::name(&params.one), &stretch::name(&params.other)))
    } else {
        let Stretch { meter, run, since, until } = stretch.clone();
        let params = StatisticsParams { meter, run, since, until, bin_s: options.bin };
        let found = waiting(context.output, SUMMING, connection.call::<LogStatistics>(&params)).await?;
        if context.output.json {
            context.output.object(&found)?;
            return Ok(Exit::Done);
        }
        table::statistics(&found, &stretch::name(&stretch))
    };
    let ascii = is_ascii_locale();
    for line in lines {
        context.output.line(&if ascii { in_ascii(&line) } else { line })?;
    }
    Ok(Exit::Done)
}
