use settled_protocol::reading::Flag;

use super::super::greys::sample::{Bench, Noise, QUIET, bench, dark, finding};
use super::*;

const BLACK: f64 = 0.02;

fn aim(signal: f64) -> f64 {
    Transfer::Bt1886.luminance(signal, 100.0, BLACK)
}

/// As light above black with an exponent that is off by `delta` below a signal of 0.1.
fn off_by(delta: f64) -> impl Fn(f64) -> f64 {
    move |signal| {
        let factor = if signal > 0.0 && signal < 0.1 { (signal / 0.1).powf(delta) } else { 1.0 };
        BLACK + (aim(signal) - BLACK) * factor
    }
}

fn figures(bench: &mut Bench<'_>) -> NearBlackFigures {
    let scene = bench.scene();
    let patches = bench.patches(dark());
    evaluate(&scene, &patches.iter().collect::<Vec<_>>()).unwrap()
}

#[test]
fn a_display_that_lifts_dark_greys_is_lighter_there_and_the_verdict_says_where_and_by_how_much() {
    let luminance = off_by(-0.4);
    let found = figures(&mut bench(Transfer::Bt1886, &luminance, QUIET));
    let verdict = finding(&found.verdicts(), "near_black");
    assert_eq!(verdict.standing, Standing::Beyond);
    assert!(verdict.words.contains("lighter than BT.1886 from"), "{}", verdict.words);
    for step in found.steps.iter().filter(|step| step.signal > 0.0) {
        let truth = 100.0 * (luminance(step.signal) / aim(step.signal) - 1.0);
        let error = step.error_percent.unwrap();
        assert!(error.holds(truth), "{error:?} is not {truth}");
        assert!(stops(step).unwrap().holds((1.0 + truth / 100.0).log2()));
    }
    let exponent = found.exponent.unwrap();
    assert!(exponent.gamma.high < exponent.aim, "{exponent:?}");
}

#[test]
fn a_display_that_follows_bt1886_is_within() {
    let found = figures(&mut bench(Transfer::Bt1886, &aim, QUIET));
    assert_eq!(finding(&found.verdicts(), "near_black").standing, Standing::Within);
    let exponent = found.exponent.unwrap();
    assert!(exponent.gamma.holds(exponent.aim), "{exponent:?}");
}

#[test]
fn st_2084_with_a_black_of_its_own_is_within_whether_that_lies_under_all_or_only_under_what_is_darker() {
    let pq = crate::evaluate::transfer::pq::eotf;
    let [under_all, under_dark]: [&dyn Fn(f64) -> f64; 2] =
        [&|signal| (pq(signal) + 0.05).min(600.0), &|signal| pq(signal).clamp(0.05, 600.0)];
    for luminance in [under_all, under_dark] {
        let mut bench = bench(Transfer::Pq, luminance, QUIET);
        let verdict = finding(&figures(&mut bench).verdicts(), "near_black");
        assert_ne!(verdict.standing, Standing::Beyond, "{}", verdict.words);
    }
}

#[test]
fn what_is_below_the_meters_range_is_less_than_and_has_no_gamma() {
    let mut bench = bench(Transfer::Bt1886, &aim, QUIET);
    let scene = bench.scene();
    let mut patches = bench.patches(dark());
    for patch in &mut patches[..3] {
        patch.flags.push(Flag::BelowRange);
    }
    let found = evaluate(&scene, &patches.iter().collect::<Vec<_>>()).unwrap();
    assert_eq!(found.steps.len(), 20);
    for step in &found.steps[..3] {
        assert!(step.luminance_cd_m2.is_none() && step.local_gamma.is_none() && step.error_percent.is_none());
        assert!(step.less_than_cd_m2.unwrap() > aim(step.signal) * 0.9, "{step:?}");
    }
    assert!(found.tables()[0].rows[0][1].starts_with("< "));
    assert!(found.verdicts().iter().any(|finding| finding.subject == "below_range"));
}

