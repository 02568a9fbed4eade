//! The guide (`client/guide`): each of its commands is typed as it stands there, and says what stands there.
//!
//! A chapter has a folder, a shell and a daemon of its own. `likeness` says what counts as the same.
//! `GUIDE=write cargo test -p settled-tests --test it guide::` writes what commands say now in place of what doesn't fit.

use std::collections::BTreeSet;
use std::process::Command;

use chapter::{Deed, Typed, deeds, folder, text};
use shell::Shell;

use crate::support::daemon::program;

mod chapter;
mod likeness;
mod links;
mod shell;

/// Does all that a chapter says, in order, and holds what is said against it.
fn follow(name: &str) {
    let page = text(name);
    let is_writing = std::env::var("GUIDE").is_ok_and(|value| value == "write");
    let mut shell = Shell::start();
    let mut misfits: Vec<(Typed, Vec<String>)> = Vec::new();
    for deed in deeds(&page) {
        match deed {
            Deed::Write { name, text } => std::fs::write(shell.path(&name), text).unwrap(),
            Deed::Type(typed) => {
                let found = shell.run(&typed.command);
                if !likeness::lines(&typed.said, &found, typed.about) {
                    misfits.push((typed, found));
                }
            }
        }
    }
    if is_writing && !misfits.is_empty() {
        let mut lines: Vec<String> = page.lines().map(str::to_owned).collect();
        for (typed, found) in misfits.into_iter().rev() {
            lines.splice(typed.lines, found);
        }
        std::fs::write(folder().join(name), lines.join("\n") + "\n").unwrap();
        return;
    }
    let told = misfits.iter().map(|(typed, found)| {
        format!("$ {}\nsaid\n{}\nand not\n{}\n", typed.command, found.join("\n"), typed.said.join("\n"))
    });
    assert!(misfits.is_empty(), "{name}:\n{}", told.collect::<Vec<_>>().join("\n"));
}

/// A test for each chapter that has something to type.
macro_rules! chapters {
    ($($test:ident => $chapter:literal,)*) => {
        const FOLLOWED: &[&str] = &[$($chapter),*];
        $(
            #[test]
            fn $test() {
                follow($chapter);
            }
        )*
    };
}

chapters! {
    the_first_evening_is_as_the_guide_says => "first-evening.md",
    settling_is_as_the_guide_says => "settling.md",
    a_warm_up_is_as_the_guide_says => "warm-up.md",
    a_night_is_as_the_guide_says => "night.md",
    sharing_is_as_the_guide_says => "sharing.md",
    a_colorimeter_beside_a_reference_is_as_the_guide_says => "reference.md",
    a_review_is_as_the_guide_says => "review.md",
    a_report_is_as_the_guide_says => "report.md",
    a_profile_is_as_the_guide_says => "profile.md",
    a_plugin_is_as_the_guide_says => "plugin.md",
    a_client_is_as_the_guide_says => "client.md",
    trouble_is_as_the_guide_says => "trouble.md",
}

#[test]
fn every_chapter_that_has_something_to_type_is_followed() {
    let has_deeds = |name: &String| !deeds(&text(name)).is_empty();
    let typed: BTreeSet<String> = links::named().into_iter().filter(has_deeds).collect();
    let followed: BTreeSet<String> = FOLLOWED.iter().map(|name| (*name).to_owned()).collect();
    assert_eq!(typed, followed);
}

#[test]
fn what_the_guide_mentions_in_passing_can_be_typed() {
    let mut mentioned = BTreeSet::new();
    for name in links::named() {
        let page = text(&name);
        let words = page.split("```").step_by(2).collect::<String>();
        for code in words.split('`').skip(1).step_by(2).filter(|code| code.starts_with("settle ")) {
            mentioned.insert(code.to_owned());
        }
    }
    assert!(mentioned.len() > 5, "{mentioned:?}");
    for line in mentioned {
        let words = line.split_whitespace().skip(1).filter(|word| !word.contains('…'));
        let output = Command::new(program("settle")).args(words).arg("--help").output().unwrap();
        assert!(output.status.success(), "{line}: {}", String::from_utf8_lossy(&output.stderr));
    }
}
