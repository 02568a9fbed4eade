//! `settle correct`: corrections of filter colorimeters.

use clap::{Args, Subcommand};
use serde_json::json;
use settled_protocol::correction::{
    CorrectParams, Corrected, Correction, CorrectionChanged, InForce, ListCorrections, RemoveCorrection,
};
use settled_protocol::error::ErrorKind;
use settled_protocol::meter::Meter;
use settled_protocol::method::{CorrectionsList, CorrectionsRemove, MeterCorrect, MetersList, Nothing};
use settled_protocol::text::Text;

use super::{Context, Exit, Failure, prompt};
use crate::connection::{CallError, Connection};
use crate::lease::inherited;
use crate::output::{CAUTION, FAINT, Output, STRONG, styled};
use crate::show;

mod board;
mod course;
mod derive;
mod drift;
mod exchange;
mod patch;
mod readings;
mod suspicion;
mod table;

#[derive(Debug, Args)]
pub(super) struct Options {
    /// What to do; without any: what is in force, and what there is.
    #[command(subcommand)]
    action: Option<Action>,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// Make a correction: both meters read the same colours of one display.
    Derive(Box<derive::Options>),
    /// Put a correction in force on a meter, or none.
    Use(Use),
    /// The corrections there are, a line each.
    List {
        /// Also those that were removed.
        #[arg(long)]
        removed: bool,
    },
    /// All there is to know of one correction.
    Show {
        /// The correction's id.
        correction: String,
    },
    /// Remove a correction that is not in force. What readings went through stays in the log, marked.
    Remove {
        /// The correction's id.
        correction: String,
    },
    /// Write a correction as JSON, for another daemon.
    Export {
        /// The correction's id.
        correction: String,
    },
    /// Read a correction that was exported.
    Import(exchange::Options),
}

#[derive(Debug, Args)]
struct Use {
    /// The meter's id.
    meter: String,
    /// The correction's id, or none.
    correction: String,
    /// The display that is in front of the meter now: one that the correction was not made for is flagged.
    #[arg(long, value_name = "TEXT", value_parser = text)]
    display: Option<Text>,
    /// Even if it was made for another meter; readings are flagged.
    #[arg(long)]
    force: bool,
}

/// A label of the user's own.
fn text(words: &str) -> Result<Text, String> {
    Text::try_from(words.to_owned()).map_err(|error| error.to_string())
}

pub(super) async fn run(context: &Context, options: Options) -> Result<Exit, Failure> {
    let output = context.output;
    let connection = context.connect().await?;
    match options.action {
        None => overview(output, &connection).await,
        Some(Action::Derive(options)) => derive::run(output, &connection, *options).await,
        Some(Action::Use(options)) => put_in_force(output, &connection, options).await,
        Some(Action::List { removed }) => list(output, &connection, removed).await,
        Some(Action::Show { correction }) => {
            let (correction, stale) = one(&connection, &correction).await?;
            if output.json {
                output.object(&correction)?
            } else {
                table::whole(output, &correction, stale)?
            }
            Ok(Exit::Done)
        }
        Some(Action::Remove { correction }) => remove(output, &connection, correction).await,
        Some(Action::Export { correction }) => {
            exchange::write(output, &one(&connection, &correction).await?.0)?;
            Ok(Exit::Done)
        }
        Some(Action::Import(options)) => exchange::read(output, &connection, &options).await,
    }
}

/// Every correction, page by page, the ids of those that are old, and whether they outlive the daemon.
async fn all(
    connection: &Connection,
    removed: bool,
) -> Result<(Vec<Correction>, Vec<String>, bool), Failure> {
    let (mut corrections, mut stale) = (Vec::new(), Vec::new());
    let mut params = ListCorrections { removed, ..ListCorrections::default() };
    loop {
        let page = connection.call::<CorrectionsList>(&params).await?;
        corrections.extend(page.corrections);
        stale.extend(page.stale);
        match page.next {
            Some(next) => params.after = Some(next),
            None => return Ok((corrections, stale, page.durable)),
        }
    }
}

/// One correction, and whether it is old.
async fn one(connection: &Connection, id: &str) -> Result<(Correction, bool), Failure> {
    let params = ListCorrections { correction: Some(id.to_owned()), ..ListCorrections::default() };
    let page = connection.call::<CorrectionsList>(&params).await?;
    let stale = !page.stale.is_empty();
    let found = page.corrections.into_iter().next().map(|correction| (correction, stale));
    found.ok_or_else(|| Failure::Input(format!("the daemon told nothing of {id}")))
}

