//! A correction on its way from one daemon to another: our own JSON.

use std::path::{Path, PathBuf};

use clap::Args;
use serde::{Deserialize, Serialize};
use settled_protocol::correction::{Correction, CorrectionChanged, NewCorrection, Subject};
use settled_protocol::meter::Meter;
use settled_protocol::method::{CorrectionsAdd, MetersList, Nothing};
use settled_protocol::text::Text;

use super::{Exit, Failure, say_durable, table, text};
use crate::connection::Connection;
use crate::output::Output;

/// The version of the form that is written and read here.
const VERSION: u32 = 1;

/// The most bytes that are read of a file: a correction of the most colours has some 20,000.
const MOST_BYTES: u64 = 1 << 20;

#[derive(Debug, Args)]
pub(super) struct Options {
    /// The file; - is standard input.
    file: PathBuf,
    /// The id that the meter has here, where its serial number doesn't tell.
    #[arg(long, value_name = "ID", value_parser = text)]
    meter: Option<Text>,
}

/// A file with one correction.
#[derive(Serialize, Deserialize)]
struct Exported<C> {
    settled_correction: u32,
    correction: C,
}

/// Writes a correction as a file holds it.
pub(super) fn write(output: Output, correction: &Correction) -> Result<(), Failure> {
    Ok(output.object(&Exported { settled_correction: VERSION, correction })?)
}

/// Reads a file and gives what it holds to the daemon.
pub(super) async fn read(
    output: Output,
    connection: &Connection,
    options: &Options,
) -> Result<Exit, Failure> {
    let mut new = parse(&contents(&options.file)?).map_err(|why| {
        Failure::Input(format!("{} is not an exported correction: {why}", options.file.display()))
    })?;
    if let Some(id) = &options.meter {
        new.meter.id = id.clone();
    }
    let added = connection.call::<CorrectionsAdd>(&new).await?;
    if output.json {
        output.object(&added)?;
    } else {
        let CorrectionChanged { correction, durable } = added;
        let (_, stale) = super::one(connection, &correction.id).await?;
        table::line(output, &correction, stale)?;
        let meters = connection.call::<MetersList>(&Nothing {}).await?.meters;
        let (meter, id) = (here(&correction.meter, &meters), &correction.id);
        output.aside(&format!("It is not in force yet: settle correct use {meter} {id}"));
        say_durable(output, durable);
    }
    Ok(Exit::Done)
}

/// What the meter that a correction is for is called here: its serial number tells, else its id.
fn here<'a>(subject: &'a Subject, meters: &'a [Meter]) -> &'a str {
    let serial = subject.serial.as_ref().map(Text::as_str);
    let is_it = |meter: &&Meter| {
        let found = meter.instrument.as_ref().and_then(|instrument| instrument.serial.as_deref());
        found.is_some() && found == serial
    };
    meters.iter().find(is_it).map_or(subject.id.as_str(), |meter| meter.id.as_str())
}

fn contents(file: &Path) -> Result<String, Failure> {
    use std::io::Read;
    let failed = |error: std::io::Error| Failure::Input(format!("reading {}: {error}", file.display()));
    let mut text = String::new();
    let read = if file == Path::new("-") {
        std::io::stdin().take(MOST_BYTES).read_to_string(&mut text)
    } else {
        std::fs::File::open(file).and_then(|opened| opened.take(MOST_BYTES).read_to_string(&mut text))
    };
    read.map(|_| text).map_err(failed)
}

/// What the daemon is to be told of an exported correction. Its id and whether it was removed are the other daemon's business.
fn parse(text: &str) -> Result<NewCorrection, String> {
    let version =
        serde_json::from_str::<Exported<serde_json::Value>>(text).map_err(|error| error.to_string())?;
    if version.settled_correction != VERSION {
        return Err(format!("it is of version {}, this settle knows {VERSION}", version.settled_correction));
    }
    let exported: Exported<Correction> = serde_json::from_str(text).map_err(|error| error.to_string())?;
    let Correction { name, method, matrix, meter, reference, display, at, colours, note, simulated, .. } =
        exported.correction;
    Ok(NewCorrection {
        name,
        method,
        matrix: Some(matrix),
        meter,
        reference,
        display,
        at: Some(at),
        colours,
        undo: None,
        note,
        simulated,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_exported_correction_is_refused_with_why() {
        for (text, why) in [
            ("", "EOF"),
            ("{}", "settled_correction"),
            (r#"{"settled_correction":2,"correction":{}}"#, "version 2"),
            (r#"{"settled_correction":1,"correction":{}}"#, "missing field"),
        ] {
            let found = parse(text).unwrap_err();
            assert!(found.contains(why), "{text}: {found}");
        }
    }
}
