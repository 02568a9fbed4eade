//! Lines out of a file or standard input, and the records that they are. A line is read into one buffer that is used again and
//! again; nothing is kept of lines that are over.

use std::fs::{File, Metadata};
use std::io::{BufRead, BufReader, Read};

use super::super::Failure;
use super::mistake::Mistake;
use super::record::Record;
use super::table::Table;
use super::{exchanged, flat, record};
use crate::exchange::cgats;

/// Longest line, in bytes.
const LONGEST_LINE: usize = 1 << 20;

/// What is read at once, in bytes.
const CHUNK: usize = 1 << 17;

/// How lines are to be read.
enum Form {
    /// Not known before there is a line.
    Unknown,
    Json,
    Table(Table),
    Exchange(Box<cgats::Reader>),
}

/// A file, or standard input, that is being read.
pub(super) struct Input<'a> {
    source: BufReader<Box<dyn Read + 'a>>,
    name: &'a str,
    form: Form,
    line: Vec<u8>,
    number: u64,
    /// Bytes that were read, and those that the file has, if it is one that ends.
    read: u64,
    size: Option<u64>,
}

/// What a line came to, and its number.
pub(super) type Numbered<'a> = (u64, Result<Record<'a>, Mistake>);

impl<'a> Input<'a> {
    /// Opens a file; - is standard input.
    pub(super) fn open(name: &'a str) -> Result<Self, Failure> {
        if name == "-" {
            return Ok(Self::new(Box::new(std::io::stdin().lock()), "standard input"));
        }
        let file = File::open(name).map_err(|error| Failure::Input(format!("{name}: {error}")))?;
        let size = file.metadata().ok().filter(Metadata::is_file).map(|file| file.len());
        Ok(Self { size, ..Self::new(Box::new(file), name) })
    }

    pub(super) fn new(source: Box<dyn Read + 'a>, name: &'a str) -> Self {
        let source = BufReader::with_capacity(CHUNK, source);
        Self { source, name, form: Form::Unknown, line: Vec::new(), number: 0, read: 0, size: None }
    }

    /// The share of it that was read, where it is known how much there is.
    #[expect(clippy::cast_precision_loss, reason = "a share, for people")]
    pub(super) fn share(&self) -> Option<f64> {
        self.size.filter(|size| *size > 0).map(|size| self.read as f64 / size as f64)
    }

    /// What it is called in messages.
    pub(super) fn name(&self) -> &'a str {
        self.name
    }

    /// The next record or mistake, until there are no more lines. An error means that nothing can be made of the rest.
    pub(super) fn next(&mut self) -> Result<Option<Numbered<'_>>, Failure> {
        loop {
            if !self.read_line()? {
                return Ok(self.cut_off());
            }
            if self.line.trim_ascii().is_empty() {
                continue;
            }
            if matches!(self.form, Form::Unknown) {
                self.recognise()?;
                if matches!(self.form, Form::Table(_)) {
                    continue;
                }
            }
            if let Form::Exchange(reader) = &mut self.form {
                match exchanged::record(reader, &self.line) {
                    Ok(None) => continue,
                    Ok(Some(record)) => return Ok(Some((self.number, Ok(record)))),
                    Err(mistake) => return Ok(Some((self.number, Err(mistake)))),
                }
            }
            break;
        }
        let record = if self.line.len() > LONGEST_LINE {
            Err(Mistake::TooLong(LONGEST_LINE))
        } else {
            match &self.form {
                Form::Table(table) => table.row(&self.line),
                Form::Json | Form::Unknown | Form::Exchange(_) => {
                    flat::json(&self.line).map_or_else(|| record::json(&self.line), Ok)
                }
            }
        };
        Ok(Some((self.number, record)))
    }

    /// That an exchange text ends before its last table does, said once.
    fn cut_off(&mut self) -> Option<Numbered<'static>> {
        let Form::Exchange(reader) = &self.form else { return None };
        let words = reader.end().err()?;
        self.form = Form::Json;
        Some((self.number, Err(Mistake::Exchange(words))))
    }

    /// Reads the next line, its end included; of one that is too long no more than shows that. Whether there was one.
    fn read_line(&mut self) -> Result<bool, Failure> {
        self.line.clear();
        let most = LONGEST_LINE as u64 + 1;
        let name = self.name;
        let failed = |error: std::io::Error| Failure::Input(format!("reading {name}: {error}"));
        let read = self.source.by_ref().take(most).read_until(b'\n', &mut self.line).map_err(failed)?;
        self.number += 1;
        self.read += read as u64;
        if self.line.len() > LONGEST_LINE && self.line.last() != Some(&b'\n') {
            self.read += self.source.skip_until(b'\n').map_err(failed)? as u64;
        }
        if self.number == 1 && self.line.starts_with(b"\xef\xbb\xbf") {
            self.line.drain(..3);
        }
        Ok(read > 0)
    }

    /// Tells JSON from a table by the first line that isn't blank.
    fn recognise(&mut self) -> Result<(), Failure> {
        let here = |words: String| Failure::Input(format!("{}:{}: {words}", self.name, self.number));
        self.form = match self.line.trim_ascii_start().first() {
            Some(b'{') => Form::Json,
            Some(b'[') => {
                return Err(here(
                    "a JSON list; one object a line is expected (jq -c '.[]' makes that of it)".to_owned(),
                ));
            }
            _ if std::str::from_utf8(&self.line).is_ok_and(cgats::Reader::recognises) => {
                Form::Exchange(Box::default())
            }
            _ => Form::Table(Table::new(&self.line).map_err(here)?),
        };
        Ok(())
    }
}
