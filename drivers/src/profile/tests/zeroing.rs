//! When an instrument must be zeroed, as its profile says.

use super::*;
use crate::meter::{Overdue, ZeroNeed};

/// The shipped profile with other lines in its [zero].
fn zeroed(lines: &str) -> Result<Profile, Problems> {
    let text = shipped::text("lab-tristimulus".as_ref()).unwrap();
    load("t.toml", &text.replace("at_start = false\nevery = \"8h\"\n", lines))
}

#[test]
fn a_profile_says_when_it_must_be_zeroed_and_what_becomes_of_readings_meanwhile() {
    let need = |lines: &str| zeroed(lines).unwrap().zero.unwrap().1;
    let usual = ZeroNeed { at_start: false, every_s: None, within_k: None, overdue: Overdue::Flag };
    assert_eq!(need(""), usual);
    let all = need("at_start = true\nevery = \"2h\"\nwithin_k = 2.5\noverdue = \"refuse\"\n");
    let expected =
        ZeroNeed { at_start: true, every_s: Some(7200.0), within_k: Some(2.5), overdue: Overdue::Refuse };
    assert_eq!(all, expected);
    let problems = zeroed("overdue = \"no\"\nwithin_k = -1\n").unwrap_err().to_string();
    assert!(problems.contains("overdue: expected") && problems.contains("within_k: expected"), "{problems}");
}

#[test]
fn a_temperature_that_is_never_told_cannot_say_that_zeroing_is_due() {
    let text = shipped::text("lab-tristimulus".as_ref()).unwrap();
    let text = text.replace("every = \"8h\"", "within_k = 3");
    let untold = text.replace("(?<temperature_c>[-+.\\d]+)", "[-+.\\d]+");
    assert_ne!(text, untold);
    let problems = load("t.toml", &untold).unwrap_err().to_string();
    assert!(problems.contains("within_k: needs the group temperature_c"), "{problems}");
    load("t.toml", &text).unwrap();
}
