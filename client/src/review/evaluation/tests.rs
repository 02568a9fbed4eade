use std::collections::HashSet;

use settled_protocol::quantity::Xyz;
use settled_protocol::settling::Estimate;

use super::*;
use crate::review::itinerary::{Stop, stops};
use crate::review::ready::Ready;

const WHITE: f64 = 120.0;
const BLACK: f64 = 0.06;

fn moment(step: usize) -> Timestamp {
    Timestamp::from_unix_ns(1_790_000_000_000_000_000 + 1_000_000_000 * step as u64)
}

fn measurement(stop: &Stop<'_>, count: usize) -> Measurement {
    let signal = stop.step.patch.signal(stop.set.coding);
    let [x, y, z] = stop.set.aim.xyz(signal, WHITE, BLACK).unwrap();
    Measurement {
        place: stop.place(),
        patch: stop.step.patch.clone(),
        position: None,
        at: moment(count),
        waited_s: 10.0,
        verdict: Verdict::Settled,
        value: Some(Estimate {
            y,
            y_u95: 0.001 * y + 0.0005,
            y_standard: 0.0005 * y + 0.00025,
            coverage_factor: 2.0,
            degrees_of_freedom: 60.0,
            chromaticity: Xyz::new(x, y, z).unwrap().chromaticity(),
            chromaticity_u95: Some(0.0002 * (1.0 / y).max(1.0)),
            n_effective: 62.0,
        }),
        readings: None,
        flags: vec![Flag::MeterWarming, Flag::Simulated],
    }
}

/// A quick review of a display that does exactly what it is meant to.
fn record() -> Record {
    let plan = Ready::named("sdr-quick").unwrap().plan().unwrap();
    let entries = stops(&plan, &[], None);
    let entries = entries.iter().enumerate().map(|(count, stop)| measurement(stop, count));
    let entries = entries.map(|patch| Entry::Patch(Box::new(patch))).collect();
    let header = Header {
        review: 1,
        display: "field monitor 3".to_owned(),
        meter: "bench".to_owned(),
        log: None,
        began: moment(0),
        plan,
        luminance_u: Some(0.02),
        chromaticity_u: None,
    };
    Record { header, entries }
}

#[test]
fn every_sequence_has_its_figures_and_each_verdict_a_name_of_its_own() {
    let evaluation = Evaluation::of(&record());
    let sequences = &evaluation.sets[0].sequences;
    let names: Vec<&str> = sequences.iter().map(|sequence| sequence.name.as_str()).collect();
    assert_eq!(names, ["white_black", "grey", "near_black", "primaries"]);
    for sequence in sequences {
        assert!(!sequence.figures.is_empty() && sequence.measured == sequence.planned, "{}", sequence.name);
        assert!(sequence.unsettled.is_empty());
    }
    let keys: HashSet<String> =
        evaluation.findings.iter().map(|it| format!("{} {}", it.sequence, it.finding.subject)).collect();
    assert_eq!(keys.len(), evaluation.findings.len());
    assert_eq!(evaluation.count(Standing::Beyond), 0, "{:#?}", evaluation.findings);
    assert_eq!(evaluation.flags, [Flag::Simulated, Flag::MeterWarming]);
    assert_eq!(evaluation.ended, Some(moment(25)));
}

#[test]
fn a_stated_calibration_stays_in_a_peak_and_goes_out_of_a_contrast() {
    let record = record();
    let width = |evaluation: &Evaluation, subject: &str| {
        let placed = evaluation.findings.iter().find(|placed| placed.finding.subject == subject).unwrap();
        let figure = placed.finding.figure.unwrap();
        figure.u95() / figure.value
    };
    let (stated, alone) = (Evaluation::of(&record), Evaluation::with(&record, Calibration::default()));
    // 1.96 · 2 %, beside 0.1 % of repeatability.
    assert!((width(&stated, "peak") - 0.0392).abs() < 0.004, "{}", width(&stated, "peak"));
    assert!(width(&alone, "peak") < 0.0015);
    assert!((width(&stated, "contrast") / width(&alone, "contrast") - 1.0).abs() < 0.05);
}

#[test]
fn what_did_not_settle_is_told_and_what_was_not_measured_is_missing() {
    let mut record = record();
    record.entries.truncate(8);
    if let Entry::Patch(patch) = &mut record.entries[5] {
        (patch.verdict, patch.value) = (Verdict::TimedOut, None);
    }
    record.entries.push(Entry::Note { at: moment(9), words: "resumed".to_owned() });
    let evaluation = Evaluation::of(&record);
    let grey = &evaluation.sets[0].sequences[1];
    assert_eq!((grey.measured, grey.planned, grey.unsettled.len()), (6, 11, 1));
    assert!(grey.unsettled[0].verdict == Verdict::TimedOut && !grey.unsettled[0].has_value);
    assert!(evaluation.sets[0].sequences[3].figures.is_empty());
    assert_eq!(evaluation.notes[0].words, "resumed");
    assert!(evaluation.clone().only("SDR").is_some() && evaluation.only("HDR").is_none());
}

#[test]
fn without_white_and_black_of_their_own_the_ramps_ends_are_what_figures_are_held_against() {
    let mut record = record();
    record.header.plan.sets[0].sequences.remove(0);
    let set = record.header.plan.sets[0].clone();
    let scene = scene(&record, &set, Calibration::default());
    let [white, black] = [scene.white, scene.black].map(|light| light.unwrap().luminance);
    assert!((white - WHITE).abs() < 1e-9 && (black - BLACK).abs() < 1e-9, "{white} {black}");
}
