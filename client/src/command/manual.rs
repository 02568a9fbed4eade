//! `settle completions` and `settle man`: a page for each command, or one page for all.

use std::path::{Path, PathBuf};

use clap::{Arg, ArgAction, Args};
use clap_complete::Shell;
use clap_mangen::Man;

use super::exit::statuses;
use super::{Exit, Failure};
use crate::output::Output;

/// What pages are of.
const SOURCE: &str = concat!("settle ", env!("CARGO_PKG_VERSION"));

#[derive(Debug, Args)]
pub(super) struct Options {
    /// A page for each command into this folder, settle.1, settle-read.1 and so on, instead of one page for all on standard output.
    /// Pages of settle's that are there already, of an earlier version say, are replaced; anything else of such a name is left, and
    /// nothing is written.
    #[arg(long, value_name = "FOLDER")]
    into: Option<PathBuf>,
}

pub(super) fn completions(output: Output, mut command: clap::Command, shell: Shell) -> Result<Exit, Failure> {
    let mut script = Vec::new();
    clap_complete::generate(shell, &mut command, "settle", &mut script);
    output.raw(&script)?;
    Ok(Exit::Done)
}

pub(super) fn run(output: Output, command: clap::Command, options: &Options) -> Result<Exit, Failure> {
    let mut command = command.disable_help_subcommand(true);
    command.build();
    let Some(folder) = &options.into else {
        output.raw(&whole(&command)?)?;
        return Ok(Exit::Done);
    };
    let failed = |path: &Path| {
        let path = path.display().to_string();
        move |error: std::io::Error| Failure::Input(format!("{path}: {error}"))
    };
    std::fs::create_dir_all(folder).map_err(failed(folder))?;
    let mut pages = Vec::new();
    for (words, command) in every(&command) {
        let file = folder.join(Man::new(command.clone()).get_filename());
        if !may_take_the_place_of(&file) {
            let words = "is there already, and no page of settle's: name another folder";
            return Err(Failure::Usage(format!("{} {words}", file.display())));
        }
        pages.push((file, page(&words, command)?));
    }
    for (file, page) in pages {
        std::fs::write(&file, page).map_err(failed(&file))?;
    }
    Ok(Exit::Done)
}

/// Whether a page may be written there: where nothing is, or a page of this program, of an earlier version say.
fn may_take_the_place_of(file: &Path) -> bool {
    let Ok(there) = file.symlink_metadata() else { return true };
    let is_ours =
        |text: String| text.lines().any(|line| line.starts_with(".TH settle") && line.contains("settled"));
    there.len() == 0 || std::fs::read_to_string(file).is_ok_and(is_ours)
}

/// A command, and its own commands, each with its words after `settle`.
fn every(command: &clap::Command) -> Vec<(Vec<&str>, &clap::Command)> {
    let mut found = vec![(Vec::new(), command)];
    let mut next = 0;
    while let Some((words, command)) = found.get(next).cloned() {
        for sub in command.get_subcommands().filter(|sub| !sub.is_hide_set()) {
            found.push(([words.as_slice(), &[sub.get_name()]].concat(), sub));
        }
        next += 1;
    }
    found
}

/// The page of one command.
fn page(words: &[&str], command: &clap::Command) -> std::io::Result<Vec<u8>> {
    let man = Man::new(command.clone()).source(SOURCE).manual("settled");
    let mut page = Vec::new();
    man.render_title(&mut page)?;
    man.render_name_section(&mut page)?;
    page.extend(synopsis(words, command).into_bytes());
    man.render_description_section(&mut page)?;
    man.render_options_section(&mut page)?;
    if command.has_subcommands() {
        man.render_subcommands_section(&mut page)?;
    }
    page.extend(section("EXIT STATUS", words, command).into_bytes());
    if command.get_after_help().is_some() {
        man.render_extra_section(&mut page)?;
    }
    page.extend(see_also(words).into_bytes());
    Ok(page)
}

/// One page for everything: the command itself, then each of its commands.
fn whole(command: &clap::Command) -> std::io::Result<Vec<u8>> {
    let mut page = page(&[], command)?;
    for (words, sub) in every(command).into_iter().skip(1) {
        let man = Man::new(sub.clone());
        page.extend(format!(".SH SETTLE {}\n", words.join(" ").to_uppercase()).into_bytes());
        page.extend(synopsis(&words, sub).into_bytes());
        man.render_description_section(&mut page)?;
        man.render_options_section(&mut page)?;
        let title = format!("EXIT STATUS OF SETTLE {}", words.join(" ").to_uppercase());
        page.extend(section(&title, &words, sub).into_bytes());
    }
    Ok(page)
}

/// How it is typed: every option with what it takes.
fn synopsis(words: &[&str], command: &clap::Command) -> String {
    let name = [&["settle"], words].concat().join(" ");
    let mut parts = vec![format!("\\fB{}\\fR", plain(&name))];
    let (last, options): (Vec<&Arg>, Vec<&Arg>) = command
        .get_arguments()
        .filter(|argument| !argument.is_hide_set())
        .partition(|argument| argument.is_positional());
    parts.extend(options.into_iter().chain(last).map(typed));
    if command.has_subcommands() {
        let is_required = command.is_subcommand_required_set();
        parts.push((if is_required { "\\fICOMMAND\\fR" } else { "[\\fICOMMAND\\fR]" }).to_owned());
    }
    format!(".SH SYNOPSIS\n{}\n", parts.join(" "))
}

