//! `settle log readings` and `settle log events`: rows of the log, page by page.

use clap::Args;
use settled_drivers::nearest;
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::log::Selection;
use settled_protocol::method::{LogEvents, LogReadings, MetersList, Nothing, RunsShow};
use settled_protocol::run::ShowRun;

use super::super::patience::Progress;
use super::super::{Context, Exit, Failure, must_be_past, observe};
use super::{Which, must_rise};
use crate::connection::{CallError, Connection};
use crate::exchange::csv::Table;
use crate::output::{FAINT, Output, STRONG, styled};

/// Which readings, and in which form.
#[derive(Debug, Args)]
pub(in super::super) struct ReadingsOptions {
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

/// What is asked for, and how it is written.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Form {
    Readings,
    Table,
    Events,
}

pub(super) async fn readings(context: &Context, options: ReadingsOptions) -> Result<Exit, Failure> {
    let ReadingsOptions { which, csv, spectra } = options;
    let json = context.output.json;
    if spectra && !csv && !json {
        return Err(Failure::Usage(
            "--spectra goes with --csv or --json: a line each has no room for them".to_owned(),
        ));
    }
    if csv && json {
        return Err(Failure::Usage("--csv and --json are two forms of the same: choose one".to_owned()));
    }
    show(context, which, if csv { Form::Table } else { Form::Readings }, spectra || json).await
}

pub(super) async fn events(context: &Context, which: Which) -> Result<Exit, Failure> {
    show(context, which, Form::Events, false).await
}

async fn show(context: &Context, which: Which, form: Form, spectra: bool) -> Result<Exit, Failure> {
    must_rise(which.since, which.until)?;
    let connection = context.connect().await?;
    must_be_past(&connection, which.since).await?;
    let which = which.resolve(&connection, form == Form::Events).await?;
    let (mut after, mut wanted) = (which.after, which.limit.unwrap_or(u64::MAX));
    let mut table = Table::new(spectra);
    // On a terminal the rows themselves show how far it is, and what reads a pipe may be a pager, which has the terminal for itself.
    let mut progress = Output::fills_a_file().then(|| Progress::new(context.output));
    let mut count = 0;
    while wanted > 0 {
        let page = which.page(after, wanted, spectra);
        let (rows, next) = show_page(context, &connection, form, &page, &mut table).await?;
        wanted = wanted.saturating_sub(rows as u64);
        count += rows as u64;
        if let Some(progress) = &mut progress {
            progress.show(&format!("{} so far", crate::show::counted(count, "row", "rows")), None);
        }
        match next {
            Some(_) => after = next,
            None => break,
        }
    }
    if let Some(progress) = progress {
        progress.end();
    }
    if count == 0 {
        must_be_known(&connection, form == Form::Events, &which).await?;
    }
    Ok(Exit::Done)
}

/// Writes a page; gives the number of its rows, and where the next begins.
async fn show_page(
    context: &Context,
    connection: &Connection,
    form: Form,
    selection: &Selection,
    table: &mut Table,
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

/// Where nothing was found: a meter that nobody knows and a run that there wasn't are slips of the pen.
pub(super) async fn must_be_known(
    connection: &Connection,
    events: bool,
    which: &Which,
) -> Result<(), Failure> {
    if let Some(meter) = &which.meter {
        must_exist(connection, events, meter).await?;
    }
    let Some(run) = which.run else { return Ok(()) };
    match connection.call::<RunsShow>(&ShowRun { run }).await {
        Err(CallError::Refused(error)) if error.kind() == ErrorKind::NoSuchRun => {
            Err(CallError::Refused(error).into())
        }
        _ => Ok(()),
    }
}

/// An id that neither the config nor the log knows is a slip of the pen, not an empty selection.
pub(super) async fn must_exist(connection: &Connection, events: bool, meter: &str) -> Result<(), Failure> {
    let meters = connection.call::<MetersList>(&Nothing {}).await?.meters;
    let any = Selection { meter: Some(meter.to_owned()), limit: Some(1), ..Selection::default() };
    let (logged, what) = if events {
        (!connection.call::<LogEvents>(&any).await?.events.is_empty(), "event")
    } else {
        (!connection.call::<LogReadings>(&any).await?.readings.is_empty(), "reading")
    };
    if logged || meters.iter().any(|known| known.id == meter) {
        return Ok(());
    }
    let ids: Vec<&str> = meters.iter().map(|known| known.id.as_str()).collect();
    let hint = nearest::hint(meter, &ids, "configured");
    let message = format!("no meter is called {meter:?}, and the log has no {what} of one{hint}");
    Err(CallError::Refused(RpcError::new(ErrorKind::NoSuchMeter, message)).into())
}

fn show_event(context: &Context, event: &settled_protocol::log::Event) -> Result<(), Failure> {
    if context.output.json {
        return Ok(context.output.object(event)?);
    }
    let time = styled(FAINT, &format!("{:>6}  {}", event.sequence, crate::show::moment(event.at)));
    let (meter, kind) =
        (event.meter.as_deref().unwrap_or("-"), styled(STRONG, &format!("{:<15}", event.kind.name())));
    Ok(context.output.line(&format!("{time}  {meter:<8}  {kind}  {}", event.words()))?)
}
