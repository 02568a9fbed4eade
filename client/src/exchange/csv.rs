//! Readings as CSV: a header, then a row for each. For a spreadsheet, and `settle assess` reads it too.

use std::io::Read;

use settled_protocol::quantity::Photometric;
use settled_protocol::reading::Reading;
use settled_protocol::spectrum::Spectrum;

use super::{Misfit, Mistake, named};
use crate::show;

/// Columns carry their unit. X, Y and Z are in the unit of the column after them: Y is the luminance, or the illuminance.
const HEADER: [&str; 21] = [
    "sequence",
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
    "chromaticity_y",
    "u_prime",
    "v_prime",
    "temperature_c",
    "flags",
    "observer",
    "bandwidth_nm",
    "correction",
    "runs",
];

/// Where the values of spectra lie: one table has one grid.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Grid {
    pub(super) start_nm: f64,
    pub(super) step_nm: f64,
    pub(super) count: usize,
}

/// A table that is written page by page.
#[derive(Debug)]
pub struct Table {
    spectra: bool,
    begun: bool,
    grid: Option<Grid>,
}

impl Table {
    /// A table with or without spectra.
    #[must_use]
    pub fn new(spectra: bool) -> Self {
        Self { spectra, begun: false, grid: None }
    }

    /// A line for each reading, after a header if these are the first.
    ///
    /// # Errors
    /// [`Misfit`] if spectra are asked for, and none of the first page has one, or one lies on another grid than the first.
    pub fn lines(&mut self, readings: &[Reading]) -> Result<Vec<u8>, Misfit> {
        let mut writer = csv::Writer::from_writer(Vec::new());
        if !self.begun {
            self.begun = true;
            self.grid = self.first_grid(readings)?;
            writer.write_record(self.header()).map_err(unwritten)?;
        }
        for reading in readings {
            self.must_share_the_grid(reading)?;
            writer.write_record(self.row(reading)).map_err(unwritten)?;
        }
        writer.into_inner().map_err(|error| unwritten(error.into_error()))
    }

    fn first_grid(&self, readings: &[Reading]) -> Result<Option<Grid>, Misfit> {
        let first = readings.iter().find_map(|reading| reading.spectrum.as_ref()).map(Grid::of);
        if self.spectra && first.is_none() && !readings.is_empty() {
            let count = readings.len();
            return Err(Misfit(format!(
                "none of the first {count} readings has a spectrum: choose a spectrometer's with --meter"
            )));
        }
        Ok(first.filter(|_| self.spectra))
    }

    fn must_share_the_grid(&self, reading: &Reading) -> Result<(), Misfit> {
        let Some((grid, other)) = self.grid.as_ref().zip(reading.spectrum.as_ref().map(Grid::of)) else {
            return Ok(());
        };
        if *grid == other {
            return Ok(());
        }
        Err(Misfit(format!(
            "the spectrum of reading {} goes from {}, those before it from {}: one table has one set of wavelengths; choose readings \
             with --meter, --since, --until or --after, or take --json",
            reading.sequence,
            other.words(),
            grid.words()
        )))
    }

    fn header(&self) -> impl Iterator<Item = String> {
        let wavelengths = self.grid.iter().flat_map(Grid::wavelengths);
        HEADER
            .map(str::to_owned)
            .into_iter()
            .chain(wavelengths.map(|nm| format!("{} nm", show::wavelength(nm))))
    }

    /// What isn't known is an empty field.
    fn row(&self, reading: &Reading) -> impl Iterator<Item = String> {
        let values = reading.spectrum.as_ref().map_or_else(Vec::new, |spectrum| spectrum.values().to_vec());
        let count = self.grid.as_ref().map_or(0, |grid| grid.count);
        let cells = (0..count)
            .map(move |index| values.get(index).map_or_else(String::new, |value| show::exact(*value)));
        columns(reading).into_iter().chain(cells)
    }
}

impl Grid {
    pub(super) fn of(spectrum: &Spectrum) -> Self {
        Self { start_nm: spectrum.start_nm(), step_nm: spectrum.step_nm(), count: spectrum.values().len() }
    }

    #[expect(clippy::cast_precision_loss, reason = "at most 4096 values")]
    pub(super) fn wavelengths(&self) -> impl Iterator<Item = f64> {
        (0..self.count).map(|index| self.start_nm + self.step_nm * index as f64)
    }

    fn words(&self) -> String {
        let end_nm = self.wavelengths().last().unwrap_or(self.start_nm);
        let [start, end, step] = [self.start_nm, end_nm, self.step_nm].map(show::wavelength);
        format!("{start} to {end} nm by {step} nm")
    }
}

/// Memory always takes what is written.
fn unwritten(error: impl std::fmt::Display) -> Misfit {
    Misfit(error.to_string())
}

/// Reads a table that was written here, a reading a row. The wavelengths of spectra are as the header has them, to a millionth of a nm.
///
/// # Errors
/// Each item may be a [`Mistake`]: the first that is ends it.
pub fn read(source: impl Read) -> impl Iterator<Item = Result<Reading, Mistake>> {
    let mut reader = csv::Reader::from_reader(source);
    let names = reader.headers().cloned().map_err(|error| Mistake { line: 1, words: error.to_string() });
    let (names, mut failed) = match names {
        Ok(names) => (names, None),
        Err(mistake) => (csv::StringRecord::new(), Some(mistake)),
    };
    let mut records = reader.into_records();
    let mut over = false;
    std::iter::from_fn(move || {
        if over {
            return None;
        }
        let item = match failed.take() {
            Some(mistake) => Err(mistake),
            None => records
                .next()?
                .map_err(|error| {
                    let line = error.position().map_or(0, csv::Position::line);
                    Mistake { line, words: error.to_string() }
                })
                .and_then(|record| {
                    let line = record.position().map_or(0, csv::Position::line);
                    row(&names, &record).map_err(|words| Mistake { line, words })
                }),
        };
        over = item.is_err();
        Some(item)
    })
}

