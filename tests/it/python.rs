//! The client in Python: its own tests against the daemon, its annotations, its files.

use std::path::{Path, PathBuf};
use std::process::Command;

use crate::outside;
use crate::support::daemon::program;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap().join("client/python")
}

/// Every Python file below a folder of the client, with its text.
fn files(name: &str) -> Vec<(String, String)> {
    let entries = std::fs::read_dir(folder().join(name)).unwrap().map(|entry| entry.unwrap().path());
    let python = entries.filter(|path| path.extension().is_some_and(|extension| extension == "py"));
    let named = python.map(|path| (path.display().to_string(), std::fs::read_to_string(&path).unwrap()));
    named.collect()
}

#[test]
fn the_tests_of_the_client_in_python_pass() {
    let written: usize = files("tests").iter().map(|(_, text)| text.matches("    def test_").count()).sum();
    let mut command = Command::new("python3");
    command.args(["-B", "-W", "error", "-m", "unittest", "discover", "-v", "-s", "tests", "-t", "."]);
    command
        .env("SETTLED_PROGRAM", program("settled"))
        .env_remove("SETTLED_SOCKET")
        .env_remove("SETTLED_LEASE");
    let output = command.current_dir(folder()).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{}{said}", String::from_utf8_lossy(&output.stdout));
    // What isn't run does not pass.
    assert!(
        written > 60 && said.contains(&format!("Ran {written} tests in")),
        "{written} are written\n{said}"
    );
    assert!(!said.contains("skipped"), "{said}");
}

#[test]
fn the_annotations_of_the_client_in_python_hold() {
    let cache = tempfile::tempdir().unwrap();
    let mut command = Command::new(outside::python());
    command.args(["-B", "-m", "mypy", "--strict", "settled", "tests", "--cache-dir"]).arg(cache.path());
    let output = command.current_dir(folder()).output().unwrap();
    let said = String::from_utf8_lossy(&output.stdout);
    let checked = files("settled").len() + files("tests").len();
    assert!(
        output.status.success() && said.contains(&format!("no issues found in {checked} source files")),
        "{said}{}",
        String::from_utf8_lossy(&output.stderr)
    );
}

/// The page's Python: the blocks of each section that has any, as one text.
fn examples() -> Vec<String> {
    let page = std::fs::read_to_string(folder().join("README.md")).unwrap();
    let python = |section: &str| {
        let blocks = section.split("\n```python\n").skip(1);
        blocks.filter_map(|block| block.split("```\n").next()).collect::<Vec<&str>>().concat()
    };
    page.split("\n## ").map(python).filter(|text| !text.is_empty()).collect()
}

#[test]
fn the_examples_of_the_client_in_python_are_as_strictly_typed_as_itself() {
    let place = tempfile::tempdir().unwrap();
    let examples = examples();
    assert!(examples.len() >= 7, "{} sections have Python", examples.len());
    let mut command = Command::new(outside::python());
    command.args(["-B", "-m", "mypy", "--strict", "--cache-dir"]).arg(place.path().join("cache"));
    for (index, text) in examples.iter().enumerate() {
        let path = place.path().join(format!("section_{index}.py"));
        std::fs::write(&path, text).unwrap();
        command.arg(path);
    }
    let output = command.env("MYPYPATH", folder()).current_dir(&place).output().unwrap();
    let said = String::from_utf8_lossy(&output.stdout);
    let all = format!("no issues found in {} source files", examples.len());
    assert!(
        output.status.success() && said.contains(&all),
        "{said}{}",
        String::from_utf8_lossy(&output.stderr)
    );
}

#[test]
fn a_file_of_the_client_in_python_is_one_idea_and_needs_the_standard_library_alone() {
    let standard =
        Command::new("python3").args(["-c", "import sys; print(*sys.stdlib_module_names)"]).output();
    let standard = String::from_utf8(standard.unwrap().stdout).unwrap();
    let sources = files("settled");
    assert!(sources.len() > 15);
    for (path, text) in sources {
        assert!(text.starts_with("\"\"\""), "{path} does not say at its top what it is");
        assert!(text.lines().count() <= 400, "{path}: split it along an idea");
        let imports = text.lines().filter_map(|line| {
            line.strip_prefix("import ").or_else(|| line.strip_prefix("from "))?.split([' ', '.']).next()
        });
        for module in imports.filter(|module| !module.is_empty()) {
            assert!(standard.split_whitespace().any(|name| name == module), "{path} imports {module}");
        }
    }
}
