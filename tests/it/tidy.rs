//! House rules, held by a test.

use std::fs;
use std::path::{Path, PathBuf};

/// Lines of a file beyond which it is split along an idea; tests beside the code don't count.
const LONGEST_FILE: usize = 400;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap().to_owned()
}

/// Every file of the workspace that is ours.
fn files(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        // In a linked working tree `.git` is a file.
        if ["target", ".git", "__pycache__"].contains(&name.as_str()) {
            continue;
        }
        if path.is_dir() {
            files(&path, found);
        } else {
            found.push(path);
        }
    }
}

fn all_files() -> Vec<PathBuf> {
    let mut found = Vec::new();
    files(&root(), &mut found);
    assert!(found.len() > 50);
    found
}

/// Every file in a language, by its extension, with its text.
fn sources(language: &str) -> impl Iterator<Item = (PathBuf, String)> {
    let files = all_files()
        .into_iter()
        .filter(move |path| path.extension().is_some_and(|extension| extension == language));
    files.map(|path| {
        let text = fs::read_to_string(&path).unwrap();
        (path, text)
    })
}

#[test]
fn the_top_level_holds_only_what_belongs_there() {
    let expected = [
        "Cargo.toml",
        "Cargo.lock",
        "README.md",
        "DEVELOPERS.md",
        "LICENSE",
        "daemon",
        "drivers",
        "client",
        "protocol",
        "tests",
        "target",
    ];
    for entry in fs::read_dir(root()).unwrap() {
        let name = entry.unwrap().file_name().to_string_lossy().into_owned();
        assert!(
            name.starts_with('.') || expected.contains(&name.as_str()),
            "{name} does not belong at the top level"
        );
    }
}

#[test]
fn a_file_is_one_idea_with_its_reason_at_the_top() {
    for (path, text) in sources("rs") {
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        assert!(
            !["mod.rs", "utils.rs", "common.rs", "helpers.rs", "misc.rs"].contains(&name.as_str()),
            "{}",
            path.display()
        );
        assert!(text.starts_with("//!") || name == "tests.rs", "{} has no module doc", path.display());
        let code = text.split("#[cfg(test)]").next().unwrap().lines().count();
        assert!(code <= LONGEST_FILE, "{} has {code} lines: split it along an idea", path.display());
    }
}

#[test]
fn nothing_names_the_machine_it_was_made_on() {
    let marks = [["/wo", "rk/"].concat(), ["/ho", "me/"].concat(), ["/ro", "ot/"].concat()];
    for path in all_files() {
        let Ok(text) = fs::read_to_string(&path) else { continue };
        for mark in &marks {
            assert!(!text.contains(mark), "{} contains {mark}", path.display());
        }
    }
}

#[test]
fn the_developers_page_names_tests_that_exist() {
    let page = fs::read_to_string(root().join("DEVELOPERS.md")).unwrap();
    let code: String = sources("rs").chain(sources("py")).map(|(_, text)| text).collect();
    let table = page.split("## Invariants").nth(1).unwrap().split("\n## ").next().unwrap();
    let names: Vec<&str> =
        table.split('`').skip(1).step_by(2).filter(|name| name.matches('_').count() >= 3).collect();
    assert!(names.len() >= 9, "{names:?}");
    for name in names {
        assert!(
            ["fn", "def"].iter().any(|word| code.contains(&format!("{word} {name}("))),
            "DEVELOPERS.md names the test {name}, which isn't there"
        );
    }
}

#[test]
fn the_readme_names_the_two_commands_and_ci_runs_the_one() {
    let readme = fs::read_to_string(root().join("README.md")).unwrap();
    assert!(readme.contains("settle -- demo") && readme.contains("tests/run"));
    assert!(fs::read_to_string(root().join(".ci/run")).unwrap().contains("tests/run"));
}

/// Every method of a trait in a source file.
fn methods(file: &str, name: &str) -> Vec<String> {
    let text = fs::read_to_string(root().join(file)).unwrap();
    let body =
        text.split(&format!("pub trait {name}")).nth(1).unwrap().split("\n}\n").next().unwrap().to_owned();
    let signatures = body.lines().filter_map(|line| line.strip_prefix("    fn "));
    signatures.map(|rest| rest.split(['(', '<']).next().unwrap().to_owned()).collect()
}

#[test]
fn what_is_recorded_forwards_every_method_of_drivers_meters_and_links() {
    for (traits, name, forwarding, wrapper) in [
        ("drivers/src/driver.rs", "Driver", "drivers/src/recording/recorded.rs", "impl Driver for Recorded"),
        (
            "drivers/src/meter.rs",
            "Meter",
            "drivers/src/recording/recorded.rs",
            "impl Meter for RecordedMeter",
        ),
        ("drivers/src/link.rs", "Link", "drivers/src/recording/wiretap.rs", "impl Link for Wiretap"),
    ] {
        let text = fs::read_to_string(root().join(forwarding)).unwrap();
        let body = text.split(wrapper).nth(1).unwrap().split("\n}\n").next().unwrap();
        let methods = methods(traits, name);
        assert!(methods.len() > 4, "{name}: {methods:?}");
        for method in methods {
            let is_there =
                [format!("fn {method}("), format!("fn {method}<")].iter().any(|it| body.contains(it));
            assert!(
                is_there,
                "{forwarding} does not forward {name}::{method}: whatever records would change it"
            );
        }
    }
}
