//! `settle log`: readings and events that the daemon kept, what they come to, and how they are taken elsewhere.

use clap::{Args, Subcommand};
use settled_protocol::log::{LARGEST_PAGE, Selection};
use settled_protocol::time::Timestamp;

use super::runs::number;
use super::{Context, Exit, Failure};
use crate::quantities::moment;

mod bins;
mod export;
mod latest;
mod plot;
mod rows;
mod statistics;
mod stretch;
mod upkeep;

pub(super) use plot::course;

#[derive(Debug, Subcommand)]
pub(super) enum Options {
    /// Readings, oldest first: a line each, or all there is to know of them with --json or --csv.
    Readings(rows::ReadingsOptions),
    /// What happened beside readings, oldest first.
    Events(Which),
    /// Readings, a row for each span of time: count, mean, range.
    ///
    /// Where there was no reading there is no row. Readings that thinning has taken out of the log are in the rows that it left of them.
    Bins(bins::Options),
    /// What a stretch of readings comes to: mean, spread, drift, Allan deviation; or one night against another.
    Statistics(statistics::Options),
    /// A plot of a stretch of readings: in text, as SVG, as PNG.
    Plot(plot::Options),
    /// Readings as a file that other programs read: CSV, JSON lines, or the exchange text of CGATS.17 and ISO 28178.
    ///
    /// The file is there once it is complete: until then it has another name, and an interrupted export leaves none. FORMATS.md describes
    /// the three forms; settle assess reads them all.
    Export(export::Options),
    /// Copy the log into a new file in the folder that the daemon's config names, while it goes on.
    Backup,
    /// Look through the whole log for damage. Exit status 1 if there is any.
    Check,
}

/// Which rows.
#[derive(Debug, Args)]
pub(super) struct Which {
    /// Only this meter.
    #[arg(long)]
    meter: Option<String>,
    /// Only what belongs to this run.
    #[arg(long, value_name = "RUN", value_parser = number)]
    run: Option<u64>,
    /// Not before this, such as 2026-11-25T18:00:00Z.
    #[arg(long, value_name = "TIME", value_parser = moment)]
    since: Option<Timestamp>,
    /// Before this.
    #[arg(long, value_name = "TIME", value_parser = moment)]
    until: Option<Timestamp>,
    /// Only rows with a higher number.
    #[arg(long, value_name = "NUMBER")]
    after: Option<u64>,
    /// At most this many rows.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u64).range(1..))]
    limit: Option<u64>,
    /// The latest, this many at most, oldest of them first.
    #[arg(long, value_name = "N", conflicts_with_all = ["after", "limit"], value_parser = clap::value_parser!(u64).range(1..=latest::MOST))]
    last: Option<u64>,
}

impl Which {
    /// The next page, for the rows that are still wanted.
    fn page(&self, after: Option<u64>, wanted: u64, spectra: bool) -> Selection {
        Selection {
            meter: self.meter.clone(),
            run: self.run,
            since: self.since,
            until: self.until,
            after,
            limit: Some(u32::try_from(wanted).unwrap_or(LARGEST_PAGE).min(LARGEST_PAGE)),
            spectra,
        }
    }
}

/// Refuses a stretch that ends before it begins.
fn must_rise(since: Option<Timestamp>, until: Option<Timestamp>) -> Result<(), Failure> {
    if since.zip(until).is_some_and(|(since, until)| since > until) {
        return Err(Failure::Usage("--since must not be after --until".to_owned()));
    }
    Ok(())
}

pub(super) async fn run(context: &Context, options: Options) -> Result<Exit, Failure> {
    match options {
        Options::Readings(options) => rows::readings(context, options).await,
        Options::Events(which) => rows::events(context, which).await,
        Options::Bins(options) => bins::run(context, options).await,
        Options::Statistics(options) => statistics::run(context, options).await,
        Options::Plot(options) => plot::run(context, options).await,
        Options::Export(options) => export::run(context, options).await,
        Options::Backup => upkeep::backup(context).await,
        Options::Check => upkeep::check(context).await,
    }
}
