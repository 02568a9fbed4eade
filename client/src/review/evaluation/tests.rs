use std::collections::HashSet;

use settled_protocol::quantity::Xyz;
use settled_protocol::settling::{Estimate, Verdict};

use super::*;
use crate::review::itinerary::{Stop, stops};
use crate::review::plan::Plan;
use crate::review::ready::Ready;
use crate::review::record::attached::Attached;
use crate::review::record::{Course, Point};

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
        clock: None,
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
        correction: None,
        flags: vec![Flag::MeterWarming, Flag::Simulated],
    }
}

/// A meter of which nothing is known but that nothing corrects it.
fn attached() -> Attached {
    Attached {
        model: None,
        driver: "simulated".to_owned(),
        correction: None,
        zero: None,
        warm_up: None,
        observer: None,
        bandwidth_nm: None,
        settled: "1.0.0".to_owned(),
        settle: "1.0.0".to_owned(),
    }
}

/// A quick review of a display that does exactly what it is meant to.
pub(crate) fn record() -> Record {
    of_plan(Ready::named("sdr-quick").unwrap().plan().unwrap())
}

/// Every stimulus of a plan, on such a display.
pub(crate) fn of_plan(plan: Plan) -> Record {
    let entries = stops(&plan, &[], None);
    let entries = entries.iter().enumerate().map(|(count, stop)| measurement(stop, count));
    let entries = entries.map(|patch| Entry::Patch(Box::new(patch))).collect();
    let header = Header {
        attached: Some(attached()),
        luminance_u: Some(0.02),
        ..Header::of("field monitor 3", "bench", plan, moment(0))
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

/// The patch of this name of a sequence.
pub(crate) fn patch<'a>(record: &'a mut Record, sequence: &str, name: &str) -> &'a mut Measurement {
    patches(record, sequence).find(|patch| patch.patch.name == name).unwrap()
}

/// The patches of a sequence.
fn patches<'a>(record: &'a mut Record, sequence: &str) -> impl Iterator<Item = &'a mut Measurement> {
    record.entries.iter_mut().filter_map(move |entry| match entry {
        Entry::Patch(patch) if patch.place.sequence == sequence => Some(patch.as_mut()),
        _ => None,
    })
}

fn named<'a>(evaluation: &'a Evaluation, subject: &str) -> &'a Placed {
    evaluation.findings.iter().find(|placed| placed.finding.subject == subject).unwrap()
}

#[test]
fn no_set_is_held_against_a_white_that_the_meter_does_not_vouch_for() {
    let set = record().header.plan.sets[0].clone();
    for flag in [Flag::AboveRange, Flag::BelowRange, Flag::Dark] {
        let mut record = record();
        for name in ["white_black", "grey", "primaries"] {
            patches(&mut record, name).for_each(|patch| patch.flags.push(flag));
        }
        let scene = scene(&record, &set, Calibration::default());
        assert_eq!(scene.white, None, "{flag:?}");
        let evaluated = Evaluation::of(&record);
        for sequence in evaluated.sets[0].sequences.iter().filter(|sequence| sequence.name != "near_black") {
            assert!(sequence.figures.is_empty(), "{flag:?}: {sequence:#?}");
        }
    }
    let mut lost = record();
    patch(&mut lost, "white_black", "white").verdict = Verdict::Lost;
    patch(&mut lost, "grey", "white").value.as_mut().unwrap().y = 119.0;
    let found = scene(&lost, &set, Calibration::default()).white.unwrap().luminance;
    assert!((found - 119.0).abs() < 1e-9, "the ramp's white, not the one that jumped: {found}");
}

#[test]
fn black_below_the_meters_range_stays_as_a_bound() {
    let mut record = record();
    patch(&mut record, "white_black", "black").flags.push(Flag::BelowRange);
    let set = record.header.plan.sets[0].clone();
    let of = |record: &Record| scene(record, &set, Calibration::default());
    // Nobody knows where the range begins, and so how much black may be.
    assert_eq!((of(&record).black, of(&record).black_below_range), (None, true));
    record.header.least_cd_m2 = Some(2.0 * BLACK);
    let black = of(&record).black.unwrap();
    assert!((black.luminance - BLACK).abs() < 1e-9, "half of what it may be: {black:?}");
}

