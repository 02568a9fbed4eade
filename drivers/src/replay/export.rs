//! Readings as `settle log readings` writes them, with `--json` or `--csv`.

use std::collections::BTreeSet;
use std::io::BufRead;

use settled_protocol::colorimetry::observer::Observer;
use settled_protocol::quantity::{Chromaticity, Light, Photometric, Xyz};
use settled_protocol::reading::{Flag, Reading};
use settled_protocol::time::Timestamp;

use super::series::{Exposed, Series};
use crate::recording::text::{Next, next};
use crate::sample::{Sample, Seen};

/// The longest line, in bytes: ten times what a reading with a spectrum of 4096 values takes.
const LONGEST: usize = 1 << 20;

/// The columns that mean something here. Others are left alone.
const COLUMNS: [&str; 15] = [
    "meter",
    "at",
    "t_s",
    "began_s",
    "boot",
    "integration_s",
    "X",
    "Y",
    "Z",
    "unit",
    "chromaticity_x",
    "temperature_c",
    "flags",
    "observer",
    "correction",
];

/// For each of [`COLUMNS`], which field of a row it is.
type Columns = [Option<usize>; COLUMNS.len()];

/// How the lines are read.
enum Form {
    Json,
    Csv(Box<Columns>),
}

/// What a reading on a line says.
struct Told {
    meter: String,
    at: Option<Timestamp>,
    t_s: f64,
    began_s: f64,
    boot: String,
    sample: Sample,
    dark: bool,
    simulated: bool,
    corrected: bool,
    /// Whose eye it is meant by, where that is not the usual one and no spectrum can tell it anew.
    observer: Option<Observer>,
}

/// The readings of one meter.
pub(crate) struct Export {
    pub(crate) series: Series,
    /// Whether any of them was simulated.
    pub(crate) simulated: bool,
    /// Every meter that the file has readings of.
    pub(crate) meters: BTreeSet<String>,
}

/// Reads the readings of `meter`, or of the only one there is. `most` bytes are held.
///
/// # Errors
/// A sentence that says what is wrong, with the line's number.
pub(crate) fn read(file: &mut impl BufRead, meter: Option<&str>, most: usize) -> Result<Export, String> {
    let mut export = Export { series: Series::default(), simulated: false, meters: BTreeSet::new() };
    let (mut form, mut number, mut times) = (None, 0_u64, Times::default());
    loop {
        number += 1;
        let told = |what: String| format!("line {number}: {what}");
        let line = match next(file, LONGEST).map_err(|error| told(error.to_string()))? {
            Next::End => return Ok(export),
            Next::TooLong => return Err(told("the line is too long".to_owned())),
            // A file that is still being written ends anywhere.
            Next::Torn(_) if number > 1 => return Ok(export),
            Next::Torn(line) | Next::Line(line) => line,
        };
        let text = String::from_utf8(line).map_err(|_| told("this is not text".to_owned()))?;
        if text.trim().is_empty() {
            continue;
        }
        let reading = match &form {
            None if text.trim_start().starts_with('{') => {
                form = Some(Form::Json);
                json(&text)
            }
            None => {
                form = Some(Form::Csv(Box::new(header(&text).map_err(told)?)));
                continue;
            }
            Some(Form::Json) => json(&text),
            Some(Form::Csv(columns)) => row(&text, columns),
        };
        let reading = reading.map_err(told)?;
        export.meters.insert(reading.meter.clone());
        if meter.is_some_and(|meter| meter != reading.meter) || reading.dark {
            continue;
        }
        if let Some(observer) = reading.observer {
            return Err(told(format!(
                "this light is meant by the observer {}, and can't be played without its spectrum: take `settle log readings --json`",
                observer.name()
            )));
        }
        export.simulated |= reading.simulated;
        export.series.is_corrected |= reading.corrected;
        let (began_s, ended_s) = times.of(&reading);
        export.series.push(Exposed { began_s, ended_s, outcome: Ok(reading.sample) });
        if export.series.held > most {
            return Err(told("there are more readings than can be played: cut the file".to_owned()));
        }
    }
}

/// Times on one line, whatever clock they were on.
#[derive(Default)]
struct Times {
    /// The boot, its clock, UTC and the time on the line of the last reading.
    last: Option<(String, f64, Option<Timestamp>, f64)>,
}

impl Times {
    /// When the exposure began and ended. From one boot to another UTC tells what is between; where that is not known, nothing is.
    fn of(&mut self, told: &Told) -> (f64, f64) {
        let lasted_s = (told.t_s - told.began_s).max(0.0);
        let ended_s = match &self.last {
            None => lasted_s,
            Some((boot, t_s, _, line_s)) if *boot == told.boot => line_s + (told.t_s - t_s).max(0.0),
            Some((_, _, at, line_s)) => {
                let between_s = told.at.zip(*at).map(|(now, then)| seconds_between(then, now));
                line_s + between_s.unwrap_or(0.0).max(lasted_s)
            }
        };
        self.last = Some((told.boot.clone(), told.t_s, told.at, ended_s));
        ((ended_s - lasted_s).max(0.0), ended_s)
    }
}

#[expect(clippy::cast_precision_loss, reason = "spans between readings are told to the microsecond")]
fn seconds_between(then: Timestamp, now: Timestamp) -> f64 {
    now.unix_ns().saturating_sub(then.unix_ns()) as f64 / 1e9
}

