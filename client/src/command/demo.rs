//! `settle demo`.
use clap::Args;

use super::{Exit, Failure};
use crate::output::Output;

#[derive(Debug, Args)]
pub(super) struct Options {}

pub(super) async fn run(_output: Output, _options: &Options) -> Result<Exit, Failure> {
    Ok(Exit::Done)
}
