//! What a file is, and what is in it.

use std::fs::File;
use std::io::{BufReader, Seek};
use std::path::Path;

use super::exchanges::Exchanges;
use super::export;
use super::series::Series;
use crate::driver::Source;
use crate::recording::line::{About, LONGEST, ProfileText};
use crate::recording::reader::{Happening, Reader, is_recording};
use crate::recording::text::{Next, next};

/// What is held of one meter, in bytes: a million readings of a meter that answers in lines.
const MOST_HELD: usize = 512 << 20;

/// What a file has of a meter.
#[derive(Debug)]
pub(crate) enum Loaded {
    /// What passed on its link.
    Exchanges { profile: ProfileText, exchanges: Exchanges, source: Source },
    /// What it gave.
    Series { series: Series, source: Source },
}

/// A mistake: the key it is about, and what is wrong.
type Mistake = (&'static str, String);

fn wrong(message: impl std::fmt::Display) -> Mistake {
    ("file", message.to_string())
}

/// Reads what a file has of `meter`, or of the only one there is.
pub(crate) fn load(path: &Path, meter: Option<&str>) -> Result<Loaded, Mistake> {
    let mut file = BufReader::new(File::open(path).map_err(wrong)?);
    let first = next(&mut file, LONGEST).map_err(wrong)?;
    file.rewind().map_err(wrong)?;
    let (Next::Line(first) | Next::Torn(first)) = first else {
        return Err(wrong("this is neither a recording nor a log's readings"));
    };
    if is_recording(&first) { recording(file, meter) } else { readings(file, meter) }
}

fn recording(file: BufReader<File>, meter: Option<&str>) -> Result<Loaded, Mistake> {
    let mut reader = Reader::new(file).map_err(wrong)?;
    let about = chosen(reader.meters(), meter)?.clone();
    let source = about.source.once_recorded();
    let (mut exchanges, mut series) = (Exchanges::default(), Series::default());
    while let Some(happening) = reader.next_happening().map_err(wrong)? {
        if matches!(&happening, Happening::Entry(entry) if entry.meter != about.meter) {
            continue;
        }
        match about.profile {
            Some(_) => exchanges.take(&happening),
            None => series.take(&happening),
        }
        if exchanges.held + series.held > MOST_HELD {
            return Err(wrong("there is more in it than can be played: record less"));
        }
    }
    let id = &about.meter;
    match about.profile {
        Some(_) if exchanges.all.is_empty() => Err(wrong(format!("the link to {id} was never open"))),
        Some(profile) => Ok(Loaded::Exchanges { profile, exchanges, source }),
        None => filled(series, source, &format!("there are no readings of {id}")),
    }
}

fn chosen<'a>(meters: &'a [About], meter: Option<&str>) -> Result<&'a About, Mistake> {
    let ids: Vec<&str> = meters.iter().map(|about| about.meter.as_str()).collect();
    match (meter, meters) {
        (None, [only]) => Ok(only),
        (None, _) => Err(("meter", which(&ids))),
        (Some(id), _) => {
            let none = || ("meter", format!("no meter in it is called {id:?}; {}", which(&ids)));
            meters.iter().find(|about| about.meter == id).ok_or_else(none)
        }
    }
}

fn which(ids: &[&str]) -> String {
    format!("say with meter = \"…\" which is meant: {}", ids.join(", "))
}

fn readings(mut file: BufReader<File>, meter: Option<&str>) -> Result<Loaded, Mistake> {
    let export::Export { series, simulated, meters } =
        export::read(&mut file, meter, MOST_HELD).map_err(wrong)?;
    let ids: Vec<&str> = meters.iter().map(String::as_str).collect();
    if meter.is_none() && ids.len() > 1 {
        return Err(("meter", which(&ids)));
    }
    let source = if simulated { Source::ReplayedSimulation } else { Source::Replayed };
    filled(series, source, &format!("there are no readings of light in it; meters: {}", ids.join(", ")))
}

fn filled(series: Series, source: Source, otherwise: &str) -> Result<Loaded, Mistake> {
    if series.exposed.is_empty() { Err(wrong(otherwise)) } else { Ok(Loaded::Series { series, source }) }
}
