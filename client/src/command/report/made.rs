//! What is reported, in every form but that of its files.

use std::path::Path;

use crate::chart;
use crate::command::Failure;
use crate::report::rows::{self, Row};
use crate::report::{Document, comparison, review};
use crate::review::compare::Comparison;
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
        let record = read(path)?;
        let evaluation = Evaluation::of(&record);
        let figures = serde_json::to_value(&evaluation).map_err(std::io::Error::from)?;
        Ok(Self {
            document: review::document(&record, &evaluation).map_err(undrawn)?.with_names_apart(),
            figures,
            rows: rows::of_review(&evaluation),
        })
    }

    /// Of two such records, the second held against the first.
    pub(super) fn of_two(a: &Path, b: &Path) -> Result<Self, Failure> {
        let [a, b] = [read(a)?, read(b)?];
        let (comparison, evaluations) = Comparison::with_evaluations(&a, &b);
        Ok(Self {
            document: comparison::document([&a, &b], &comparison, &evaluations)
                .map_err(undrawn)?
                .with_names_apart(),
            figures: serde_json::to_value(&comparison).map_err(std::io::Error::from)?,
            rows: comparison::rows(&comparison),
        })
    }
}

fn read(path: &Path) -> Result<Record, Failure> {
    Record::read(path).map_err(|error| Failure::Input(settled_drivers::fault::chain(&error)))
}

/// Why there is no picture.
pub(super) fn undrawn(error: chart::Error) -> Failure {
    Failure::Input(settled_drivers::fault::chain(&error))
}
