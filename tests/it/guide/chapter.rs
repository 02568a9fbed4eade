//! What a chapter of the guide has its reader do: the files to write and the commands to type, in order.

use std::path::{Path, PathBuf};

/// A command as it is typed, with what the chapter says that it says.
#[derive(Clone, Debug)]
pub(super) struct Typed {
    pub(super) command: String,
    pub(super) said: Vec<String>,
    /// Numbers are told about.
    pub(super) about: bool,
    /// The lines of the chapter, from 0, at which `said` begins and ends.
    pub(super) lines: std::ops::Range<usize>,
}

/// What the reader does next.
#[derive(Clone, Debug)]
pub(super) enum Deed {
    /// A block ```` ```language file=NAME ````: the file is written.
    Write { name: String, text: String },
    /// A line that begins with `$ ` in a block ```` ```console ````, and those that begin with `> ` after it.
    Type(Typed),
}

/// Where the chapters are.
pub(super) fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap().join("client/guide/src")
}

/// A chapter's text.
pub(super) fn text(name: &str) -> String {
    let path = folder().join(name);
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// The blocks of a chapter: what stands behind the fence, the line of the first of its lines, and its lines.
pub(super) fn blocks(text: &str) -> Vec<(String, usize, Vec<String>)> {
    let mut blocks: Vec<(String, usize, Vec<String>)> = Vec::new();
    let mut is_inside = false;
    for (number, line) in text.lines().enumerate() {
        match (line.strip_prefix("```"), is_inside) {
            (Some(kind), false) => blocks.push((kind.trim().to_owned(), number + 1, Vec::new())),
            (None, true) => blocks.last_mut().unwrap().2.push(line.to_owned()),
            (None, false) => continue,
            (Some(_), true) => {}
        }
        is_inside ^= line.starts_with("```");
    }
    assert!(!is_inside, "a block has no end");
    blocks
}

/// All that a chapter has done.
pub(super) fn deeds(text: &str) -> Vec<Deed> {
    let mut deeds = Vec::new();
    for (kind, first, lines) in blocks(text) {
        if let Some((_, name)) = kind.split_once("file=") {
            deeds.push(Deed::Write { name: name.to_owned(), text: lines.join("\n") + "\n" });
        } else if kind == "console" || kind == "console about" {
            deeds.extend(typed(&lines, first, kind.ends_with("about")).into_iter().map(Deed::Type));
        }
    }
    deeds
}

fn typed(lines: &[String], first: usize, about: bool) -> Vec<Typed> {
    let mut all: Vec<Typed> = Vec::new();
    for (number, line) in lines.iter().enumerate() {
        let at = first + number + 1;
        if let Some(command) = line.strip_prefix("$ ") {
            all.push(Typed { command: command.to_owned(), said: Vec::new(), about, lines: at..at });
            continue;
        }
        let last = all.last_mut().unwrap_or_else(|| panic!("nothing was typed before {line:?}"));
        match line.strip_prefix("> ") {
            Some(more) if last.said.is_empty() => {
                last.command += &format!("\n{more}");
                last.lines = at..at;
            }
            _ => {
                last.said.push(line.clone());
                last.lines.end = at;
            }
        }
    }
    all
}

#[test]
fn files_and_commands_are_found_in_order_with_what_is_said() {
    let page = "Words.\n\n```toml file=a.toml\nx = 1\n```\n\n```console about\n$ one \\\n> two\nsaid\nmore\n$ three\n```\n";
    let deeds = deeds(page);
    let Deed::Write { name, text } = &deeds[0] else { panic!("{deeds:?}") };
    assert_eq!((name.as_str(), text.as_str()), ("a.toml", "x = 1\n"));
    let Deed::Type(first) = &deeds[1] else { panic!("{deeds:?}") };
    assert_eq!((first.command.as_str(), first.said.len(), first.about), ("one \\\ntwo", 2, true));
    let lines: Vec<&str> = page.lines().collect();
    assert_eq!(lines[first.lines.clone()], ["said", "more"]);
    let Deed::Type(second) = &deeds[2] else { panic!("{deeds:?}") };
    assert!(second.command == "three" && second.said.is_empty() && second.lines.is_empty());
}