#[test]
fn dark_greys_are_not_judged_where_nobody_knows_how_much_black_may_be() {
    let mut record = record();
    for sequence in ["white_black", "grey", "near_black", "primaries"] {
        let black = patches(&mut record, sequence).filter(|patch| patch.patch.name == "black");
        black.for_each(|patch| patch.flags.push(Flag::BelowRange));
    }
    // How many of the dark greys are judged.
    let judged = |record: &Record| {
        let sequences = Evaluation::of(record).sets.remove(0).sequences;
        let parts = sequences.into_iter().flat_map(|sequence| sequence.figures);
        let steps = parts.filter_map(|part| match part {
            Part::NearBlack(figures) => Some(figures.steps),
            _ => None,
        });
        let dark = steps.flatten().filter(|step| step.signal < 0.1 && step.error_percent.is_some());
        dark.count()
    };
    record.header.least_cd_m2 = Some(2.0 * BLACK);
    assert!(judged(&record) > 0);
    record.header.least_cd_m2 = None;
    assert_eq!(judged(&record), 0);
    let found = Evaluation::of(&record);
    let told = found.findings.iter().filter(|placed| placed.finding.subject == "black");
    let told: Vec<&str> = told.map(|placed| placed.finding.words.as_str()).collect();
    assert!(told.iter().any(|words| words.contains("greys below 10 % are not judged")), "{told:?}");
    // What is not so dark is.
    assert_ne!(named(&found, "tracking").finding.standing, Standing::Told);
}

#[test]
fn what_is_shown_otherwise_is_held_against_a_white_that_is_shown_alike_or_says_that_none_was() {
    let mut record = record();
    for sequence in &mut record.header.plan.sets[0].sequences[2..] {
        sequence.window_percent = 100.0;
    }
    for name in ["near_black", "primaries"] {
        patches(&mut record, name).for_each(|patch| patch.patch.window_percent = 100.0);
    }
    // The display has half the light in a full field.
    patches(&mut record, "primaries").for_each(|patch| patch.value.as_mut().unwrap().y /= 2.0);
    let set = record.header.plan.sets[0].clone();
    let whole = scene(&record, &set, Calibration::default());
    let white =
        |index: usize| scene_of(&record, &set, &set.sequences[index], &whole).white.unwrap().luminance;
    assert!((white(1) - WHITE).abs() < 1e-9 && (white(3) - WHITE / 2.0).abs() < 1e-9, "{}", white(3));
    assert!(Evaluation::of(&record).sets[0].sequences.iter().all(|sequence| sequence.cautions.is_empty()));

    record.entries.retain(|entry| match entry {
        Entry::Patch(patch) => patch.place.sequence != "primaries" || patch.patch.name != "white",
        _ => true,
    });
    let sequences = Evaluation::of(&record).sets.remove(0).sequences;
    for sequence in &sequences[2..] {
        assert!(sequence.cautions[0].contains("a white on 10 % of the screen"), "{:?}", sequence.cautions);
        assert!(sequence.cautions[0].contains("these are on 100 %"), "{:?}", sequence.cautions);
    }
    assert!(sequences[..2].iter().all(|sequence| sequence.cautions.is_empty()));
}

#[test]
fn a_verdict_that_needs_a_calibration_which_was_not_stated_says_so() {
    const WORDS: &str = ", by repeatability alone";
    let mut record = record();
    let open = Evaluation::of(&record);
    for subject in ["white_colour", "grey_balance", "gamut_red"] {
        let placed = named(&open, subject);
        assert!(placed.repeatability_alone && placed.finding.words.ends_with(WORDS), "{placed:?}");
        assert_eq!(placed.finding.standing, Standing::Within);
    }
    // What is held against the display itself needs none; what isn't judged claims nothing.
    for subject in ["gamut_sum", "gamma", "peak"] {
        let placed = named(&open, subject);
        assert!(!placed.repeatability_alone && !placed.finding.words.contains(WORDS), "{placed:?}");
    }
    record.header.chromaticity_u = Some(0.001);
    let stated = Evaluation::of(&record);
    assert!(stated.findings.iter().all(|placed| !placed.repeatability_alone));
}

#[test]
fn with_st_2084_light_needs_a_calibration_too() {
    let mut record = record();
    record.header.chromaticity_u = Some(0.001);
    let luminance_u = record.header.luminance_u.take();
    record.header.plan.sets[0].aim.transfer = Transfer::Pq;
    let set = record.header.plan.sets[0].clone();
    for entry in &mut record.entries {
        let Entry::Patch(patch) = entry else { continue };
        let signal = patch.patch.signal(set.coding);
        patch.value.as_mut().unwrap().y = set.aim.xyz(signal, WHITE, BLACK).unwrap()[1];
    }
    let is_alone = |record: &Record| {
        let judged = Evaluation::of(record).findings.into_iter();
        let mut judged = judged.filter(|placed| {
            placed.sequence == "grey"
                && placed.finding.unit == "%"
                && placed.finding.standing != Standing::Told
        });
        judged.next().unwrap().repeatability_alone
    };
    assert!(is_alone(&record));
    record.header.luminance_u = luminance_u;
    assert!(!is_alone(&record));
}

