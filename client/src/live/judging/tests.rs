use serde_json::json;

use super::*;

fn meter() -> Meter {
    let text = json!({"id": "a", "driver": "d", "simulated": false, "state": "ready", "faults": 0});
    serde_json::from_value(text).unwrap()
}

/// A second of light, with whatever else there is to say of it.
fn reading(second: u32, y: f64, more: &serde_json::Value) -> Reading {
    let t_s = f64::from(second);
    let mut text = json!({
        "sequence": second, "meter": "a", "at": "2026-11-27T18:00:00Z", "t_s": t_s, "began_s": t_s - 0.5, "boot": "b",
        "integration_s": 0.5, "luminance_cd_m2": y, "flags": [],
    });
    for (name, value) in more.as_object().unwrap() {
        text[name] = value.clone();
    }
    serde_json::from_value(text).unwrap()
}

fn verdict(judging: &Judging) -> Option<Verdict> {
    judging.standing().and_then(|standing| standing.verdict)
}

#[test]
fn light_settles_is_lost_and_settles_again_while_it_is_watched() {
    let mut judging = Judging::new(Criteria::default());
    assert!(judging.standing().is_none());
    for second in 1..=300 {
        let y = if second <= 120 { 100.0 } else { 140.0 };
        assert_eq!(judging.take(&reading(second, y, &json!({})), &meter()), Place::Next);
    }
    let changes: Vec<Verdict> = judging.changes().iter().map(|(_, verdict)| *verdict).collect();
    assert_eq!(changes, [Verdict::Settled, Verdict::Lost, Verdict::Settled]);
    assert_eq!(verdict(&judging), Some(Verdict::Settled));
    // Light from before the step is other light.
    assert!((115.0..=122.0).contains(&judging.since_s()), "{}", judging.since_s());
    let standing = judging.standing().unwrap();
    assert!(judging.sentence(Verdict::Settled, &standing).starts_with("Settled: over the last"));
}

#[test]
fn after_a_long_silence_the_picture_begins_anew_and_readings_that_are_rare_make_none() {
    let mut judging = Judging::new(Criteria::default());
    for second in (1..=20).chain(1000..=1020) {
        judging.take(&reading(second, 100.0, &json!({})), &meter());
    }
    assert!((judging.stretch_s() - 999.5).abs() < 1e-9, "{}", judging.stretch_s());
    let mut judging = Judging::new(Criteria::default());
    for index in 0..20 {
        judging.take(&reading(300 * index + 1, 100.0, &json!({})), &meter());
    }
    assert!((judging.stretch_s() - 0.5).abs() < 1e-9, "{}", judging.stretch_s());
}

#[test]
fn a_meter_that_warms_up_vouches_for_nothing() {
    let mut judging = Judging::new(Criteria::default());
    let warming = json!({"flags": ["meter_warming"]});
    for second in 1..=120 {
        judging.take(&reading(second, 100.0, &warming), &meter());
    }
    assert_eq!((verdict(&judging), judging.changes().len()), (None, 0));
    assert!(judging.standing().unwrap().evidence.failing.contains(&Test::MeterWarmUp));
    judging.take(&reading(121, 100.0, &json!({})), &meter());
    assert_eq!(verdict(&judging), Some(Verdict::Settled));
}

#[test]
fn a_change_of_correction_is_neither_a_drift_nor_a_step_and_a_dark_reading_is_no_light() {
    let mut judging = Judging::new(Criteria::default());
    for second in 1..=100 {
        judging.take(&reading(second, 100.0, &json!({})), &meter());
    }
    assert_eq!(judging.take(&reading(101, 0.001, &json!({"flags": ["dark"]})), &meter()), Place::Dark);
    assert_eq!(verdict(&judging), Some(Verdict::Settled));
    let corrected = json!({"correction": "c1"});
    assert_eq!(judging.take(&reading(102, 103.0, &corrected), &meter()), Place::Anew);
    let standing = judging.standing().unwrap();
    assert_eq!((standing.verdict, standing.evidence.steps), (None, 0));
    for second in 103..=200 {
        assert_eq!(judging.take(&reading(second, 103.0, &corrected), &meter()), Place::Next);
    }
    assert_eq!((verdict(&judging), judging.standing().unwrap().evidence.steps), (Some(Verdict::Settled), 0));
    // Another boot's times have nothing to do with these.
    let other = json!({"boot": "another", "correction": "c1"});
    assert_eq!(judging.take(&reading(1, 103.0, &other), &meter()), Place::Anew);
    assert_eq!((verdict(&judging), judging.changes().len()), (None, 0));
}
