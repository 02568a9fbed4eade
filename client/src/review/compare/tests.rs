use settled_protocol::quantity::Chromaticity;
use settled_protocol::time::Timestamp;

use super::*;
use crate::review::evaluation::tests::{patch, record};
use crate::review::figures::Tolerance;
use crate::review::record::Entry;
use crate::review::record::shown::{Means, Shown};
use crate::stimulus::way::Kind;

fn within(least: Option<f64>, most: Option<f64>) -> Tolerance {
    Tolerance { least, most, source: "a test".to_owned() }
}

#[test]
fn a_difference_is_as_unsure_as_both_figures_together() {
    // Independent standard uncertainties add as squares (JCGM 100, 5.1.2): 3 and 4 make 5.
    let found = difference(&Figure::around(100.0, 3.0), &Figure::around(110.0, 4.0));
    assert_eq!(found, Figure::between(10.0, 5.0, 15.0));
    let skewed = Figure::between(10.0, 9.0, 14.0);
    let found = difference(&Figure::exactly(2.0), &skewed);
    assert_eq!(found, Figure::between(8.0, 7.0, 12.0));
    assert_eq!(difference(&skewed, &Figure::exactly(2.0)), Figure::between(-8.0, -12.0, -7.0));
}

#[test]
fn figures_of_a_comparison_have_the_intervals_that_they_have_by_themselves() {
    let found = mended(Some(0.001), |_| {});
    let [a, b] = [record(), record()].map(|record| Evaluation::of(&record));
    let tracking = |evaluation: &Evaluation| {
        let placed = evaluation.findings.iter().find(|placed| placed.finding.subject == "tracking").unwrap();
        placed.finding.figure.unwrap()
    };
    let row = of(&found, "tracking");
    assert!(tracking(&a).together && tracking(&b).widened > 1.2, "{:?}", tracking(&a));
    assert!((row.a.coverage, row.a.together) == (0.95, false), "{row:?}");
    assert!(row.a.half() < 0.9 * tracking(&a).half(), "{row:?}");
    assert!((row.difference.coverage, row.difference.together) == (0.95, false));
}

#[test]
fn a_distance_whose_interval_ends_at_zero_is_no_surer_for_it() {
    let cut = Figure::between(0.2, 0.0, 0.7);
    let found = difference(&cut, &Figure::exactly(1.0));
    assert!((found.high - 1.3).abs() < 1e-12, "{found:?}");
}

#[test]
fn intervals_that_hold_all_differences_are_wider_the_more_there_are() {
    // The standard normal's quantiles at 1 − 0.025 and 1 − 0.025/50: 1.959964 and 3.290527.
    assert!((factor(1) - 1.0).abs() < 1e-9 && (factor(0) - 1.0).abs() < 1e-9);
    assert!((factor(50) - 3.290_527 / 1.959_964).abs() < 1e-5, "{}", factor(50));
}

#[test]
fn what_is_better_depends_on_the_tolerance_and_only_beyond_uncertainty() {
    let (low, high) = (Figure::around(1.0, 0.1), Figure::around(2.0, 0.1));
    let of = |a: &Figure, b: &Figure, tolerance: Option<Tolerance>| change(a, b, tolerance.as_ref(), 1.5);
    assert_eq!(of(&low, &high, Some(within(None, Some(3.0)))), Change::Worse);
    assert_eq!(of(&high, &low, Some(within(None, Some(3.0)))), Change::Better);
    assert_eq!(of(&low, &high, Some(within(Some(0.5), None))), Change::Better);
    assert_eq!(of(&low, &high, Some(within(Some(1.9), Some(2.3)))), Change::Better);
    // As far off on the other side: it differs, and is neither.
    assert_eq!(of(&low, &high, Some(within(Some(1.4), Some(1.6)))), Change::Differs);
    assert_eq!(of(&low, &high, None), Change::Differs);
    let near = Figure::around(1.15, 0.1);
    assert_eq!(of(&low, &near, Some(within(None, Some(3.0)))), Change::Alike);
    assert_eq!(
        of(&Figure::exactly(1.0), &Figure::exactly(2.0), None),
        Change::Alike,
        "nobody knows how sure"
    );
}

