//! A recording, line by line, strictly read: a line that makes no sense is named, and nothing after it is believed. A last line
//! that is torn off is left out, as a daemon that is killed leaves one.

use std::fmt;
use std::io::BufRead;

use serde::Deserialize;

use super::line::{About, Entry, FORMAT, Header, LONGEST, Line, Note};
use super::text::{Next, next};

/// The most meters a recording may have: some more than a daemon may.
const MOST_METERS: usize = 256;

/// A recording that is being read.
#[derive(Debug)]
pub struct Reader<F> {
    file: F,
    number: u64,
    header: Header,
    meters: Vec<About>,
    /// The first line after those about meters.
    held: Option<Line>,
}

/// Why a file is no recording, or one only so far.
#[derive(Debug)]
pub enum ReadError {
    /// Reading failed.
    Io(std::io::Error),
    /// A line makes no sense.
    Line {
        /// Its number, from 1.
        number: u64,
        /// What is wrong with it.
        message: String,
    },
}

impl fmt::Display for ReadError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Io(error) => write!(f, "reading it: {error}"),
            Self::Line { number, message } => write!(f, "line {number}: {message}"),
        }
    }
}

impl std::error::Error for ReadError {}

/// What a line says of itself.
#[derive(Deserialize)]
struct Kind<'a> {
    #[serde(borrow)]
    what: std::borrow::Cow<'a, str>,
    format: Option<u32>,
}

/// Whether a file that begins with this line is a recording.
#[must_use]
pub fn is_recording(line: &[u8]) -> bool {
    serde_json::from_slice(line).is_ok_and(|kind: Kind<'_>| kind.what == "recording")
}

impl<F: BufRead> Reader<F> {
    /// Reads what the recording says of itself and of its meters.
    ///
    /// # Errors
    /// [`ReadError`] if it is no recording, or one of a later format.
    pub fn new(file: F) -> Result<Self, ReadError> {
        let header = Header { format: 0, daemon: String::new(), at: String::new(), clock_speed: 1.0 };
        let mut reader = Self { file, number: 0, header, meters: Vec::new(), held: None };
        match reader.line()? {
            Some(Line::Recording(header)) => reader.header = header,
            _ => return Err(reader.wrong("this is no recording")),
        }
        loop {
            match reader.line()? {
                Some(Line::Meter(about)) if reader.meters.len() < MOST_METERS => reader.meters.push(about),
                Some(Line::Meter(_)) => return Err(reader.wrong("there are too many meters")),
                held => {
                    reader.held = held;
                    return Ok(reader);
                }
            }
        }
    }

    /// What the recording is.
    #[must_use]
    pub fn header(&self) -> &Header {
        &self.header
    }

    /// The meters that it is of.
    #[must_use]
    pub fn meters(&self) -> &[About] {
        &self.meters
    }

    /// The next thing that happened; nothing at the end.
    ///
    /// # Errors
    /// [`ReadError`].
    pub fn next_happening(&mut self) -> Result<Option<Happening>, ReadError> {
        let held = self.held.take();
        let line = if held.is_some() { held } else { self.line()? };
        match line {
            None => Ok(None),
            Some(Line::Entry(entry)) if entry.t_s.is_finite() => Ok(Some(Happening::Entry(entry))),
            Some(Line::Note(note)) => Ok(Some(Happening::Note(note))),
            Some(_) => Err(self.wrong("this line does not belong here")),
        }
    }

    fn line(&mut self) -> Result<Option<Line>, ReadError> {
        self.number += 1;
        match next(&mut self.file, LONGEST).map_err(ReadError::Io)? {
            Next::End | Next::Torn(_) => Ok(None),
            Next::TooLong => Err(self.wrong("the line is too long")),
            Next::Line(line) => self.parsed(&line).map(Some),
        }
    }

    fn parsed(&self, line: &[u8]) -> Result<Line, ReadError> {
        let kind: Kind<'_> = serde_json::from_slice(line).map_err(|error| self.wrong(error))?;
        match (kind.what.as_ref(), kind.format) {
            ("recording", Some(format)) if format > FORMAT => {
                let message =
                    format!("the recording is of format {format}; formats up to {FORMAT} are known");
                Err(self.wrong(message))
            }
            ("recording" | "meter", _) => serde_json::from_slice(line).map_err(|error| self.wrong(error)),
            ("gap" | "end", _) => {
                serde_json::from_slice(line).map(Line::Note).map_err(|error| self.wrong(error))
            }
            _ => serde_json::from_slice(line).map(Line::Entry).map_err(|error| self.wrong(error)),
        }
    }

    fn wrong(&self, message: impl fmt::Display) -> ReadError {
        ReadError::Line { number: self.number, message: message.to_string() }
    }
}

/// Something that happened.
#[derive(Clone, Debug, PartialEq)]
pub enum Happening {
    /// To a meter.
    Entry(Entry),
    /// To the recording.
    Note(Note),
}