async fn overview(output: Output, connection: &Connection) -> Result<Exit, Failure> {
    let meters = connection.call::<MetersList>(&Nothing {}).await?.meters;
    let (corrections, stale, durable) = all(connection, false).await?;
    if output.json {
        let in_force = meters.iter().filter_map(|meter| {
            meter.correction.as_ref().map(|correction| json!({ "meter": meter.id, "correction": correction }))
        });
        let in_force: Vec<_> = in_force.collect();
        output.object(
            &json!({ "in_force": in_force, "corrections": corrections, "stale": stale, "durable": durable }),
        )?;
        return Ok(Exit::Done);
    }
    for Meter { id, correction, .. } in &meters {
        let words = correction.as_ref().map_or_else(|| "no correction".to_owned(), in_force);
        output.line(&format!("{}  {words}", styled(STRONG, id)))?;
    }
    if !corrections.is_empty() {
        output.line("")?;
    }
    for correction in &corrections {
        table::line(output, correction, stale.contains(&correction.id))?;
    }
    say_durable(output, durable || corrections.is_empty());
    Ok(Exit::Done)
}

/// A correction in force, in words.
pub(super) fn in_force(correction: &InForce) -> String {
    let InForce { id, name, display, since, applied, warnings, .. } = correction;
    let display = display.as_ref().map_or_else(String::new, |display| format!(" for {}", display.as_str()));
    let applied = if *applied { "" } else { ", NOT APPLIED" };
    let warnings: Vec<&str> = warnings.iter().map(|warning| table::warning(*warning)).collect();
    let warnings = if warnings.is_empty() {
        String::new()
    } else {
        format!("  {}", styled(CAUTION, &warnings.join("; ")))
    };
    format!("{id} \"{}\"{display}, since {}{applied}{warnings}", name.as_str(), show::moment(*since))
}

/// Says that corrections end with the daemon, where they do.
fn say_durable(output: Output, durable: bool) {
    if !durable {
        let words = "the daemon's log is off: corrections end with it; export what you want to keep";
        output.note(&styled(CAUTION, words), &json!({ "caution": { "message": words } }));
    }
}

async fn list(output: Output, connection: &Connection, removed: bool) -> Result<Exit, Failure> {
    let (corrections, stale, durable) = all(connection, removed).await?;
    for correction in &corrections {
        let stale = stale.contains(&correction.id);
        if output.json { output.object(correction)? } else { table::line(output, correction, stale)? }
    }
    if !output.json {
        say_durable(output, durable || corrections.is_empty());
    }
    Ok(Exit::Done)
}

async fn put_in_force(output: Output, connection: &Connection, options: Use) -> Result<Exit, Failure> {
    let Use { meter, correction, display, force } = options;
    let correction = Some(correction).filter(|correction| correction != "none");
    if correction.is_none() && (display.is_some() || force) {
        return Err(Failure::Usage("--display and --force are for a correction, not for none".to_owned()));
    }
    let lease = inherited(&meter);
    let params = CorrectParams { meter, correction, display, force, lease };
    let put = connection.call::<MeterCorrect>(&params).await;
    let advice = |_: &str| "; --force uses it all the same, with a flag".to_owned();
    say_in_force(output, &put.map_err(|error| advised(output, error, advice))?)?;
    Ok(Exit::Done)
}

/// A refusal about a meter, with what can be typed. Scripts get it as it came.
fn advised(output: Output, error: CallError, advice: impl Fn(&str) -> String) -> CallError {
    let CallError::Refused(mut refusal) = error else { return error };
    let meter = refusal.data.as_ref().and_then(|data| data.meter.clone());
    if let Some(meter) = meter.filter(|_| !output.json && refusal.kind() == ErrorKind::CorrectionRefused) {
        refusal.message.push_str(&advice(&meter));
    }
    CallError::Refused(refusal)
}

fn say_in_force(output: Output, corrected: &Corrected) -> Result<(), Failure> {
    if output.json {
        return Ok(output.object(corrected)?);
    }
    let Corrected { meter, correction, before, durable } = corrected;
    let words = match (correction, before) {
        (Some(correction), _) => in_force(correction),
        (None, Some(before)) => format!("no correction any more; it was {before}"),
        (None, None) => "no correction, as before".to_owned(),
    };
    output.line(&format!("{}  {words}", styled(STRONG, meter)))?;
    say_durable(output, *durable || correction.is_none());
    Ok(())
}

async fn remove(output: Output, connection: &Connection, correction: String) -> Result<Exit, Failure> {
    let removed = connection.call::<CorrectionsRemove>(&RemoveCorrection { correction }).await;
    let advice = |meter: &str| format!(": settle correct use {meter} none");
    let removed = removed.map_err(|error| advised(output, error, advice))?;
    if output.json {
        output.object(&removed)?;
    } else {
        let CorrectionChanged { correction, .. } = removed;
        let name = styled(FAINT, &format!("\"{}\"", correction.name.as_str()));
        output.line(&format!("{} {name} is removed.", correction.id))?;
    }
    Ok(Exit::Done)
}