/// Of a white that was tinted, and of one that is right; what is done to the second record, and what was stated of the meter's chromaticity.
fn mended(chromaticity_u: Option<f64>, second: impl FnOnce(&mut Record)) -> Comparison {
    let (mut a, mut b) = (record(), record());
    let tinted = patch(&mut a, "white_black", "white").value.as_mut().unwrap();
    let colour = tinted.chromaticity.unwrap();
    tinted.chromaticity = Some(Chromaticity::from_uv(colour.u_prime() + 0.02, colour.v_prime()).unwrap());
    a.header.chromaticity_u = chromaticity_u;
    b.header.chromaticity_u = chromaticity_u;
    second(&mut b);
    Comparison::of(&a, &b)
}

fn of<'a>(comparison: &'a Comparison, subject: &str) -> &'a Row {
    comparison.rows.iter().find(|row| row.subject == subject).unwrap()
}

#[test]
fn a_calibration_goes_out_where_one_meter_measured_one_display_twice_and_nowhere_else() {
    let once_more = mended(None, |_| {});
    assert!(once_more.is_calibration_left_out());
    assert_eq!(of(&once_more, "white_colour").change, Change::Better);
    let beside = mended(None, |b| b.header.display = "field monitor 4".to_owned());
    assert!(!beside.is_calibration_left_out());
    // 2 % of 120 cd/m² each, as of independent measurements: 1.96 · √2 · 2.4 cd/m² = 6.7 cd/m².
    let (same, two) = (of(&once_more, "peak").difference, of(&beside, "peak").difference);
    assert!(same.u95() < 0.5 && (two.u95() - 6.65).abs() < 0.7, "{same:?} {two:?}");
}

#[test]
fn what_a_meter_may_be_off_by_makes_nothing_better_or_worse() {
    let another = |b: &mut Record| b.header.display = "field monitor 4".to_owned();
    let open = mended(None, another);
    assert_eq!(of(&open, "white_colour").change, Change::Differs);
    assert!(
        open.cautions.iter().any(|caution| caution.contains("may be the meter's")),
        "{:?}",
        open.cautions
    );
    assert_eq!(of(&mended(Some(0.001), another), "white_colour").change, Change::Better);
    let meters = mended(None, |b| b.header.meter = "other".to_owned());
    assert_eq!(of(&meters, "white_colour").change, Change::Differs);
}

#[test]
fn what_no_interval_holds_is_always_said_and_whose_light_it_was() {
    let compared = mended(Some(0.001), |_| {});
    assert!(compared.cautions.iter().any(|caution| caution.contains("put down")), "{:?}", compared.cautions);
    assert_eq!(compared.a.flags.first(), Some(&Flag::Simulated));
}

#[test]
fn two_reviews_that_were_shown_by_other_ways_say_so_where_both_tell() {
    let shown = |way| {
        let means = Means { way, pause_s: 0.0, program: None, page: None, cautions: Vec::new() };
        Entry::Shown(Shown { at: Timestamp::from_unix_ns(1), means })
    };
    let of = |a: Option<Kind>, b: Option<Kind>| {
        let (mut first, mut second) = (record(), record());
        first.entries.extend(a.map(shown));
        second.entries.extend(b.map(shown));
        let cautions = Comparison::of(&first, &second).cautions;
        cautions.into_iter().find(|words| words.starts_with("the first was"))
    };
    let told = of(Some(Kind::Page), Some(Kind::Command)).unwrap();
    assert_eq!(told, "the first was shown by a page in a browser; the second was shown by a command");
    assert_eq!([of(Some(Kind::Page), Some(Kind::Page)), of(None, Some(Kind::Page))], [None, None]);
}

fn corrected(record: &mut Record, id: Option<&str>) {
    for entry in &mut record.entries {
        if let Entry::Patch(patch) = entry {
            patch.correction = id.map(str::to_owned);
        }
    }
}

fn said(comparison: &Comparison, words: &str) -> bool {
    comparison.cautions.iter().any(|caution| caution.contains(words))
}

