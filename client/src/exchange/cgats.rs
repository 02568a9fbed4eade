//! Readings as the exchange text of CGATS.17 and ISO 28178: tables of numbers with names that other programs of the trade know, and
//! declared ones for what the standard has none for.
//!
//! A field of a table is there in every row of it. Readings that know other things, a spectrometer's and a lux meter's, are in
//! tables of their own within one file.

use std::fs::File;
use std::io::{BufWriter, Read, Seek, Write};

use settled_protocol::colorimetry::observer::Observer;
use settled_protocol::quantity::Photometric;
use settled_protocol::reading::{Flag, Reading};
use settled_protocol::time::Timestamp;

use super::Misfit;
use super::csv::{Grid, runs, unit};
use crate::show;

pub use reader::{Reader, Set, read};

mod reader;

/// Tables of one file: each is a temporary file while it is written.
const MOST_TABLES: usize = 64;

/// What is copied at once, in bytes.
const CHUNK: usize = 1 << 16;

/// What all readings of a table know.
#[derive(Clone, Debug, PartialEq)]
struct Shape {
    photometric: Photometric,
    observer: Observer,
    bandwidth_nm: Option<f64>,
    colour: bool,
    integration: bool,
    temperature: bool,
    grid: Option<Grid>,
}

/// A table that is being written.
#[derive(Debug)]
struct Table {
    shape: Shape,
    rows: BufWriter<File>,
    count: u64,
    unreal: Vec<Flag>,
}

/// A file that is being written: how many rows a table has is said before them, so they wait in temporary files until the last has come.
#[derive(Debug)]
pub struct Writer {
    spectra: bool,
    created: Option<Timestamp>,
    tables: Vec<Table>,
}

/// Why a file could not be written.
#[derive(Debug)]
pub enum WriteError {
    /// The readings don't go into one file.
    Misfit(Misfit),
    /// A temporary file, or the file itself.
    Io(std::io::Error),
}

impl From<std::io::Error> for WriteError {
    fn from(error: std::io::Error) -> Self {
        Self::Io(error)
    }
}

impl Shape {
    fn of(reading: &Reading, spectra: bool) -> Self {
        Self {
            photometric: reading.light.photometric(),
            observer: reading.observer.unwrap_or_default(),
            bandwidth_nm: reading.bandwidth_nm,
            colour: reading.light.xyz().is_some(),
            integration: reading.integration_s.is_some(),
            temperature: reading.temperature_c.is_some(),
            grid: reading.spectrum.as_ref().filter(|_| spectra).map(Grid::of),
        }
    }

    /// The names of the fields, in their order.
    fn fields(&self) -> Vec<String> {
        let mut fields = vec!["SAMPLE_ID", "SAMPLE_NAME"];
        fields.extend(if self.colour { ["XYZ_X", "XYZ_Y", "XYZ_Z"].as_slice() } else { &["XYY_CAPY"] });
        fields.extend(self.colour.then_some(COLOUR));
        fields.extend(OWN_FIELDS);
        fields.extend(self.integration.then_some("INTEGRATION_S"));
        fields.extend(self.temperature.then_some("TEMPERATURE_C"));
        let mut fields: Vec<String> = fields.into_iter().map(str::to_owned).collect();
        let wavelengths = self.grid.iter().flat_map(Grid::wavelengths);
        fields.extend(wavelengths.map(|nm| format!("SPECTRAL_{}", show::wavelength(nm))));
        fields
    }

    /// What is said of all readings of the table, beyond the standard's keywords.
    fn keywords(&self) -> Vec<(&'static str, String)> {
        let mut keywords = vec![
            ("LIGHT_UNIT", unit(self.photometric).to_owned()),
            ("OBSERVER", self.observer.name().to_owned()),
        ];
        keywords.extend(self.bandwidth_nm.map(|nm| ("BANDWIDTH_NM", nm.to_string())));
        if let Some(grid) = &self.grid {
            let unit = match self.photometric {
                Photometric::Luminance => "W/(sr m2 nm)",
                Photometric::Illuminance => "W/(m2 nm)",
            };
            keywords.push(("SPECTRAL_UNIT", unit.to_owned()));
            keywords.push(("SPECTRAL_START_NM", grid.start_nm.to_string()));
            keywords.push(("SPECTRAL_STEP_NM", grid.step_nm.to_string()));
        }
        keywords
    }
}

/// Fields of every table that the standard has no names for.
const OWN_FIELDS: [&str; 7] = ["TIME_UTC", "T_S", "BEGAN_S", "BOOT", "FLAGS", "CORRECTION", "RUNS"];

/// The field of a colour that tells whether the light is enough for one: near black X, Y and Z are little but noise.
const COLOUR: &str = "COLOUR";

impl Writer {
    /// A file with or without spectra, that says when it was made.
    #[must_use]
    pub fn new(spectra: bool, created: Option<Timestamp>) -> Self {
        Self { spectra, created, tables: Vec::new() }
    }

