//! Reads the exchange text of CGATS.17 and ISO 28178, a line at a time: what it says of a table, then its rows.
//!
//! It takes files of other programs too. Fields and keywords that it doesn't know are kept, and cost nothing. A set stands on one line.

use std::borrow::Cow;
use std::io::BufRead;

use settled_protocol::quantity::Light;
use settled_protocol::reading::Reading;
use settled_protocol::spectrum::Spectrum;

use super::super::{Mistake, named};

/// Longest line, in bytes: a set of 4096 values has a tenth of it.
const LONGEST_LINE: u64 = 1 << 20;

/// Fields of a table: a spectrum's, and some.
const MOST_FIELDS: usize = 5000;

/// Where a reader is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Place {
    /// Nothing has come.
    Begin,
    /// Among keywords.
    Header,
    /// Among the names of fields.
    Names,
    /// Among sets.
    Sets,
}

/// A reader that is given a file line by line.
#[derive(Debug)]
pub struct Reader {
    place: Place,
    keywords: Vec<(String, String)>,
    fields: Vec<String>,
    /// What NUMBER_OF_FIELDS and NUMBER_OF_SETS say.
    promised: (Option<usize>, Option<u64>),
    sets: u64,
    /// A table has ended, and nothing of the next has come.
    is_over: bool,
}

/// A set: a row of a table.
#[derive(Debug)]
pub struct Set<'a> {
    reader: &'a Reader,
    values: Vec<Cow<'a, str>>,
}

impl Set<'_> {
    /// What it has in a field of this name.
    #[must_use]
    pub fn field(&self, name: &str) -> Option<&str> {
        let index = self.reader.fields.iter().position(|field| field == name)?;
        self.values.get(index).map(AsRef::as_ref)
    }

    /// The number that it has there, if it is one.
    ///
    /// # Errors
    /// Words on what is there instead.
    pub fn number(&self, name: &str) -> Result<Option<f64>, String> {
        self.field(name).map(|text| finite(name, text)).transpose()
    }

    /// What its table's header says under this keyword.
    #[must_use]
    pub fn keyword(&self, name: &str) -> Option<&str> {
        let known = self.reader.keywords.iter().rev().find(|(keyword, _)| keyword == name);
        known.map(|(_, value)| value.as_str())
    }

    /// The reading that it is, if it was written here.
    ///
    /// # Errors
    /// Words on what it lacks, or what is wrong with it.
    pub fn reading(&self) -> Result<Reading, String> {
        const NAMES: [(&str, &str); 13] = [
            ("SAMPLE_ID", "sequence"),
            ("SAMPLE_NAME", "meter"),
            ("XYZ_X", "X"),
            ("XYZ_Y", "Y"),
            ("XYZ_Z", "Z"),
            ("XYY_CAPY", "Y"),
            ("TIME_UTC", "at"),
            ("T_S", "t_s"),
            ("BEGAN_S", "began_s"),
            ("BOOT", "boot"),
            ("INTEGRATION_S", "integration_s"),
            ("TEMPERATURE_C", "temperature_c"),
            ("FLAGS", "flags"),
        ];
        const MORE: [(&str, &str); 2] = [("CORRECTION", "correction"), ("RUNS", "runs")];
        const SAID: [(&str, &str); 3] =
            [("LIGHT_UNIT", "unit"), ("OBSERVER", "observer"), ("BANDWIDTH_NM", "bandwidth_nm")];
        let fields = NAMES.into_iter().chain(MORE).filter_map(|(ours, name)| Some((name, self.field(ours)?)));
        let said = SAID.into_iter().filter_map(|(ours, name)| Some((name, self.keyword(ours)?)));
        let mut reading = named::reading(fields.chain(said), self.spectrum()?)?;
        if let Some(xyz) = reading.light.xyz().filter(|_| self.tells_colour()) {
            reading.light = Light::colour(reading.light.photometric(), xyz);
        }
        Ok(reading)
    }

    /// Whether its X, Y and Z are those of a colour; they are unless it says that there was too little light for one.
    #[must_use]
    pub fn tells_colour(&self) -> bool {
        self.field(super::COLOUR) != Some("no")
    }

    fn spectrum(&self) -> Result<Option<Spectrum>, String> {
        let numbers = ["SPECTRAL_START_NM", "SPECTRAL_STEP_NM"]
            .map(|name| self.keyword(name).map(|text| finite(name, text)).transpose());
        let [Some(start_nm), Some(step_nm)] = [numbers[0].clone()?, numbers[1].clone()?] else {
            return Ok(None);
        };
        let columns = self.reader.fields.iter().zip(&self.values);
        let values = columns.filter(|(name, _)| {
            name.strip_prefix("SPECTRAL_").is_some_and(|nm| nm.starts_with(|c: char| c.is_ascii_digit()))
        });
        let values: Result<Vec<f64>, String> = values.map(|(name, text)| finite(name, text)).collect();
        Spectrum::new(start_nm, step_nm, values?).map(Some).map_err(|error| error.to_string())
    }
}