#[test]
fn what_a_correction_changed_between_two_reviews_is_called_neither_better_nor_worse() {
    let changed = mended(None, |b| corrected(b, Some("c1")));
    assert!(!changed.is_calibration_left_out());
    assert_eq!(of(&changed, "white_colour").change, Change::Differs);
    assert!(said(&changed, "the first went through none, the second through c1"), "{:?}", changed.cautions);
    assert!(said(&changed, "may be the meter's"), "{:?}", changed.cautions);
    // Part of the second review alone.
    let mixed = mended(None, |b| patch(b, "primaries", "red").correction = Some("c1".to_owned()));
    assert!(!mixed.is_calibration_left_out() && said(&mixed, "through none and c1"), "{:?}", mixed.cautions);
    let old = mended(None, |b| b.header.attached = None);
    assert_eq!((old.same_correction, old.is_calibration_left_out()), (None, false));
    assert!(said(&old, "older than that this is told"), "{:?}", old.cautions);
    // One id in two logs is two corrections.
    let both = |log: &str| {
        let (mut a, mut b) = (record(), record());
        corrected(&mut a, Some("c1"));
        corrected(&mut b, Some("c1"));
        b.header.log = Some(log.to_owned());
        a.header.log = Some("a".to_owned());
        Comparison::of(&a, &b).is_calibration_left_out()
    };
    assert_eq!([both("a"), both("b")], [true, false]);
}

#[test]
fn two_meters_of_one_id_are_told_apart_by_their_serial_numbers() {
    let serials = |display: &str| {
        let (mut a, mut b) = (record(), record());
        (a.header.serial, b.header.serial) = (Some("0042".to_owned()), Some("0043".to_owned()));
        b.header.display = display.to_owned();
        Comparison::of(&a, &b)
    };
    for display in ["field monitor 3", "field monitor 4"] {
        let compared = serials(display);
        let words = "two meters measured: bench (serial number 0042) and bench (serial number 0043)";
        assert!(said(&compared, words) && said(&compared, "between the meters"), "{:?}", compared.cautions);
        assert!(!said(&compared, "one meter measured"), "{:?}", compared.cautions);
    }
}

#[test]
fn displays_that_nobody_named_are_not_taken_for_one() {
    let compared = mended(None, |b| b.header.unnamed = true);
    assert!(!compared.same_display && !compared.is_calibration_left_out());
    assert!(said(&compared, "--display"), "{:?}", compared.cautions);
}

#[test]
fn a_luminance_that_differs_says_by_how_many_per_cent() {
    let dimmer = mended(None, |b| patch(b, "white_black", "white").value.as_mut().unwrap().y *= 0.75);
    let peak = of(&dimmer, "peak");
    let percent = peak.relative_percent.unwrap();
    assert!(
        (percent.value + 25.0).abs() < 1e-9 && percent.low < -25.0 && percent.high > -25.0,
        "{percent:?}"
    );
    // 1.96 · √2 · the relative uncertainty of each, and about as much below as above.
    let both = (peak.a.u95() / peak.a.value).hypot(peak.b.u95() / peak.b.value);
    assert!((percent.u95() - 75.0 * both).abs() < 0.02 * percent.u95(), "{percent:?}");
    assert_eq!(of(&dimmer, "white_colour").relative_percent, None);
    assert_eq!((peak.change, peak.why), (Change::Differs, Some(Why::NoTolerance)));
}

#[test]
fn what_is_neither_better_nor_worse_says_why() {
    let another = |b: &mut Record| b.header.display = "field monitor 4".to_owned();
    let open = mended(None, another);
    assert_eq!(of(&open, "white_colour").why, Some(Why::Calibration));
    assert_eq!(of(&mended(None, |_| {}), "white_colour").why, None);
    let (one, other) = (within(None, Some(3.0)), within(Some(2.0), None));
    assert_eq!(Why::of(Some(&one), Some(&other), false), Why::OtherTolerance);
    assert_eq!(Why::of(Some(&one), Some(&one), false), Why::AsFarOff);
}

#[test]
fn where_there_is_nothing_to_compare_that_is_said_first() {
    let one = record();
    let same = Comparison::of(&one, &one);
    let [only] = same.cautions.as_slice() else { panic!("{:?}", same.cautions) };
    assert!(only.contains("one and the same record"), "{only}");
    let mut other = record();
    other.header.plan.sets[0].name = "HDR".to_owned();
    for entry in &mut other.entries {
        if let Entry::Patch(patch) = entry {
            patch.place.set = "HDR".to_owned();
        }
    }
    let none = Comparison::of(&one, &other);
    assert!(none.rows.is_empty() && none.cautions[0].contains("no figure in common"), "{:?}", none.cautions);
    let twice = mended(None, |_| {});
    assert!(!said(&twice, "in common") && !said(&twice, "the same record"), "{:?}", twice.cautions);
}