    /// Takes a reading.
    ///
    /// # Errors
    /// [`WriteError`] if there would be too many tables, or a temporary file can't be written.
    pub fn push(&mut self, reading: &Reading) -> Result<(), WriteError> {
        let shape = Shape::of(reading, self.spectra);
        let known = self.tables.iter().position(|table| table.shape == shape);
        let index = match known {
            Some(index) => index,
            None if self.tables.len() == MOST_TABLES => {
                return Err(WriteError::Misfit(Misfit(format!(
                    "the readings are of more than {MOST_TABLES} kinds: choose some with --meter, --run, --since or --until"
                ))));
            }
            None => {
                let rows = BufWriter::new(tempfile::tempfile()?);
                self.tables.push(Table { shape, rows, count: 0, unreal: Vec::new() });
                self.tables.len() - 1
            }
        };
        if let Some(table) = self.tables.get_mut(index) {
            table.push(reading)?;
        }
        Ok(())
    }

    /// Writes the file.
    ///
    /// # Errors
    /// If it can't be written, or a temporary file can't be read.
    pub fn finish(self, mut into: impl Write) -> std::io::Result<()> {
        writeln!(into, "CGATS.17")?;
        for table in self.tables {
            table.write(&mut into, self.created)?;
        }
        into.flush()
    }
}

impl Table {
    fn push(&mut self, reading: &Reading) -> std::io::Result<()> {
        let light = &reading.light;
        let mut row = vec![reading.sequence.to_string(), quoted(&reading.meter)];
        match light.xyz() {
            Some(xyz) => {
                row.extend([xyz.x(), xyz.y(), xyz.z()].map(show::exact));
                row.push(quoted(if light.chromaticity().is_some() { "yes" } else { "no" }));
            }
            None => row.push(show::exact(light.value())),
        }
        let flags: Vec<&str> = reading.flags.iter().map(|flag| flag.name()).collect();
        row.extend([
            quoted(&reading.at.to_string()),
            show::exact(reading.t_s),
            show::exact(reading.began_s),
            quoted(&reading.boot),
            quoted(&flags.join(" ")),
            quoted(reading.correction.as_deref().unwrap_or_default()),
            quoted(&runs(reading)),
        ]);
        row.extend(reading.integration_s.map(show::exact));
        row.extend(reading.temperature_c.map(show::exact));
        if let Some(spectrum) = reading.spectrum.as_ref().filter(|_| self.shape.grid.is_some()) {
            row.extend(spectrum.values().iter().map(|value| show::exact(*value)));
        }
        for flag in [Flag::Simulated, Flag::Replayed] {
            if reading.flags.contains(&flag) && !self.unreal.contains(&flag) {
                self.unreal.push(flag);
            }
        }
        self.count += 1;
        writeln!(self.rows, "{}", row.join("\t"))
    }

    fn write(self, into: &mut impl Write, created: Option<Timestamp>) -> std::io::Result<()> {
        let Self { shape, rows, count, unreal } = self;
        let unreal: String = unreal.iter().map(|flag| format!("{}, ", flag.name().to_uppercase())).collect();
        writeln!(into, "ORIGINATOR {}", quoted(concat!("settle ", env!("CARGO_PKG_VERSION"))))?;
        writeln!(
            into,
            "FILE_DESCRIPTOR {}",
            quoted(&format!("{unreal}readings of light from the log of settled"))
        )?;
        if let Some(created) = created {
            writeln!(into, "CREATED {}", quoted(&created.to_string()))?;
        }
        writeln!(into, "MEASUREMENT_SOURCE {}", quoted("Emission"))?;
        for (name, value) in shape.keywords() {
            writeln!(into, "KEYWORD {}\n{name} {}", quoted(name), quoted(&value))?;
        }
        let fields = shape.fields();
        for name in fields.iter().filter(|name| is_own(name)) {
            writeln!(into, "KEYWORD {}", quoted(name))?;
        }
        writeln!(
            into,
            "NUMBER_OF_FIELDS {}\nBEGIN_DATA_FORMAT\n{}\nEND_DATA_FORMAT",
            fields.len(),
            fields.join("\t")
        )?;
        writeln!(into, "NUMBER_OF_SETS {count}\nBEGIN_DATA")?;
        let mut rows = rows.into_inner().map_err(std::io::IntoInnerError::into_error)?;
        rows.rewind()?;
        let mut chunk = vec![0; CHUNK];
        loop {
            let read = rows.read(&mut chunk)?;
            if read == 0 {
                break;
            }
            into.write_all(&chunk[..read])?;
        }
        writeln!(into, "END_DATA")
    }
}

/// Whether a field is ours, so that it must be declared.
fn is_own(name: &str) -> bool {
    OWN_FIELDS.contains(&name) || [COLOUR, "INTEGRATION_S", "TEMPERATURE_C"].contains(&name)
}

/// Text in its quotes; the format has no way to write the end of a line within it.
fn quoted(text: &str) -> String {
    let flat: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    format!("\"{}\"", flat.replace('"', "\"\""))
}

#[cfg(test)]
mod tests;
