//! Verdicts of light that is known.

use settled_protocol::quantity::Chromaticity;
use settled_protocol::time::Timestamp;

use super::*;

fn found(kind: RunKind, count: usize, y: impl Fn(f64) -> f64, uv: impl Fn(f64) -> [f64; 2]) -> RunVerdict {
    found_with_gaps(kind, count, y, uv, 0.0).verdict
}

fn found_with_gaps(
    kind: RunKind,
    count: usize,
    y: impl Fn(f64) -> f64,
    uv: impl Fn(f64) -> [f64; 2],
    unseen: f64,
) -> Found {
    found_with(&Criteria::default(), kind, count, y, uv, unseen)
}

fn found_with(
    criteria: &Criteria,
    kind: RunKind,
    count: usize,
    y: impl Fn(f64) -> f64,
    uv: impl Fn(f64) -> [f64; 2],
    unseen: f64,
) -> Found {
    let mut series = Series::default();
    let mut sign = 1.0;
    for index in 0..count {
        let t_s = 10.0 * index as f64;
        sign = -sign;
        // Noise of 0.05 % that is the same in every run of the test.
        let noise = 1.0 + 0.0005 * sign * (1.0 + (index % 3) as f64) / 2.0;
        series.push(t_s, y(t_s) * noise, Some(uv(t_s)));
    }
    let [u, v] = uv(0.0);
    let chromaticity = Chromaticity::from_uv(u, v).ok();
    let reference = RunPoint { at: Timestamp::from_unix_ns(0), value: y(0.0), chromaticity, count: 1 };
    verdict(kind, &series, Some(&reference), criteria, unseen)
}

const WHITE: [f64; 2] = [0.1978, 0.4683];

// The default band is 0.5 %, and 0.0005 in u′v′.
#[test]
fn light_is_within_beyond_or_it_can_not_be_told() {
    use RunKind::{Drift, Stability};
    use RunVerdict::{Beyond, Undecided, Within};
    let rising = |share: f64| move |t_s: f64| 100.0 * (1.0 + share * t_s / 10_000.0);
    for (kind, share, expected) in [
        (Drift, 0.0, Within),
        (Drift, 0.003, Within),
        (Drift, 0.02, Beyond),
        (Stability, 0.0, Within),
        (Stability, 0.02, Beyond),
        (Stability, 0.0048, Undecided),
    ] {
        assert_eq!(found(kind, 1000, rising(share), |_| WHITE), expected, "{kind:?} {share}");
    }
    assert_eq!(found(Drift, 2, rising(0.0), |_| WHITE), Undecided, "too few");
}

#[test]
fn light_that_nobody_saw_for_long_was_not_held_as_far_as_is_known_but_may_have_left() {
    let (still, gone) = (|_| 100.0, |t_s: f64| 100.0 + t_s / 1000.0);
    for (unseen, expected) in [(0.05, RunVerdict::Within), (0.5, RunVerdict::Undecided)] {
        let held = found_with_gaps(RunKind::Stability, 1000, still, |_| WHITE, unseen);
        assert_eq!((held.verdict, held.doubts), (expected, vec![]));
        let left = found_with_gaps(RunKind::Stability, 1000, gone, |_| WHITE, unseen);
        assert_eq!(left.verdict, RunVerdict::Beyond, "{unseen}");
    }
}

#[test]
fn light_that_goes_away_and_comes_back_was_not_held_though_it_does_not_drift() {
    let bump = |t_s: f64| if (4000.0..6000.0).contains(&t_s) { 102.0 } else { 100.0 };
    assert_eq!(found(RunKind::Stability, 1000, bump, |_| WHITE), RunVerdict::Beyond);
    assert_ne!(found(RunKind::Drift, 1000, bump, |_| WHITE), RunVerdict::Beyond);
}

#[test]
fn a_step_counts_for_how_far_light_went_though_it_is_no_drift() {
    let stepped = |share: f64| move |t_s: f64| if t_s < 4000.0 { 100.0 } else { 100.0 * (1.0 + share) };
    for (share, expected) in [(0.002, RunVerdict::Within), (0.008, RunVerdict::Beyond)] {
        assert_eq!(found(RunKind::Drift, 1000, stepped(share), |_| WHITE), expected, "{share}");
    }
}

