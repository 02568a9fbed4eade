//! Readings on their way to other programs, and back: CSV, JSON lines, and the exchange text of CGATS.17 and ISO 28178.
//!
//! FORMATS.md describes them. Each is written page by page and read line by line, and what is read is what was written, to the last digit.

use std::fmt;

pub mod cgats;
pub mod csv;
mod named;

/// Readings that don't go into one file of a format, in words that say what to do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Misfit(pub(crate) String);

impl fmt::Display for Misfit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for Misfit {}

/// What is wrong with a file, and in which line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mistake {
    /// The line, from 1.
    pub line: u64,
    /// What is wrong.
    pub words: String,
}

impl fmt::Display for Mistake {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {}: {}", self.line, self.words)
    }
}

impl std::error::Error for Mistake {}