fn row(names: &csv::StringRecord, record: &csv::StringRecord) -> Result<Reading, String> {
    let nm = |name: &str| name.strip_suffix(" nm").and_then(|nm| nm.parse::<f64>().ok());
    let mut wavelengths = Vec::new();
    let mut values = Vec::new();
    for (name, text) in names.iter().zip(record) {
        if let Some(nm) = nm(name) {
            wavelengths.push(nm);
            if !text.is_empty() {
                values.push(named::number(name, text)?.as_f64().unwrap_or_default());
            }
        }
    }
    let spectrum = match (wavelengths.first(), wavelengths.last()) {
        (Some(first), Some(last)) if values.len() == wavelengths.len() => {
            let steps = wavelengths.len().saturating_sub(1).max(1);
            #[expect(clippy::cast_precision_loss, reason = "at most 4096 values")]
            let step = ((last - first) / steps as f64 * 1e6).round() / 1e6;
            Some(Spectrum::new(*first, step, values).map_err(|error| error.to_string())?)
        }
        _ if values.is_empty() => None,
        _ => return Err("the spectrum lacks some of its values".to_owned()),
    };
    named::reading(names.iter().zip(record), spectrum)
}

/// The columns that every reading has.
fn columns(reading: &Reading) -> [String; HEADER.len()] {
    let number = |value: Option<f64>| value.map_or_else(String::new, |value| value.to_string());
    let (xyz, colour) = (reading.light.xyz(), reading.light.chromaticity());
    let flags: Vec<&str> = reading.flags.iter().map(|flag| flag.name()).collect();
    [
        reading.sequence.to_string(),
        reading.meter.clone(),
        reading.at.to_string(),
        reading.t_s.to_string(),
        reading.began_s.to_string(),
        reading.boot.clone(),
        number(reading.integration_s),
        number(xyz.map(|xyz| xyz.x())),
        reading.light.value().to_string(),
        number(xyz.map(|xyz| xyz.z())),
        unit(reading.light.photometric()).to_owned(),
        number(colour.map(|colour| colour.x())),
        number(colour.map(|colour| colour.y())),
        number(colour.map(|colour| colour.u_prime())),
        number(colour.map(|colour| colour.v_prime())),
        number(reading.temperature_c),
        flags.join(" "),
        reading.observer.unwrap_or_default().name().to_owned(),
        number(reading.bandwidth_nm),
        reading.correction.clone().unwrap_or_default(),
        runs(reading),
    ]
}

/// The runs that a reading was taken for.
pub(super) fn runs(reading: &Reading) -> String {
    reading.runs.iter().map(u64::to_string).collect::<Vec<_>>().join(" ")
}

/// In letters that every spreadsheet reads.
pub(super) fn unit(photometric: Photometric) -> &'static str {
    match photometric {
        Photometric::Luminance => "cd/m2",
        Photometric::Illuminance => "lx",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_known_is_an_empty_field() {
        let reading = r#"{"sequence":3,"meter":"m","at":"2026-11-25T18:00:00Z","t_s":1.5,"began_s":0.25,"boot":"b",
            "illuminance_lx":120.5,"flags":["simulated","shared"]}"#;
        let reading: Reading = serde_json::from_str(reading).unwrap();
        let lines = Table::new(false).lines(std::slice::from_ref(&reading)).unwrap();
        assert_eq!(
            String::from_utf8(lines).unwrap().lines().nth(1).unwrap(),
            "3,m,2026-11-25T18:00:00.000000000Z,1.5,0.25,b,,,120.5,,lx,,,,,,simulated shared,1931-2,,,"
        );
        let error = Table::new(true).lines(&[reading]).unwrap_err();
        assert!(error.to_string().contains("has a spectrum"), "{error:?}");
    }

    #[test]
    fn spectra_are_columns_and_all_must_have_the_same_wavelengths() {
        let with = |sequence: u64, spectrum: &str| -> Reading {
            let text = format!(
                r#"{{"sequence":{sequence},"meter":"m","at":"2026-11-25T18:00:00Z","t_s":1,"began_s":0,"boot":"b",
                "luminance_cd_m2":1,"observer":"1964-10","flags":[]{spectrum}}}"#
            );
            serde_json::from_str(&text).unwrap()
        };
        let by_tenths = r#","spectrum":{"start_nm":380,"step_nm":0.1,"values":[1,2.5,-3e-9,4]}"#;
        let mut table = Table::new(true);
        let lines = String::from_utf8(table.lines(&[with(1, by_tenths), with(2, "")]).unwrap()).unwrap();
        let lines: Vec<&str> = lines.lines().collect();
        assert!(lines[0].ends_with(",correction,runs,380 nm,380.1 nm,380.2 nm,380.3 nm"), "{lines:?}");
        assert!(
            lines[1].ends_with(",1964-10,,,,1.0,2.5,-3e-9,4.0") && lines[2].ends_with(",1964-10,,,,,,,"),
            "{lines:?}"
        );
        let others = r#","spectrum":{"start_nm":400,"step_nm":5,"values":[1,2]}"#;
        let error = table.lines(&[with(3, by_tenths), with(4, others)]).unwrap_err();
        let words = error.to_string();
        assert!(
            words.contains("reading 4 goes from 400 to 405 nm by 5 nm") && words.contains("380 to 380.3 nm"),
            "{words}"
        );
    }
}
