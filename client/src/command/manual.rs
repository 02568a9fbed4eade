//! `settle completions` and `settle man`.

use clap_complete::Shell;

use super::{Exit, Failure};
use crate::output::Output;

pub(super) fn completions(output: Output, mut command: clap::Command, shell: Shell) -> Result<Exit, Failure> {
    let mut script = Vec::new();
    clap_complete::generate(shell, &mut command, "settle", &mut script);
    output.raw(&script)?;
    Ok(Exit::Done)
}

/// One page for everything: the command itself, then each of its commands.
pub(super) fn page(output: Output, mut command: clap::Command) -> Result<Exit, Failure> {
    command.build();
    let mut page = Vec::new();
    clap_mangen::Man::new(command.clone()).render(&mut page)?;
    for sub in command.get_subcommands().filter(|sub| sub.get_name() != "help") {
        let man = clap_mangen::Man::new(sub.clone());
        page.extend(format!(".SH SETTLE {}\n", sub.get_name().to_uppercase()).into_bytes());
        man.render_synopsis_section(&mut page)?;
        man.render_description_section(&mut page)?;
        man.render_options_section(&mut page)?;
    }
    output.raw(&page)?;
    Ok(Exit::Done)
}
