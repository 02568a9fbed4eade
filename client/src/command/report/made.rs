//! What is reported, in every form but that of its files.

use std::path::Path;

use crate::command::Failure;
use crate::report::rows::{self, Row};
use crate::report::{Document, review};
use crate::review::evaluation::Evaluation;
use crate::review::record::Record;

/// A report, made.
#[derive(Debug)]
pub(super) struct Made {
    /// For people.
    pub(super) document: Document,
    /// All figures, as JSON.
    pub(super) figures: serde_json::Value,
    /// The same, one a line.
    pub(super) rows: Vec<Row>,
}

impl Made {
    /// Of a record that settle review run wrote.
    pub(super) fn of_review(path: &Path) -> Result<Self, Failure> {
        let record =
            Record::read(path).map_err(|error| Failure::Input(settled_drivers::fault::chain(&error)))?;
        let evaluation = Evaluation::of(&record);
        let figures = serde_json::to_value(&evaluation).map_err(std::io::Error::from)?;
        Ok(Self {
            document: review::document(&record, &evaluation)
                .map_err(|error| Failure::Input(settled_drivers::fault::chain(&error)))?,
            figures,
            rows: rows::of_review(&evaluation),
        })
    }
}