fn json(line: &str) -> Result<Told, String> {
    let reading: Reading =
        serde_json::from_str(line).map_err(|error| format!("this is no reading: {error}"))?;
    let has = |flag| reading.flags.contains(&flag);
    let (dark, simulated, corrected) = (has(Flag::Dark), has(Flag::Simulated), reading.correction.is_some());
    // A correction can't be taken back: then the light is played as it was given out.
    let seen = match (reading.spectrum, &reading.correction) {
        (Some(spectrum), None) => Seen::Spectrum(reading.light.photometric(), spectrum),
        _ => Seen::Light(reading.light),
    };
    let observer = reading.observer.and_then(Observer::unusual).filter(|_| matches!(seen, Seen::Light(_)));
    let Reading { meter, at, t_s, began_s, boot, integration_s, temperature_c, .. } = reading;
    let sample = Sample { seen, integration_s, temperature_c };
    sane(Told { meter, at: Some(at), t_s, began_s, boot, sample, dark, simulated, corrected, observer })
}

fn sane(told: Told) -> Result<Told, String> {
    let Sample { integration_s, temperature_c, .. } = told.sample;
    let numbers = [Some(told.t_s), Some(told.began_s), integration_s, temperature_c];
    if numbers.iter().flatten().all(|number| number.is_finite()) {
        Ok(told)
    } else {
        Err("a number is not finite".to_owned())
    }
}

fn header(line: &str) -> Result<Columns, String> {
    let names = fields(line)?;
    let columns = COLUMNS.map(|column| names.iter().position(|name| name == column));
    let missing: Vec<&str> = [("t_s", 2), ("Y", 7)]
        .into_iter()
        .filter(|(_, place)| columns.get(*place).copied().flatten().is_none())
        .map(|(name, _)| name)
        .collect();
    match missing.as_slice() {
        [] => Ok(columns),
        missing => Err(format!(
            "no recording, and no readings as `settle log readings` writes them with --json or --csv: no column {}",
            missing.join(", no column ")
        )),
    }
}

fn row(line: &str, columns: &Columns) -> Result<Told, String> {
    let fields = fields(line)?;
    let field = |name: &str| {
        let column = COLUMNS.iter().position(|column| *column == name)?;
        let field = fields.get((*columns.get(column)?)?)?.trim();
        (!field.is_empty()).then_some(field)
    };
    let number = |name: &str| match field(name).map(str::parse::<f64>) {
        None => Ok(None),
        Some(Ok(number)) if number.is_finite() => Ok(Some(number)),
        Some(_) => Err(format!("{name} is no number")),
    };
    let t_s = number("t_s")?.ok_or("there is no t_s")?;
    let y = number("Y")?.ok_or("there is no Y")?;
    let photometric = match field("unit") {
        None | Some("cd/m2") => Photometric::Luminance,
        Some("lx") => Photometric::Illuminance,
        Some(unit) => return Err(format!("the unit {unit:?} is neither cd/m2 nor lx")),
    };
    let light = match number("X")?.zip(number("Z")?) {
        Some((x, z)) => Xyz::new(x, y, z).map(|xyz| Light::colour(photometric, xyz)),
        None => Light::amount(photometric, y),
    };
    let light = light.map_err(|error| error.to_string())?;
    let coloured = light.chromaticity().is_some_and(|colour: Chromaticity| colour.y() > 0.0);
    // The meter said that it was too dark for a colour.
    let light =
        if coloured && number("chromaticity_x")?.is_none() { light.without_chromaticity() } else { light };
    let (integration_s, temperature_c) = (number("integration_s")?, number("temperature_c")?);
    let sample = Sample { seen: Seen::Light(light), integration_s, temperature_c };
    let has =
        |flag: Flag| field("flags").is_some_and(|flags| flags.split(' ').any(|name| name == flag.name()));
    let observer = match field("observer").map(|name| Observer::named(name).ok_or(name)) {
        None => None,
        Some(Ok(observer)) => observer.unusual(),
        Some(Err(name)) => return Err(format!("the observer {name:?} is not known")),
    };
    let text = |name| field(name).unwrap_or_default().to_owned();
    sane(Told {
        meter: text("meter"),
        at: field("at").and_then(|at| at.parse().ok()),
        t_s,
        began_s: number("began_s")?.unwrap_or(t_s),
        boot: text("boot"),
        sample,
        dark: has(Flag::Dark),
        simulated: has(Flag::Simulated),
        corrected: field("correction").is_some(),
        observer,
    })
}

/// The fields of a row, split by commas; quotes may stand around a field, and twice for one within.
fn fields(line: &str) -> Result<Vec<String>, String> {
    let (mut fields, mut field, mut quoted) = (Vec::new(), String::new(), false);
    let mut characters = line.chars().peekable();
    while let Some(c) = characters.next() {
        match (c, quoted) {
            ('"', true) if characters.next_if_eq(&'"').is_some() => field.push('"'),
            ('"', true) => quoted = false,
            ('"', false) if field.is_empty() => quoted = true,
            (',', false) => fields.push(std::mem::take(&mut field)),
            (c, _) => field.push(c),
        }
    }
    fields.push(field);
    if quoted { Err("a quote is open at the end of the line".to_owned()) } else { Ok(fields) }
}

#[cfg(test)]
mod tests;
