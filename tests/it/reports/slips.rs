//! What a report is written over, and what can't be written at all.

use std::path::Path;

use serde_json::{Value, json};
use settle::review::plan::Plan;
use settle::review::record::Record;

use super::{FAULTY, Place, settle, succeed};
use crate::review_loop::observer::{self, Noise};

/// A review of two stimuli, whose figures take no time.
fn short() -> Record {
    let plan = "title = \"Contrast\"\n[[set]]\nname = \"SDR\"\nbits = 8\nrange = \"full\"\ntransfer = \"power\"\ngamma = 2.2\nprimaries = \"bt709\"\n\
        window_percent = 10\n[[set.sequence]]\nkind = \"white_black\"\n";
    let plan = Plan::read(Path::new("contrast.toml"), plan).unwrap_or_else(|problems| panic!("{problems}"));
    observer::review(FAULTY, &plan, Noise::USUAL, 5)
}

#[test]
fn no_slip_of_the_pen_costs_the_record_of_a_review_or_another_file() {
    let place = Place::new("slips");
    let (record, other) = (place.write("record.jsonl", &short()), place.path("notes.txt"));
    std::fs::write(&other, "notes").unwrap();
    let before = std::fs::read(&record).unwrap();
    for form in ["--into", "--figures", "--csv"] {
        for replace in [&[][..], &["--replace"]] {
            let output = settle(&[&["report", &record, form, &record][..], replace].concat());
            let words = String::from_utf8_lossy(&output.stderr);
            assert!(output.status.code() == Some(2) && words.contains("is a review's record"), "{words}");
        }
        let output = settle(&["report", &record, form, &other]);
        let words = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.code() == Some(2) && words.contains("with --replace"), "{words}");
    }
    assert_eq!(
        (std::fs::read(&record).unwrap(), std::fs::read_to_string(&other).unwrap().as_str()),
        (before, "notes")
    );
    succeed(&["report", &record, "--csv", &other, "--replace"]);
    assert!(std::fs::read_to_string(&other).unwrap().starts_with("set,sequence"));
}

#[test]
fn what_can_not_be_written_leaves_nothing_and_what_was_there_is_kept() {
    let place = Place::new("whole");
    let record = place.write("record.jsonl", &short());
    let (page, folder) = (place.path("report.html"), place.path("svg"));
    std::fs::write(&page, "before").unwrap();
    std::fs::create_dir(&folder).unwrap();
    let before = place.names();
    let output = settle(&["report", &record, "--into", &page, "--svg", &folder, "--replace"]);
    let words = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.code() == Some(2) && words.contains("is there already"), "{words}");
    assert_eq!((place.names(), std::fs::read_to_string(&page).unwrap()), (before, "before".to_owned()));

    let nowhere = place.path("nowhere/report.html");
    assert_eq!(settle(&["report", &record, "--into", &nowhere]).status.code(), Some(1));
    let output = settle(&["report", &record, "--csv", "-", "--figures", "-"]);
    let words = String::from_utf8_lossy(&output.stderr);
    assert!(
        output.status.code() == Some(2) && words.contains("two forms") && output.stdout.is_empty(),
        "{words}"
    );
    // Without a form there is nothing to do; a record that is none is named with its line.
    assert_eq!(settle(&["report", &record]).status.code(), Some(2));
    let none = place.path("none.jsonl");
    std::fs::write(&none, "{\"t_s\":1}\n").unwrap();
    let output = settle(&["report", &none, "--into", "-"]);
    let words = String::from_utf8_lossy(&output.stderr);
    assert!(
        output.status.code() == Some(1) && words.contains("line 1") && output.stdout.is_empty(),
        "{words}"
    );
    // To standard output, and what came of it as JSON.
    let output = settle(&["--json", "report", &record, "--csv", "-", "--into", &page, "--replace"]);
    let said: Value = serde_json::from_slice(&output.stderr).unwrap();
    assert_eq!(said["report"]["files"], json!([page]));
    assert!(String::from_utf8(output.stdout).unwrap().starts_with("set,sequence,patch,quantity,value,unit,"));
}