#[test]
fn a_course_that_the_meter_does_not_vouch_for_counts_for_nothing_and_that_is_said() {
    let mut record = record();
    let plan = Ready::named("sdr-full").unwrap().plan().unwrap();
    let stops = stops(&plan, &[], None);
    let stop = stops.iter().find(|stop| matches!(stop.sequence.what, What::PeakHold { .. })).unwrap();
    let point = |step: u32| Point { t_s: f64::from(step), luminance_cd_m2: WHITE, chromaticity: None };
    let course = Course {
        place: stop.place(),
        patch: stop.step.patch.clone(),
        at: moment(0),
        points: (1..200).map(point).collect(),
        readings: None,
        correction: None,
        flags: Vec::new(),
    };
    record.header.plan = plan.clone();
    let held = |record: &Record| {
        let mut sequences = Evaluation::of(record).sets.remove(0).sequences;
        let index = sequences.iter().position(|it| it.name == stop.sequence.name).unwrap();
        sequences.swap_remove(index)
    };
    record.entries = vec![Entry::Course(course.clone())];
    assert!(!held(&record).figures.is_empty() && held(&record).cautions.is_empty());
    record.entries = vec![Entry::Course(Course { flags: vec![Flag::BelowRange], ..course.clone() })];
    assert!(!held(&record).figures.is_empty());
    assert!(held(&record).cautions[0].contains("below the meter's range"), "{:?}", held(&record).cautions);
    record.entries = vec![Entry::Course(Course { flags: vec![Flag::AboveRange], ..course })];
    assert!(held(&record).figures.is_empty());
    assert!(held(&record).cautions[0].contains("above the meter's range"), "{:?}", held(&record).cautions);
}

fn found(record: &Record, subject: &str) -> Finding {
    let findings = Evaluation::of(record).findings;
    findings.into_iter().find(|placed| placed.finding.subject == subject).unwrap().finding
}

#[test]
fn greys_that_were_lost_are_among_those_that_could_not_be_judged() {
    let mut record = record();
    for sequence in ["grey", "near_black"] {
        let is_of =
            |entry: &&mut Entry| matches!(entry, Entry::Patch(patch) if patch.place.sequence == sequence);
        // Dark to light: the last two stay.
        let steps = record.patches(&record.header.plan.sets[0].clone(), sequence).len();
        for entry in record.entries.iter_mut().filter(is_of) {
            let Entry::Patch(patch) = entry else { continue };
            if patch.place.step + 2 < steps {
                patch.verdict = Verdict::Lost;
            }
        }
    }
    for subject in ["tracking", "near_black", "grey_balance"] {
        let Finding { standing, words, .. } = found(&record, subject);
        assert_eq!(standing, Standing::Undecided, "{subject}: {words}");
        assert!(words.contains("the others can't be judged"), "{subject}: {words}");
    }
    let words = found(&record, "tracking").words;
    assert!(words.contains("that is of 1 of 9,"), "neither white nor black is judged: {words}");
}

/// The same stimulus once more, with another end.
fn again(record: &mut Record, sequence: &str, name: &str, change: impl FnOnce(&mut Measurement)) {
    let mut anew = patch(record, sequence, name).clone();
    change(&mut anew);
    record.entries.push(Entry::Patch(Box::new(anew)));
}

#[test]
fn what_is_measured_anew_without_a_value_takes_no_figure_away() {
    let mut record = record();
    patch(&mut record, "white_black", "white").verdict = Verdict::TimedOut;
    let before = found(&record, "peak");
    for change in [
        |patch: &mut Measurement| patch.value = None,
        |patch: &mut Measurement| patch.verdict = Verdict::Lost,
        |patch: &mut Measurement| patch.flags.push(Flag::AboveRange),
    ] {
        again(&mut record, "white_black", "white", change);
        assert_eq!(found(&record, "peak"), before);
    }
    // What has a value takes its place, whatever came before.
    again(&mut record, "white_black", "white", |patch| {
        patch.verdict = Verdict::Settled;
        patch.flags.retain(|flag| *flag != Flag::AboveRange);
        patch.value.as_mut().unwrap().y = 125.0;
    });
    let record = Record {
        entries: record.entries.iter().rev().take(1).chain(&record.entries).cloned().collect(),
        ..record
    };
    assert!((found(&record, "peak").figure.unwrap().value - 125.0).abs() < 1e-9);
}

#[test]
fn flags_are_those_of_what_counts() {
    let mut record = record();
    patch(&mut record, "grey", "grey 50 %").flags.push(Flag::ZeroOverdue);
    assert!(Evaluation::of(&record).flags.contains(&Flag::ZeroOverdue));
    again(&mut record, "grey", "grey 50 %", |patch| patch.flags.retain(|flag| *flag != Flag::ZeroOverdue));
    assert!(!Evaluation::of(&record).flags.contains(&Flag::ZeroOverdue));
}
