//! `settle review`: a display measured.

use std::path::Path;

use clap::Subcommand;

use super::{Exit, Failure};
use crate::output::Output;
use crate::review::record::Record;

mod compare;
mod layout;
mod show;
mod signs;

#[derive(Debug, Subcommand)]
pub(super) enum Options {
    /// What a review comes to: verdicts, figures with their 95 % intervals, and what they rest on.
    ///
    /// within, beyond: a figure's whole interval is on that side of the tolerance; undecided: the interval holds the tolerance, and the
    /// readings can't tell; told: there is no tolerance.
    Show(show::Options),
    /// Two reviews side by side, of two displays, or of one before and after: what got better or worse beyond uncertainty.
    Compare(compare::Options),
}

pub(super) fn run(output: Output, options: &Options) -> Result<Exit, Failure> {
    match options {
        Options::Show(options) => show::run(output, options),
        Options::Compare(options) => compare::run(output, options),
    }
}

/// Reads a record, with what is wrong with it in words.
fn read(path: &Path) -> Result<Record, Failure> {
    Record::read(path).map_err(|error| Failure::Input(settled_drivers::fault::chain(&error)))
}
