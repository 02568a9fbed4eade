//! What a report is written over.

use super::{Place, faulty, settle, succeed};

#[test]
fn no_slip_of_the_pen_costs_the_record_of_a_review_or_another_file() {
    let place = Place::new("slips");
    let (record, other) = (place.write("record.jsonl", &faulty()), place.path("notes.txt"));
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