/// An option or an argument as it is typed.
fn typed(argument: &Arg) -> String {
    let takes = argument.get_action().takes_values();
    let names = argument.get_value_names().unwrap_or_default();
    let values: Vec<String> =
        names.iter().filter(|_| takes).map(|name| format!("\\fI{}\\fR", plain(name))).collect();
    let long = argument.get_long().map(|long| format!("\\fB{}\\fR", plain(&format!("--{long}"))));
    let short = argument.get_short().map(|short| format!("\\fB{}\\fR", plain(&format!("-{short}"))));
    let flags: Vec<String> = short.into_iter().chain(long).collect();
    let parts: Vec<String> = (!flags.is_empty()).then(|| flags.join("|")).into_iter().chain(values).collect();
    let many =
        takes && argument.get_num_args().is_some_and(|range| range.max_values() > range.min_values().max(1));
    let is_again = matches!(argument.get_action(), ArgAction::Append | ArgAction::Count) || many;
    let words = format!("{}{}", parts.join(" "), if is_again { "..." } else { "" });
    if argument.is_required_set() { words } else { format!("[{words}]") }
}

/// Words in which hyphens are what is typed.
fn plain(words: &str) -> String {
    words.replace('\\', "\\e").replace('-', "\\-")
}

/// With which statuses it ends; nothing for what only has commands of its own.
fn section(title: &str, words: &[&str], command: &clap::Command) -> String {
    let found = statuses(words);
    if found.is_empty() && command.has_subcommands() {
        return format!(".SH \"{title}\"\nThat of the command of its own: see their pages.\n");
    }
    let lines = found.iter().map(|(status, meaning)| format!(".TP\n.B {status}\n{meaning}\n"));
    let lines: String = lines.collect();
    if lines.is_empty() { lines } else { format!(".SH \"{title}\"\n{lines}") }
}

fn see_also(words: &[&str]) -> String {
    let above: Vec<String> = (0..words.len())
        .map(|many| [&["settle"], words.get(..many).unwrap_or_default()].concat().join("\\-"))
        .map(|name| format!(".BR {name} (1),"))
        .collect();
    format!(".SH \"SEE ALSO\"\n{}\n.BR settled (1)\n", above.join("\n")).replace("\n\n", "\n")
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory;

    use super::super::Arguments;
    use super::*;

    fn built() -> clap::Command {
        let mut command = Arguments::command().disable_help_subcommand(true);
        command.build();
        command
    }

    #[test]
    fn every_command_that_can_be_run_says_with_which_statuses_it_ends() {
        let command = built();
        let commands = every(&command);
        assert!(commands.len() > 40, "{}", commands.len());
        for (words, command) in commands {
            let runs =
                words.is_empty() || !command.has_subcommands() || !command.is_subcommand_required_set();
            let found = statuses(&words);
            assert_eq!(!found.is_empty(), runs, "{words:?}: {found:?}");
        }
    }

    #[test]
    fn a_synopsis_shows_what_each_option_takes() {
        let command = built();
        let commands = every(&command);
        let of = |wanted: &[&str]| {
            let (words, command) = commands.iter().find(|(words, _)| words == wanted).unwrap();
            synopsis(words, command).replace('\\', "")
        };
        let read = of(&["read"]);
        for part in [
            "fBsettle readfR",
            "[fB--socketfR fIPATHfR]",
            "[fB--jsonfR]",
            "[fB-hfR|fB--helpfR]",
            "[fIMETERfR]",
        ] {
            assert!(read.contains(part), "{part}: {read}");
        }
        assert!(of(&["runs", "stop"]).contains(" fIRUNfR"), "{}", of(&["runs", "stop"]));
        assert!(of(&[]).ends_with("fICOMMANDfR\n"), "{}", of(&[]));
        // The page of everything has the same.
        let all = String::from_utf8(whole(&command).unwrap()).unwrap().replace('\\', "");
        assert!(all.contains(&of(&[])) && all.contains(&read), "{all}");
    }

    #[test]
    fn pages_take_the_place_of_pages_alone() {
        let folder = tempfile::tempdir().unwrap();
        let options = Options { into: Some(folder.path().to_owned()) };
        let page = folder.path().join("settle-read.1");
        let write = || run(Output::default(), Arguments::command(), &options);
        write().unwrap();
        let written = std::fs::read(&page).unwrap();
        std::fs::write(&page, ".TH settle-read 1 \"settle 0.0.1\" settled\nof an earlier version\n").unwrap();
        write().unwrap();
        assert_eq!(std::fs::read(&page).unwrap(), written);
        std::fs::write(&page, "my own notes").unwrap();
        let first = folder.path().join("settle.1");
        std::fs::write(&first, "").unwrap();
        let refused = write().unwrap_err().to_string();
        assert!(
            refused.ends_with("settle-read.1 is there already, and no page of settle's: name another folder"),
            "{refused}"
        );
        assert_eq!(std::fs::read_to_string(&page).unwrap(), "my own notes");
        assert_eq!(std::fs::read(&first).unwrap(), b"", "nothing is written where one is refused");
    }

    #[test]
    fn every_command_has_a_page_of_its_own_with_what_it_is_how_it_is_typed_and_how_it_ends() {
        let command = built();
        for (words, command) in every(&command) {
            let page = String::from_utf8(page(&words, command).unwrap()).unwrap();
            for part in
                [".TH", ".SH NAME", ".SH SYNOPSIS", ".SH DESCRIPTION", ".SH OPTIONS", ".SH \"SEE ALSO\""]
            {
                assert!(page.contains(part), "{words:?} lacks {part}: {page}");
            }
            assert!(page.contains("EXIT STATUS"), "{words:?}: {page}");
            let typed = [&["settle"], words.as_slice()].concat().join(" ").replace('-', "\\-");
            assert!(page.contains(&format!("\\fB{typed}\\fR")), "{typed}: {page}");
        }
    }
}