/// A finite number of the format: a decimal point, perhaps a sign and a power of ten.
fn finite(name: &str, text: &str) -> Result<f64, String> {
    let plain = text.bytes().all(|byte| byte.is_ascii_digit() || b"+-.eE".contains(&byte));
    let value = text.parse().ok().filter(|value: &f64| plain && value.is_finite());
    value.ok_or_else(|| format!("{name} must be a number, not {text:?}"))
}

impl Default for Reader {
    fn default() -> Self {
        Self {
            place: Place::Begin,
            keywords: Vec::new(),
            fields: Vec::new(),
            promised: (None, None),
            sets: 0,
            is_over: false,
        }
    }
}

impl Reader {
    /// Whether a first line is that of such a file: one word, which names the standard.
    #[must_use]
    pub fn recognises(line: &str) -> bool {
        let word = line.trim();
        ["CGATS", "ISO28178", "IT8"].iter().any(|name| word.starts_with(name))
            && !word.contains([',', ';', ' ', '\t'])
    }

    /// Takes a line; gives the set that it is, if it is one.
    ///
    /// # Errors
    /// Words on what is wrong with it.
    pub fn line<'a>(&'a mut self, line: &'a str) -> Result<Option<Set<'a>>, String> {
        let tokens = tokens(line)?;
        let Some(first) = tokens.first() else { return Ok(None) };
        match (self.place, first.as_ref()) {
            (Place::Begin, _) => {
                self.place = Place::Header;
                if tokens.len() > 1 {
                    self.keyword(&tokens)?;
                }
            }
            (Place::Header, "BEGIN_DATA_FORMAT") => {
                self.leave_the_last();
                self.fields.clear();
                self.place = Place::Names;
                self.names(&tokens[1..])?;
            }
            (Place::Header, "BEGIN_DATA") => self.begin_sets(tokens.len())?,
            (Place::Header, _) => self.keyword(&tokens)?,
            (Place::Names, _) => self.names(&tokens)?,
            (Place::Sets, "END_DATA") if tokens.len() == 1 => self.end_sets()?,
            (Place::Sets, _) => {
                if tokens.len() != self.fields.len() {
                    let (found, expected) = (tokens.len(), self.fields.len());
                    return Err(format!("a set of {found} values, where there are {expected} fields"));
                }
                self.sets += 1;
                if self.promised.1.is_some_and(|promised| self.sets > promised) {
                    return Err(format!("there are more sets than NUMBER_OF_SETS says, {}", self.sets - 1));
                }
                return Ok(Some(Set { reader: self, values: tokens }));
            }
        }
        Ok(None)
    }

    /// Whether the file may end here.
    ///
    /// # Errors
    /// Words on what is missing.
    pub fn end(&self) -> Result<(), String> {
        match self.place {
            Place::Begin => Err("there is nothing in it".to_owned()),
            Place::Header => Ok(()),
            Place::Names => Err("END_DATA_FORMAT is missing".to_owned()),
            Place::Sets => Err("END_DATA is missing: the file was cut off".to_owned()),
        }
    }

