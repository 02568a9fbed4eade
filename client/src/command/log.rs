//! `settle log`: readings and events that the daemon kept.

use clap::{Args, Subcommand};
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::log::{LARGEST_PAGE, Selection};
use settled_protocol::method::{LogEvents, LogReadings, MetersList, Nothing};
use settled_protocol::time::Timestamp;

use super::{Context, Exit, Failure, must_be_past, observe};
use crate::connection::{CallError, Connection};
use crate::output::{FAINT, STRONG, styled};
use crate::quantities::moment;

mod table;

#[derive(Debug, Subcommand)]
pub(super) enum Options {
    /// Readings, oldest first: a line each, or all there is to know of them with --json or --csv.
    Readings(ReadingsOptions),
    /// What happened beside readings, oldest first.
    Events(Which),
}

/// Which readings, and in which form.
#[derive(Debug, Args)]
pub(super) struct ReadingsOptions {
    #[command(flatten)]
    which: Which,
    /// CSV with a header, for a spreadsheet; units are in the names of the columns, that of X, Y and Z in a column.
    #[arg(long)]
    csv: bool,
    /// With --csv: spectra too, a column for each wavelength, in W/(sr m2 nm), or W/(m2 nm) where the unit is lx. All must have the same
    /// wavelengths. (With --json they are always there.)
    #[arg(long)]
    spectra: bool,
}

/// Which rows.
#[derive(Debug, Args)]
pub(super) struct Which {
    /// Only this meter.
    #[arg(long)]
    meter: Option<String>,
    /// Only what belongs to this run.
    #[arg(long, value_name = "RUN")]
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

/// What is asked for, and how it is written.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Form {
    Readings,
    Table,
    Events,
}

pub(super) async fn run(context: &Context, options: Options) -> Result<Exit, Failure> {
    let (which, form, spectra) = match options {
        Options::Readings(ReadingsOptions { which, csv: true, spectra }) => (which, Form::Table, spectra),
        Options::Readings(ReadingsOptions { which, spectra, .. }) => {
            (which, Form::Readings, spectra || context.output.json)
        }
        Options::Events(which) => (which, Form::Events, false),
    };
    if form == Form::Readings && spectra && !context.output.json {
        return Err(Failure::Usage(
            "--spectra goes with --csv or --json: a line each has no room for them".to_owned(),
        ));
    }
    if form == Form::Table && context.output.json {
        return Err(Failure::Usage("--csv and --json are two forms of the same: choose one".to_owned()));
    }
    if which.since.zip(which.until).is_some_and(|(since, until)| since > until) {
        return Err(Failure::Usage("--since must not be after --until".to_owned()));
    }
    let connection = context.connect().await?;
    must_be_past(&connection, which.since).await?;
    let (mut after, mut wanted) = (which.after, which.limit.unwrap_or(u64::MAX));
    let mut found = false;
    let mut table = table::Table::new(spectra);
    while wanted > 0 {
        let page = which.page(after, wanted, spectra);
        let (rows, next) = show_page(context, &connection, form, &page, &mut table).await?;
        found |= rows > 0;
        wanted = wanted.saturating_sub(rows as u64);
        match next {
            Some(_) => after = next,
            None => break,
        }
    }
    if let Some(meter) = which.meter.as_ref().filter(|_| !found) {
        must_exist(&connection, form, meter).await?;
    }
    Ok(Exit::Done)
}

/// Writes a page; gives the number of its rows, and where the next begins.
async fn show_page(
    context: &Context,
    connection: &Connection,
    form: Form,
    selection: &Selection,
    table: &mut table::Table,
) -> Result<(usize, Option<u64>), Failure> {
    if form == Form::Events {
        let page = connection.call::<LogEvents>(selection).await?;
        for event in &page.events {
            show_event(context, event)?;
        }
        return Ok((page.events.len(), page.next));
    }
    let page = connection.call::<LogReadings>(selection).await?;
    if form == Form::Table {
        context.output.raw(&table.lines(&page.readings)?)?;
    } else {
        for reading in &page.readings {
            observe::show_reading(context.output, reading)?;
        }
    }
    Ok((page.readings.len(), page.next))
}

/// An id that neither the config nor the log knows is a slip of the pen, not an empty selection.
async fn must_exist(connection: &Connection, form: Form, meter: &str) -> Result<(), Failure> {
    let meters = connection.call::<MetersList>(&Nothing {}).await?.meters;
    let any = Selection { meter: Some(meter.to_owned()), limit: Some(1), ..Selection::default() };
    let (logged, what) = if form == Form::Events {
        (!connection.call::<LogEvents>(&any).await?.events.is_empty(), "event")
    } else {
        (!connection.call::<LogReadings>(&any).await?.readings.is_empty(), "reading")
    };
    if logged || meters.iter().any(|known| known.id == meter) {
        return Ok(());
    }
    let ids: Vec<String> = meters.into_iter().map(|known| known.id).collect();
    let message = format!(
        "no meter is called {meter:?}, and the log has no {what} of one; configured: {}",
        ids.join(", ")
    );
    Err(CallError::Refused(RpcError::new(ErrorKind::NoSuchMeter, message)).into())
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
