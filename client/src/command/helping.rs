//! `settle help` of a command that there isn't: what was probably meant, as everywhere else.

use std::ffi::OsString;

use clap::Command;
use clap::error::{ContextKind, ContextValue, ErrorKind};
use settled_drivers::nearest::nearest;

/// Adds it to the error, where that says nothing of it.
pub(super) fn suggest(error: &mut clap::Error, words: &[OsString], command: &Command) {
    let is_known = error.get(ContextKind::SuggestedSubcommand).is_some();
    if error.kind() != ErrorKind::InvalidSubcommand || is_known {
        return;
    }
    if let Some(meant) = meant(words, command) {
        let meant = ContextValue::Strings(vec![meant.to_owned()]);
        error.insert(ContextKind::SuggestedSubcommand, meant);
    }
}

/// The command that was meant by the first word behind `help` that is none. What stands before `help` says whose commands are asked for.
fn meant<'a>(words: &[OsString], mut command: &'a Command) -> Option<&'a str> {
    let typed = words.iter().skip(1).filter_map(|word| word.to_str()).filter(|word| !word.starts_with('-'));
    let mut is_behind = false;
    for word in typed {
        if !is_behind && word == "help" {
            is_behind = true;
        } else if let Some(known) = command.find_subcommand(word) {
            command = known;
        } else if is_behind {
            let known: Vec<&str> = command
                .get_subcommands()
                .filter(|known| !known.is_hide_set())
                .map(Command::get_name)
                .collect();
            return nearest(word, &known);
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use clap::{CommandFactory, Parser};

    use super::super::Arguments;
    use super::*;

    fn said(line: &str) -> String {
        let words: Vec<OsString> = line.split(' ').map(OsString::from).collect();
        let mut error = Arguments::try_parse_from(&words).unwrap_err();
        suggest(&mut error, &words, &Arguments::command());
        error.to_string()
    }

    #[test]
    fn help_of_a_command_that_there_is_not_says_which_was_probably_meant() {
        for (line, meant) in [
            ("settle help raed", "'read'"),
            ("settle --json help raed", "'read'"),
            ("settle help log plto", "'plot'"),
            ("settle log help plto", "'plot'"),
            ("settle review help runs", "'run'"),
            ("settle review help shwo", "'show'"),
            ("settle raed", "'read'"),
        ] {
            assert!(said(line).contains(&format!("similar subcommand exists: {meant}")), "{}", said(line));
        }
        assert!(!said("settle help xyzzy").contains("similar"), "{}", said("settle help xyzzy"));
    }
}