    fn keyword(&mut self, tokens: &[Cow<'_, str>]) -> Result<(), String> {
        let (name, value) = (tokens[0].as_ref(), tokens.get(1).map(AsRef::as_ref).unwrap_or_default());
        let count = || value.parse().map_err(|_| format!("{name} must be a whole number, not {value:?}"));
        self.leave_the_last();
        if name == "NUMBER_OF_SETS" && self.promised.1.is_some() {
            return Err("NUMBER_OF_SETS is there twice".to_owned());
        }
        match name {
            "NUMBER_OF_FIELDS" => self.promised.0 = Some(usize::try_from(count()?).unwrap_or(usize::MAX)),
            "NUMBER_OF_SETS" => self.promised.1 = Some(count()?),
            "END_DATA" | "END_DATA_FORMAT" => return Err(format!("{name} without its beginning")),
            "KEYWORD" => {}
            _ => self.keywords.push((name.to_owned(), value.to_owned())),
        }
        Ok(())
    }

    /// A table's keywords are its own: what was said of the one before doesn't hold for it.
    fn leave_the_last(&mut self) {
        if std::mem::take(&mut self.is_over) {
            self.keywords.clear();
            self.promised.1 = None;
        }
    }

    fn names(&mut self, tokens: &[Cow<'_, str>]) -> Result<(), String> {
        for token in tokens {
            if token == "END_DATA_FORMAT" {
                self.place = Place::Header;
                let (found, promised) = (self.fields.len(), self.promised.0);
                return match promised.filter(|promised| *promised != found) {
                    Some(promised) => Err(format!("{found} fields, where NUMBER_OF_FIELDS says {promised}")),
                    None => Ok(()),
                };
            }
            if self.fields.iter().any(|field| field == token.as_ref()) {
                return Err(format!("the field {token} is there twice"));
            }
            if self.fields.len() == MOST_FIELDS {
                return Err(format!("more than {MOST_FIELDS} fields"));
            }
            self.fields.push(token.to_string());
        }
        Ok(())
    }

    fn begin_sets(&mut self, tokens: usize) -> Result<(), String> {
        if tokens > 1 {
            return Err("BEGIN_DATA must stand alone on its line".to_owned());
        }
        if self.fields.is_empty() {
            return Err("BEGIN_DATA comes before any field was named".to_owned());
        }
        self.leave_the_last();
        self.sets = 0;
        self.place = Place::Sets;
        Ok(())
    }

    fn end_sets(&mut self) -> Result<(), String> {
        self.place = Place::Header;
        self.is_over = true;
        match self.promised.1.filter(|promised| *promised != self.sets) {
            Some(promised) => Err(format!("{} sets, where NUMBER_OF_SETS says {promised}", self.sets)),
            None => Ok(()),
        }
    }
}

/// The tokens of a line, a comment left out.
fn tokens(line: &str) -> Result<Vec<Cow<'_, str>>, String> {
    let mut tokens = Vec::new();
    let mut rest = line.trim_start();
    while !rest.is_empty() && !rest.starts_with('#') {
        let Some(inner) = rest.strip_prefix('"') else {
            let end = rest.find(|c: char| c.is_whitespace() || c == '#').unwrap_or(rest.len());
            tokens.push(Cow::Borrowed(&rest[..end]));
            rest = rest[end..].trim_start();
            continue;
        };
        let (token, after) = quoted(inner).ok_or("a quote is not closed")?;
        if !after.is_empty() && !after.starts_with(char::is_whitespace) {
            return Err("a quote ends in the middle of a word".to_owned());
        }
        tokens.push(token);
        rest = after.trim_start();
    }
    Ok(tokens)
}

/// What is within quotes, doubled ones made one, and what comes after them.
fn quoted(inner: &str) -> Option<(Cow<'_, str>, &str)> {
    let mut from = 0;
    loop {
        let end = from + inner.get(from..)?.find('"')?;
        let after = &inner[end + 1..];
        if after.starts_with('"') {
            from = end + 2;
            continue;
        }
        let token = &inner[..end];
        let token =
            if token.contains('"') { Cow::Owned(token.replace("\"\"", "\"")) } else { Cow::Borrowed(token) };
        return Some((token, after));
    }
}

/// Reads a file that was written here, a reading a set.
///
/// # Errors
/// Each item may be a [`Mistake`]: the first that is ends it.
pub fn read(mut source: impl BufRead) -> impl Iterator<Item = Result<Reading, Mistake>> {
    let (mut reader, mut line, mut number, mut over) = (Reader::default(), String::new(), 0, false);
    std::iter::from_fn(move || {
        while !over {
            line.clear();
            number += 1;
            let step = std::io::Read::take(&mut source, LONGEST_LINE).read_line(&mut line);
            let outcome = match step {
                Err(error) => Err(error.to_string()),
                Ok(0) => {
                    over = true;
                    reader.end().map(|()| None)
                }
                Ok(_) if line.len() as u64 == LONGEST_LINE => Err("the line is too long".to_owned()),
                Ok(_) => reader.line(&line).and_then(|set| set.map(|set| set.reading()).transpose()),
            };
            match outcome {
                Ok(None) => {}
                Ok(Some(reading)) => return Some(Ok(reading)),
                Err(words) => {
                    over = true;
                    return Some(Err(Mistake { line: number, words }));
                }
            }
        }
        None
    })
}
