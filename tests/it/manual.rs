//! The manual: a page for each command, which a machine's own `man` can read.

use std::process::Command;

use crate::support::daemon::program;

#[test]
fn each_command_has_a_page_which_says_how_it_ends() {
    let folder = tempfile::tempdir().unwrap();
    let into = folder.path().join("man/man1");
    let output = Command::new(program("settle")).args(["man", "--into"]).arg(&into).output().unwrap();
    assert!(output.status.success() && output.stdout.is_empty(), "{output:?}");
    let mut names: Vec<String> =
        std::fs::read_dir(&into).unwrap().map(|it| it.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    for expected in
        ["settle.1", "settle-read.1", "settle-log-export.1", "settle-review-run.1", "settle-run-warm-up.1"]
    {
        assert!(names.contains(&expected.to_owned()), "{names:?}");
    }
    let read = std::fs::read_to_string(into.join("settle-read.1")).unwrap();
    let statuses = read.split(".SH \"EXIT STATUS\"").nth(1).unwrap();
    for status in ["0", "1", "2", "3", "130"] {
        assert!(statuses.contains(&format!(".B {status}\n")), "{status}: {statuses}");
    }
    // Nothing that troff would stumble over.
    for name in &names {
        let page = std::fs::read_to_string(into.join(name)).unwrap();
        for line in page.lines().filter(|line| line.starts_with('.')) {
            let known = [
                ".TH", ".SH", ".TP", ".B", ".BR", ".PP", ".br", ".ie", ".el", ".IP", ".RS", ".RE", ".SS",
                ".nf", ".fi",
            ];
            let word = line.split([' ', '"']).next().unwrap();
            assert!(known.contains(&word), "{name}: {line}");
        }
    }
}

#[test]
fn a_folder_that_can_not_be_made_is_named() {
    let output = Command::new(program("settle")).args(["man", "--into", "/dev/null/man"]).output().unwrap();
    let words = String::from_utf8(output.stderr).unwrap();
    assert!(output.status.code() == Some(1) && words.contains("/dev/null/man"), "{words}");
}