#[test]
fn one_code_value_down_is_less_than_one_up_and_no_light_at_all_is_too_dark() {
    // BT.1886 from a black of nothing: V^2.4. One code value up from the second is (3/2)^2.4 − 1 = +165 %, down 1 − (1/2)^2.4 = 81 %.
    let crushed = |signal: f64| if signal > 0.0035 { 100.0 * signal.powf(2.4) } else { 0.0 };
    let quiet = Noise { relative: 0.001, floor_cd_m2: 1e-9 };
    let mut bench = bench(Transfer::Bt1886, &crushed, quiet);
    let scene = bench.scene();
    let code = scene.coding.signal(1) - scene.coding.signal(0);
    let patches = bench.patches((0..=13).map(|step| f64::from(step) * code));
    let found = evaluate(&scene, &patches.iter().collect::<Vec<_>>()).unwrap();
    let second = found.steps.iter().find(|step| (step.signal - 2.0 * code).abs() < 1e-6).unwrap();
    assert!((second.least_percent + 81.05).abs() < 1.0, "{second:?}");
    assert!((second.most_percent - 164.6).abs() < 4.0, "{second:?}");
    assert_eq!(second.tolerance().of(&second.error_percent.unwrap()), Standing::Beyond, "{second:?}");
    assert!(
        second.allowed().starts_with("-8") && second.allowed().contains(" % to +16"),
        "{}",
        second.allowed()
    );
    assert_eq!(finding(&found.verdicts(), "near_black").standing, Standing::Beyond);
}

#[test]
fn st_2084_allows_its_black_once_and_not_twice() {
    let pq = crate::evaluate::transfer::pq::eotf;
    // As much light again as black has: under all light, and once more.
    let twice = |signal: f64| if signal > 0.0 { (pq(signal) + 0.1).min(600.0) } else { 0.05 };
    let found = figures(&mut bench(Transfer::Pq, &twice, QUIET));
    let verdict = finding(&found.verdicts(), "near_black");
    assert_eq!(verdict.standing, Standing::Beyond, "{}", verdict.words);
}

#[test]
fn a_black_that_nobody_measured_is_told() {
    let mut bench = bench(Transfer::Bt1886, &aim, QUIET);
    let mut scene = bench.scene();
    scene.black = None;
    let patches = bench.patches(dark());
    let found = evaluate(&scene, &patches.iter().collect::<Vec<_>>()).unwrap();
    assert_eq!(found.black, BlackIs::Unknown);
    assert!(finding(&found.verdicts(), "black").words.contains("not measured"));
}

/// Reviews with each meter.
const REVIEWS: usize = 12;

#[test]
fn a_display_without_fault_is_next_to_never_found_fault_with_however_noisy_the_meter() {
    let mut beyond = 0;
    let mut missed = 0;
    let mut reviews = 0;
    for (relative, floor_cd_m2) in [(0.001, 0.0005), (0.01, 0.002), (0.02, 0.01)] {
        let luminance = |signal| Transfer::Bt1886.luminance(signal, 100.0, BLACK);
        let mut bench = bench(Transfer::Bt1886, &luminance, Noise { relative, floor_cd_m2 });
        for _ in 0..REVIEWS {
            let scene = bench.scene();
            let patches = bench.patches(dark());
            let found = evaluate(&scene, &patches.iter().collect::<Vec<_>>()).unwrap();
            let errors: Vec<Figure> = found.steps.iter().filter_map(|step| step.error_percent).collect();
            assert!(errors.len() > 18);
            reviews += 1;
            beyond +=
                usize::from(found.verdicts().iter().any(|finding| finding.standing == Standing::Beyond));
            missed += usize::from(errors.iter().any(|error| !error.holds(0.0)));
        }
    }
    // At most 3 of 100 are promised.
    assert!(beyond * 100 <= reviews * 3, "{beyond} of {reviews}");
    // Every interval holds the truth in 99 of 100; that 4 of 36 have one that doesn't comes in 1 of 1700.
    assert!(missed < 4, "{missed} of {reviews}");
}

#[test]
fn a_perfect_display_whose_black_is_below_the_meters_range_is_not_called_dark_for_what_the_meter_added() {
    // True black is none; the meter reads 0.0004 cd/m² of it, its own offset.
    let truth = |signal: f64| Transfer::Bt1886.luminance(signal, 600.0, 0.0);
    for seed in 0..20 {
        let noise = Noise { floor_cd_m2: 0.0001 + f64::from(seed) * 1e-9, ..QUIET };
        let mut bench = bench(Transfer::Bt1886, &truth, noise);
        let mut patches = bench.patches(std::iter::once(0.0).chain(dark()));
        let black = patches.first_mut().unwrap();
        black.flags.push(Flag::BelowRange);
        black.value.as_mut().unwrap().y = 0.0004;
        let found = evaluate(&bench.scene(), &patches.iter().collect::<Vec<_>>()).unwrap();
        let verdict = finding(&found.verdicts(), "near_black");
        assert_ne!(verdict.standing, Standing::Beyond, "{}", verdict.words);
    }
}