#[test]
fn light_that_goes_away_on_a_bend_has_left_its_band_though_no_line_fits() {
    let bent = |t_s: f64| 100.0 * (1.0 + 0.02 * (-t_s / 3300.0).exp());
    let found = found_with_gaps(RunKind::Drift, 1000, bent, |_| WHITE, 0.0);
    assert_eq!(found.verdict, RunVerdict::Beyond);
    // From the first point to the mean of the last eighth, which is surest here, and said so.
    let told = found.findings[0];
    assert_eq!(told.found_by, Some(FoundBy::Reference));
    let mean = |from: f64, to: f64| {
        let integral = |t_s: f64| -3300.0 * (-t_s / 3300.0).exp();
        2.0 * (integral(to) - integral(from)) / (to - from)
    };
    let (off, half) = told.off.zip(told.half).unwrap();
    assert!((off - (mean(8750.0, 10_000.0) - 2.0)).abs() < half, "{told:?}");
}

#[test]
fn quiet_light_that_bends_is_in_doubt_for_its_course_and_noisy_light_for_its_noise() {
    let criteria = Criteria { luminance: 0.09, ..Criteria::default() };
    // As a display that was just switched on: by 8 %, most of it in the first sixth.
    let bent = |t_s: f64| 300.0 * (1.0 - 0.08 * (-t_s / 300.0).exp());
    let found = found_with(&criteria, RunKind::Drift, 120, bent, |_| WHITE, 0.0);
    assert_eq!((found.verdict, found.doubts), (RunVerdict::Undecided, vec![Doubt::Course]));
    let narrow = Criteria { luminance: 0.0002, ..Criteria::default() };
    for kind in [RunKind::Drift, RunKind::Stability] {
        let found = found_with(&narrow, kind, 120, |_| 300.0, |_| WHITE, 0.0);
        assert_eq!((found.verdict, found.doubts), (RunVerdict::Undecided, vec![Doubt::Noise]), "{kind:?}");
    }
}

#[test]
fn each_finding_says_by_which_way_it_was_found() {
    let rising = |share: f64| move |t_s: f64| 100.0 * (1.0 + share * t_s / 10_000.0);
    let way = |kind, share: f64| {
        let found = found_with_gaps(kind, 1000, rising(share), |_| WHITE, 0.0);
        found.findings.iter().map(|finding| finding.found_by.unwrap()).collect::<Vec<_>>()
    };
    assert_eq!(way(RunKind::Drift, 0.003), [FoundBy::Line, FoundBy::Line]);
    assert_eq!(way(RunKind::Stability, 0.0), [FoundBy::Reference, FoundBy::Reference]);
    // One point is a noisy reference: where the light began is surer by the line through its first eighth.
    assert_eq!(way(RunKind::Stability, -0.006)[0], FoundBy::Beginning);
    let few = found_with_gaps(RunKind::Drift, 2, rising(0.0), |_| WHITE, 0.0);
    assert!(few.findings.iter().all(|finding| finding.off.is_none() && finding.found_by.is_none()));
}

#[test]
fn colour_alone_may_be_beyond() {
    let colour = |t_s: f64| [WHITE[0] + 0.002 * t_s / 10_000.0, WHITE[1]];
    for kind in [RunKind::Drift, RunKind::Stability] {
        assert_eq!(found(kind, 1000, |_| 100.0, colour), RunVerdict::Beyond, "{kind:?}");
    }
}

#[test]
fn without_a_reference_nothing_can_be_told() {
    let found = verdict(RunKind::Drift, &Series::default(), None, &Criteria::default(), 0.0);
    assert_eq!((found.verdict, found.findings, found.doubts), (RunVerdict::Undecided, vec![], vec![]));
}

#[test]
fn light_that_warmed_up_before_its_second_point_left_its_band_though_it_stands_still_since() {
    // A burst each quarter of an hour of a night: the first is of a display that was just switched on.
    let cold = |t_s: f64| if t_s < 5.0 { 97.2 } else { 100.0 };
    for count in [32, 1000] {
        assert_eq!(found(RunKind::Drift, count, cold, |_| WHITE), RunVerdict::Beyond, "{count}");
    }
    let noisy = |t_s: f64| if t_s < 5.0 { 99.8 } else { 100.0 };
    assert_eq!(found(RunKind::Drift, 32, noisy, |_| WHITE), RunVerdict::Within);
}
