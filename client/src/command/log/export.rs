//! `settle log export`: readings as a file of another program's format.

use std::io::Write;
use std::path::PathBuf;
use std::time::{SystemTime, UNIX_EPOCH};

use clap::Args;
use serde_json::json;
use settled_protocol::method::{DaemonStatus, LogReadings, Nothing};
use settled_protocol::reading::Reading;
use settled_protocol::time::Timestamp;

use super::super::patience::Progress;
use super::super::target::{Replace, Target};
use super::super::{Context, Exit, Failure, must_be_past, until_interrupted};
use super::rows::must_be_known;
use super::{Which, must_rise};
use crate::connection::Connection;
use crate::course::seconds;
use crate::exchange::cgats::{WriteError, Writer};
use crate::exchange::csv::Table;
use crate::show;

#[derive(Debug, Args)]
pub(in super::super) struct Options {
    #[command(flatten)]
    which: Which,
    #[command(flatten)]
    form: Form,
    #[command(flatten)]
    replace: Replace,
    /// Spectra too, where there are any, with --csv and --cgats: a column for each wavelength. --json-lines always has them.
    #[arg(long)]
    spectra: bool,
}

/// In which form, and where to.
#[derive(Debug, Args)]
#[group(required = true, multiple = false)]
struct Form {
    /// CSV with a header, as settle log readings --csv has it; - is standard output.
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// JSON, a reading a line, as PROTOCOL.md describes it; - is standard output.
    #[arg(long, value_name = "FILE")]
    json_lines: Option<PathBuf>,
    /// The exchange text of CGATS.17 and ISO 28178; - is standard output.
    #[arg(long, value_name = "FILE")]
    cgats: Option<PathBuf>,
}

/// How readings are written.
enum Shape {
    Csv(Table),
    JsonLines,
    Cgats(Box<Writer>),
}

pub(super) async fn run(context: &Context, options: Options) -> Result<Exit, Failure> {
    must_rise(options.which.since, options.which.until)?;
    let outcome = until_interrupted(export(context, options)).await?;
    Ok(outcome.unwrap_or(Exit::Interrupted))
}

async fn export(context: &Context, options: Options) -> Result<Exit, Failure> {
    let Options { which, form: Form { csv, json_lines, cgats }, replace, spectra } = options;
    let (path, mut shape) = match (csv, json_lines, cgats) {
        (Some(path), _, _) => (path, Shape::Csv(Table::new(spectra))),
        (_, Some(path), _) => (path, Shape::JsonLines),
        (_, _, Some(path)) => (path, Shape::Cgats(Box::new(Writer::new(spectra, now())))),
        (None, None, None) => return Err(Failure::Usage("choose --csv, --json-lines or --cgats".to_owned())),
    };
    let connection = context.connect().await?;
    must_be_past(&connection, which.since).await?;
    let which = which.resolve(&connection, false).await?;
    let mut target = Target::open(context.output, &path, replace)?;
    let spectra = spectra || matches!(shape, Shape::JsonLines);
    let count = write(context, &connection, (&which, spectra), &mut shape, &mut target).await?;
    if count == 0 {
        must_be_known(&connection, false, &which).await?;
    }
    if let Shape::Cgats(writer) = shape {
        let written = writer.finish(&mut target);
        target.check(written)?;
    }
    let named = matches!(target, Target::File { .. });
    let flushed = target.flush();
    target.check(flushed)?;
    target.keep()?;
    if named {
        let words = format!("{} in {}", show::counted(count, "reading", "readings"), path.display());
        context.output.note(&words, &json!({ "file": path, "readings": count }));
    }
    Ok(Exit::Done)
}

/// Writes page after page; gives the number of readings.
async fn write(
    context: &Context,
    connection: &Connection,
    (which, spectra): (&Which, bool),
    shape: &mut Shape,
    target: &mut Target,
) -> Result<u64, Failure> {
    let mut progress = Progress::new(context.output);
    let last = connection.call::<DaemonStatus>(&Nothing {}).await?.log.last_sequence;
    let (mut after, mut count, mut first) = (which.after, 0, None);
    let wanted = which.limit.unwrap_or(u64::MAX);
    while count < wanted {
        let page = connection.call::<LogReadings>(&which.page(after, wanted - count, spectra)).await?;
        shape.write(&page.readings, target)?;
        count += page.readings.len() as u64;
        first = first.or_else(|| page.readings.first().cloned());
        if let Some((first, latest)) = first.as_ref().zip(page.readings.last()) {
            let share = done(which, (first, latest), count, last);
            progress.show(&format!("{} so far", show::counted(count, "reading", "readings")), share);
        }
        match page.next {
            Some(_) => after = page.next,
            None => break,
        }
    }
    progress.end();
    Ok(count)
}

/// The share that is done: of the number that was asked for, of the time, or of the numbers up to the last.
#[expect(clippy::cast_precision_loss, reason = "a share, for people")]
fn done(which: &Which, (first, latest): (&Reading, &Reading), count: u64, last: Option<u64>) -> Option<f64> {
    let share = |from: f64, now: f64, to: f64| if to > from { (now - from) / (to - from) } else { 1.0 };
    let of_all = match which.until {
        Some(until) => share(seconds(first.at), seconds(latest.at), seconds(until)),
        None => share(first.sequence as f64, latest.sequence as f64, last? as f64),
    };
    let of_wanted = which.limit.map_or(0.0, |limit| count as f64 / limit as f64);
    Some(of_all.max(of_wanted).clamp(0.0, 1.0))
}

impl Shape {
    fn write(&mut self, readings: &[Reading], target: &mut Target) -> Result<(), Failure> {
        let written = match self {
            Self::Csv(table) => {
                let lines = table.lines(readings)?;
                target.write_all(&lines)
            }
            Self::JsonLines => {
                let mut lines = Vec::new();
                for reading in readings {
                    serde_json::to_writer(&mut lines, reading).map_err(std::io::Error::from)?;
                    lines.push(b'\n');
                }
                target.write_all(&lines)
            }
            Self::Cgats(writer) => {
                for reading in readings {
                    match writer.push(reading) {
                        Ok(()) => {}
                        Err(WriteError::Misfit(misfit)) => return Err(misfit.into()),
                        Err(WriteError::Io(error)) => {
                            return Err(Failure::Input(format!("a temporary file: {error}")));
                        }
                    }
                }
                Ok(())
            }
        };
        target.check(written)
    }
}

/// When the file is made, for its header.
#[expect(clippy::disallowed_methods, reason = "a file says when it was made by the wall clock")]
fn now() -> Option<Timestamp> {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).ok()?;
    u64::try_from(since.as_nanos()).ok().map(Timestamp::from_unix_ns)
}
