//! `settle review`: a display taken through a plan of stimuli.

use std::path::Path;

use clap::Subcommand;

use super::{Context, Exit, Failure};
use crate::review::record::Record;

mod book;
mod compare;
mod ended;
mod journey;
mod layout;
mod looking;
mod plans;
mod progress;
mod run;
mod show;
mod signs;
mod standing;
mod stimuli;

#[derive(Debug, Subcommand)]
pub(super) enum Options {
    /// Show a plan's stimuli one after the other, wait for each until it has settled, and write what was measured to a file.
    ///
    /// Each stimulus is on the disk before the next is shown. Whatever ends it (Ctrl-C, a power cut), the same command goes on
    /// where it stopped; a plan that has changed since is refused, with what differs. The meter is leased for the whole of it. If
    /// the daemon goes, it waits for it to come back.
    ///
    /// With --json progress goes to standard error, one object a line: {"progress":{"set":…,"sequence":…,"step":…,"patch":…,"number":…,"of":…,
    /// "left_s":…}} before each stimulus, {"measured":{…}} after it, {"caution":{"message":…}}, {"prompt":{"message":…}} where somebody
    /// must do something, {"rest":{"set":…,"sequence":…,"for_s":…}} before what is held, {"daemon":{"state":"lost"}} and "back"; and {"review":{"file":…,"measured":…,"settled":…,"left":…}} at the end to standard output.
    ///
    /// Exit status: 0 all of it is measured, whether it settled or not; 1 it could not go on; 2 a mistake on the command line, in the
    /// plan, or another plan than the file's; 130 Ctrl-C, SIGTERM or SIGHUP, and what was measured is kept.
    Run(Box<run::Options>),
    /// The plans that come along; with a name, that plan as it is written: a beginning for one's own. With a file, what it would do and how long that
    /// takes, and nothing is shown or measured; or all of its mistakes, with line and column.
    ///
    /// With --json and a file: {"plan":{"title":…,"stimuli":…,"expected_s":…,"sets":[{"name":…,"coding":…,"aim":…,"sequences":[{"name":…,"kind":…,"stimuli":…,
    /// "expected_s":…}]}],"consents":[…]}}. Exit status: 2 where the plan has mistakes.
    Plans(plans::Options),
    /// What a review comes to: verdicts, figures with their intervals, and what they rest on.
    ///
    /// Intervals are of 95 %, and where several figures are judged together of 99 % for all of them at once; verdicts are by 99 % throughout.
    ///
    /// within, beyond: a figure's whole interval is on that side of the tolerance; undecided: the interval holds the tolerance, and the
    /// readings can't tell; told: there is no tolerance.
    Show(show::Options),
    /// Two reviews side by side, of two displays, or of one before and after: what got better or worse beyond uncertainty.
    Compare(compare::Options),
    /// Write a plan's stimuli to files, for a player or a media file, with an index of them.
    ///
    /// The folder is made, and complete or not there at all. It has a folder for each set and sequence, and index.csv: a line for
    /// each stimulus in the order that settle review run asks for them, with its file, its code values as planned, where the window is, what the
    /// file's values mean (ITU-T H.273), and the values themselves. STIMULI.md says more, and what to mind.
    ///
    /// With --json: {"stimuli":{"folder":…,"index":…,"stimuli":…,"files":…,"inexact":…}} at the end.
    ///
    /// Exit status: 0 all is written; 1 it could not be; 2 a mistake on the command line or in the plan; 130 Ctrl-C, and nothing is left.
    Stimuli(stimuli::Options),
}

pub(super) async fn run(context: &Context, options: Options) -> Result<Exit, Failure> {
    match options {
        Options::Run(options) => run::run(context, *options).await,
        Options::Plans(options) => plans::run(context.output, &options),
        Options::Show(options) => show::run(context.output, &options),
        Options::Compare(options) => compare::run(context.output, &options),
        Options::Stimuli(options) => stimuli::run(context, options).await,
    }
}

/// Reads a record, with what is wrong with it in words.
fn read(path: &Path) -> Result<Record, Failure> {
    Record::read(path).map_err(|error| Failure::Input(settled_drivers::fault::chain(&error)))
}
