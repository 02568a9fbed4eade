//! `settle assess` over readings that carry flags: what they keep back, and what of them is said.

use serde_json::json;

use crate::assessing::{Assessed, luminance};

/// A reading of still light with these flags, as the daemon's log has it.
fn reading(t_s: u32, flags: &[&str]) -> String {
    let y = luminance(t_s, u32::MAX);
    let line = json!({"meter": "m", "t_s": t_s, "luminance_cd_m2": y, "flags": flags});
    format!("{line}\n")
}

#[test]
fn a_meter_that_warms_up_settles_nothing_and_the_event_comes_at_the_first_warm_reading() {
    let flags = |t_s: u32| -> &[&str] { if t_s < 250 { &["meter_warming"] } else { &[] } };
    let cold: String = (1..250).map(|t_s| reading(t_s, flags(t_s))).collect();
    let assessed = Assessed::of(&["--json"], &cold);
    assert_eq!(assessed.status, 3, "{}", assessed.words);
    assert_eq!(assessed.objects()[0]["evidence"]["failing"], json!(["meter_warm_up"]));
    assert!(Assessed::of(&["--events"], &cold).objects().is_empty());
    let warm: String = (1..300).map(|t_s| reading(t_s, flags(t_s))).collect();
    let assessed = Assessed::of(&["--json"], &warm);
    assert_eq!((assessed.status, &assessed.objects()[0]["t_settled_s"]), (0, &json!(250.0)));
    let events = Assessed::of(&["--events"], &warm).objects();
    assert_eq!(
        (events.len(), &events[0]["verdict"], &events[0]["t_s"]),
        (1, &json!("settled"), &json!(250.0))
    );
}

#[test]
fn dark_readings_are_neither_plotted_nor_counted() {
    let flags = |t_s: u32| -> &[&str] { if t_s % 10 == 1 { &["dark"] } else { &[] } };
    let input: String = (1..200).map(|t_s| reading(t_s, flags(t_s))).collect();
    let dark: String = input.lines().map(|line| darkened(line) + "\n").collect();
    let words = Assessed::of(&[], &dark).words;
    let unwrapped = words.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(unwrapped.contains("of 179 in all; 20 dark readings"), "{words}");
    // The axis begins near the light, not in the dark.
    assert!(!words.contains("0.0010") && !words.contains("far off"), "{words}");
    let only: String = (1..9).map(|t_s| darkened(&reading(t_s, &["dark"])) + "\n").collect();
    let assessed = Assessed::of(&[], &only);
    assert_eq!(assessed.status, 3);
    assert!(
        assessed.words.contains("only dark readings") && !assessed.words.contains("inf"),
        "{}",
        assessed.words
    );
    assert_eq!(Assessed::of(&["--json"], &only).objects()[0]["n"], 0);
}

/// What the same line says with the aperture covered, if its flags say that it is.
fn darkened(line: &str) -> String {
    let mut value: serde_json::Value = serde_json::from_str(line).unwrap();
    if value["flags"][0] == "dark" {
        value["luminance_cd_m2"] = json!(0.001);
    }
    value.to_string()
}

#[test]
fn what_is_simulated_or_out_of_range_says_so() {
    let input: String = (1..=200)
        .map(|t_s| match t_s {
            195 => reading(t_s, &["simulated", "above_range", "of_a_later_version"]),
            _ => reading(t_s, &["simulated"]),
        })
        .collect();
    let decision = Assessed::of(&["--json"], &input).objects().remove(0);
    assert_eq!(decision["flags"], json!(["simulated", "above_range"]));
    let event = Assessed::of(&["--events"], &input).objects().remove(0);
    assert_eq!(event["flags"], json!(["simulated"]), "it came before the other");
    let words = Assessed::of(&[], &input).words;
    let headline = words.lines().next().unwrap();
    assert!(headline.starts_with("m: ") && headline.ends_with("SIMULATED"), "{words}");
    assert!(words.contains("Caution: some readings are above the meter's range."), "{words}");
    let dark = Assessed::of(&[], &reading(1, &["simulated", "dark", "below_range"])).words;
    assert!(dark.contains("SIMULATED") && !dark.contains("Caution"), "{dark}");
    let plain: String = (1..=200).map(|t_s| reading(t_s, &[])).collect();
    assert!(Assessed::of(&["--json"], &plain).objects()[0].get("flags").is_none());
    let words = Assessed::of(&[], &plain).words;
    assert!(!words.contains("SIMULATED") && !words.contains("Caution"), "{words}");
}
