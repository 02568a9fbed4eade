//! The figures of a sequence, whichever kind it is of.

use serde::{Deserialize, Serialize};

use super::{Figures, Finding, Scene, Table};
use crate::review::plan::{Sequence, Set};
use crate::review::record::Record;

/// Figures of one kind.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "of", rename_all = "snake_case")]
pub enum Part {}

impl Part {
    /// Every kind of figures that a sequence has, as far as they could be measured.
    #[must_use]
    pub fn of(_scene: &Scene, _record: &Record, _set: &Set, _sequence: &Sequence) -> Vec<Self> {
        Vec::new()
    }

    fn figures(&self) -> &dyn Figures {
        match *self {}
    }

    /// In words.
    #[must_use]
    pub fn verdicts(&self) -> Vec<Finding> {
        self.figures().verdicts()
    }

    /// As tables.
    #[must_use]
    pub fn tables(&self) -> Vec<Table> {
        self.figures().tables()
    }
}
