//! A record read back from its file.

use std::fmt;
use std::path::{Path, PathBuf};

use serde::Deserialize;
use serde::de::DeserializeOwned;
use serde_json::error::Category;

use super::{Entry, Header, Record};

mod one_line;

/// The version of the file's form that is read and written here.
pub const FORM: u32 = 1;

/// A record, and what became of its last line.
#[derive(Clone, Debug, PartialEq)]
pub struct Loaded {
    /// What was measured.
    pub record: Record,
    /// How many of the file's bytes are whole lines: what is behind them was cut off, and whoever goes on writing begins there.
    pub whole: usize,
    /// The number of the line that was cut off, and dropped; from 1.
    pub torn: Option<usize>,
}

/// A record could not be read.
#[derive(Debug)]
pub enum ReadError {
    /// The file could not be opened or read.
    File {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// What is in it is no record.
    Text {
        /// Which.
        path: PathBuf,
        /// Where and why.
        source: Mistake,
    },
}

/// A line that doesn't belong into a record.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mistake {
    /// Its number, from 1.
    pub line: usize,
    /// The member that is wrong, as a path from the line's object; empty where it is the line as a whole.
    pub member: String,
    /// What is wrong with it.
    pub why: String,
}

impl fmt::Display for ReadError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::File { path, .. } | Self::Text { path, .. } => write!(f, "reading {}", path.display()),
        }
    }
}

impl std::error::Error for ReadError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::File { source, .. } => Some(source),
            Self::Text { source, .. } => Some(source),
        }
    }
}

impl fmt::Display for Mistake {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { line, member, why } = self;
        if member.is_empty() {
            write!(f, "line {line}: {why}")
        } else {
            write!(f, "line {line}: {member}: {why}")
        }
    }
}

impl std::error::Error for Mistake {}

impl Loaded {
    /// Reads a file.
    ///
    /// # Errors
    /// [`ReadError`], with the line and the member of the first mistake.
    pub fn read(path: &Path) -> Result<Self, ReadError> {
        let bytes =
            std::fs::read(path).map_err(|source| ReadError::File { path: path.to_owned(), source })?;
        Self::of(&bytes).map_err(|source| ReadError::Text { path: path.to_owned(), source })
    }

    /// Of what is in a file. A line is written with its end, so that one without was cut off: it is dropped.
    ///
    /// # Errors
    /// The first [`Mistake`]; also where there is no header.
    pub fn of(bytes: &[u8]) -> Result<Self, Mistake> {
        let whole = bytes.iter().rposition(|byte| *byte == b'\n').map_or(0, |end| end + 1);
        let (lines, rest) = bytes.split_at(whole);
        let mut header = None;
        let mut entries = Vec::new();
        let mut count = 0;
        for line in lines.split_inclusive(|byte| *byte == b'\n') {
            count += 1;
            let line = line.trim_ascii();
            match header {
                _ if line.is_empty() => {}
                None => header = Some(header_of(count, line)?),
                Some(_) => entries.push(entry_of(count, line)?),
            }
        }
        let torn = (!rest.is_empty()).then_some(count + 1);
        let header =
            header.ok_or_else(|| whole_line(1, "the header is missing: this is no record of a review"))?;
        Ok(Self { record: Record { header, entries }, whole, torn })
    }
}

impl Record {
    /// Reads a file; a last line that was cut off is dropped, and a note of that stands in its place.
    ///
    /// # Errors
    /// [`ReadError`], with the line and the member of the first mistake.
    pub fn read(path: &Path) -> Result<Self, ReadError> {
        let Loaded { mut record, torn, .. } = Loaded::read(path)?;
        if let Some(line) = torn {
            let at = record.entries.last().map_or(record.header.began, Entry::at);
            let words = format!("line {line} of the file was cut off, and is left out");
            record.entries.push(Entry::Note { at, words });
        }
        Ok(record)
    }
}

fn whole_line(line: usize, why: &str) -> Mistake {
    Mistake { line, member: String::new(), why: why.to_owned() }
}

fn header_of(number: usize, line: &[u8]) -> Result<Header, Mistake> {
    #[derive(Deserialize)]
    struct Form {
        review: Option<u32>,
    }
    match parsed::<Form>(number, line)?.review {
        None => Err(whole_line(number, "there is no member review: this is no record of a review")),
        Some(FORM) => parsed(number, line),
        Some(form) => Err(Mistake {
            line: number,
            member: "review".to_owned(),
            why: format!("the file is of form {form}, and this settle reads form {FORM}"),
        }),
    }
}

/// The kind is looked at first: where a kind is chosen by a member, the path of a mistake is lost.
fn entry_of(number: usize, line: &[u8]) -> Result<Entry, Mistake> {
    #[derive(Deserialize)]
    struct Kind {
        entry: String,
    }
    match parsed::<Kind>(number, line)?.entry.as_str() {
        "patch" => parsed(number, line).map(|patch| Entry::Patch(Box::new(patch))),
        "course" => parsed(number, line).map(Entry::Course),
        "shown" => parsed(number, line).map(Entry::Shown),
        _ => parsed(number, line),
    }
}

fn parsed<T: DeserializeOwned>(number: usize, line: &[u8]) -> Result<T, Mistake> {
    if !line.starts_with(b"{") {
        return Err(whole_line(number, NO_OBJECT));
    }
    let mut json = serde_json::Deserializer::from_slice(line);
    let value = serde_path_to_error::deserialize(&mut json).map_err(|error| {
        let member = Some(error.path().to_string()).filter(|path| path != ".").unwrap_or_default();
        Mistake { line: number, member, why: without_position(error.inner()) }
    })?;
    json.end().map_err(|error| whole_line(number, &without_position(&error)))?;
    match one_line::tamed(line) {
        None => Ok(value),
        Some(tamed) => {
            serde_json::from_value(tamed).map_err(|error| whole_line(number, &without_position(&error)))
        }
    }
}

/// Of what is no JSON, or not an object.
const NO_OBJECT: &str = "this isn't written as lines of a record are: JSON, an object a line";

/// What is wrong, with the column, but without the line, which to the parser is always the first.
fn without_position(error: &serde_json::Error) -> String {
    let text = error.to_string();
    let (words, column) = match text.rsplit_once(" at line 1 column ") {
        Some((words, column)) => (words, format!(" (column {column})")),
        None => (text.as_str(), String::new()),
    };
    let plain = match error.classify() {
        Category::Data => plain(words),
        Category::Io | Category::Syntax | Category::Eof => NO_OBJECT.to_owned(),
    };
    format!("{plain}{column}")
}

/// The parser's words for a value that doesn't belong there, in those of whoever looks into a file.
fn plain(words: &str) -> String {
    if let Some(member) = words.strip_prefix("missing field `").and_then(|rest| rest.strip_suffix('`')) {
        return format!("{member} is missing");
    }
    let Some((found, expected)) =
        words.strip_prefix("invalid type: ").and_then(|rest| rest.split_once(", expected "))
    else {
        return words.to_owned();
    };
    let found = match found {
        "map" => "an object",
        "sequence" => "a list",
        other => other,
    };
    let expected = match expected {
        "f64" => "a number",
        "u8" | "u16" | "u32" | "u64" | "usize" => "a whole number",
        "a string" => "text",
        list if list.starts_with("a sequence") || list.starts_with("an array") => "a list",
        object if object.starts_with("struct ") || object.starts_with("internally tagged enum") => {
            "an object"
        }
        other => other,
    };
    format!("expected {expected}, found {found}")
}

#[cfg(test)]
mod tests;
