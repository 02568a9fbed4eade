use settled_protocol::settling::Verdict;

use super::super::synthetic::{Bench, assert_rare, borrowed, finding};
use super::*;
use crate::evaluate::draws::Calibration;
use crate::review::chart::built_in;

/// Every so manieth colour of the built-in grid.
fn colours(every: usize) -> Vec<(String, [f64; 3])> {
    built_in().into_iter().step_by(every).map(|colour| (colour.name, colour.signal)).collect()
}

fn review(bench: &mut Bench, every: usize) -> ChartFigures {
    let scene = bench.scene();
    let patches = bench.measure_all(&colours(every));
    evaluate(&scene, &borrowed(&patches)).unwrap()
}

fn standing(found: &ChartFigures, subject: &str) -> Standing {
    finding(&found.verdicts(), subject).standing
}

#[test]
fn a_display_without_noise_and_fault_is_a_very_close_match() {
    let found = review(&mut Bench::sdr(1).exact(), 1);
    assert_eq!(found.colours.len(), 129);
    assert!(found.worst.value < 1e-6 && found.mean.high < 1e-6);
    assert!(finding(&found.verdicts(), "chart_mean").words.starts_with("a very close match"));
}

#[test]
fn lightness_alone_gives_the_differences_of_ciede2000_by_hand() {
    let mut bench = Bench::sdr(2).exact();
    bench.black = 0.0;
    bench.fault = |signal, xyz| if signal == [1.0; 3] { xyz } else { xyz.map(|value| 0.9 * value) };
    let scene = bench.scene();
    let patches = bench.measure_all(&[("grey".to_owned(), [0.5; 3])]);
    let found = evaluate(&scene, &borrowed(&patches)).unwrap();
    // Of greys CIEDE2000 is ΔL*/S_L, with S_L = 1 + 0.015·(L̄ − 50)²/√(20 + (L̄ − 50)²), and L* = 116·∛(Y/Yn) − 16; 0.5 in 10 bits is 512/1023.
    let meant = (512.0_f64 / 1023.0).powf(2.4);
    let [l_1, l_2] = [meant, 0.9 * meant].map(|y| 116.0 * y.cbrt() - 16.0);
    let from_50 = (f64::midpoint(l_1, l_2) - 50.0).powi(2);
    let expected = (l_1 - l_2) / (1.0 + 0.015 * from_50 / (20.0 + from_50).sqrt());
    assert!((found.worst.value - expected).abs() < 1e-6, "{} {expected}", found.worst.value);
    assert_eq!(found.mean.value, found.worst.value);
    // Of greys ΔE*uv is ΔL* (ISO/CIE 11664-5).
    let luv = found.luv.as_ref().unwrap();
    assert!((luv.mean.value - (l_1 - l_2)).abs() < 1e-6 && luv.worst.name == "grey", "{luv:?}");
    assert!(finding(&found.verdicts(), "chart_luv").words.starts_with("by CIELUV the mean ΔE*uv is "));
}

#[test]
fn a_stated_scale_counts_in_what_a_meter_with_filters_is_off_by_on_a_colour() {
    let of = |luminance_u: f64| {
        let mut bench = Bench::sdr(12).exact();
        bench.calibration.luminance_u = luminance_u;
        let scene = bench.scene();
        let patches =
            bench.measure_all(&[("blue".to_owned(), [0.0, 0.0, 1.0]), ("grey".to_owned(), [0.5; 3])]);
        let found = evaluate(&scene, &borrowed(&patches)).unwrap();
        let high = |name: &str| found.colours.iter().find(|colour| colour.name == name).unwrap().figure.high;
        [high("blue"), high("grey")]
    };
    let ([blue, grey], [exact, _]) = (of(0.03), of(0.0));
    // A blue that may be 3 % off beside white; a grey goes with it.
    assert!(blue > exact + 0.5 && grey < 1e-6, "{blue} {exact} {grey}");
}

#[test]
fn colours_that_are_far_off_are_named_the_worst_first() {
    let mut bench = Bench::sdr(3);
    // Pure blues lose a third of their light, all else is right.
    bench.fault = |signal, xyz| {
        let is_blue = signal[2] > 2.0 * signal[0].max(signal[1]);
        xyz.map(|value| if is_blue { 0.66 * value } else { value })
    };
    let found = review(&mut bench, 1);
    assert!(
        found.colours.iter().take(5).all(|colour| colour.name.starts_with("blue")),
        "{:?}",
        &found.colours[..5]
    );
    assert_eq!(standing(&found, "chart_worst"), Standing::Beyond);
    let findings = found.verdicts();
    assert!(finding(&findings, "chart_mean").words.starts_with("not a very close match"));
    let tables = found.tables();
    assert_eq!(tables[0].rows.len(), 5);
    assert_eq!(tables[0].rows[0][0], found.colours[0].name);
}

#[test]
fn where_noise_holds_the_limit_the_readings_can_not_tell() {
    let mut bench = Bench::sdr(4);
    bench.chromaticity_u = 0.003;
    let found = review(&mut bench, 4);
    assert_eq!(standing(&found, "chart_worst"), Standing::Undecided);
    assert!(finding(&found.verdicts(), "chart_mean").words.starts_with("the readings can't tell"));
}

#[test]
fn a_meter_whose_scale_is_off_as_it_states_raises_no_alarm_where_signals_are_relative() {
    let mut bench = Bench::sdr(5);
    bench.scale = (1.04, [0.001, -0.001]);
    bench.calibration = Calibration { luminance_u: 0.02, chromaticity_u: 0.001 };
    let found = review(&mut bench, 4);
    assert_ne!(standing(&found, "chart_mean"), Standing::Beyond);
    assert_ne!(standing(&found, "chart_worst"), Standing::Beyond);
    // The scale goes out beside white: without the colour's part what is left is noise.
    bench.scale = (1.04, [0.0; 2]);
    bench.calibration.chromaticity_u = 0.0;
    assert_eq!(standing(&review(&mut bench, 4), "chart_mean"), Standing::Within);
}

#[test]
fn high_dynamic_range_is_told_in_itp_and_not_judged() {
    let found = review(&mut Bench::hdr(6), 4);
    assert_eq!(found.formula, Formula::Itp);
    assert_eq!(standing(&found, "chart_mean"), Standing::Told);
    assert!(found.mean.low < 0.5 && found.mean.value < 2.0, "{:?}", found.mean);
}

#[test]
fn colours_without_a_settled_light_are_left_out_and_named() {
    let mut bench = Bench::sdr(7);
    let scene = bench.scene();
    let mut patches = bench.measure_all(&colours(10));
    patches[0].verdict = Verdict::Lost;
    patches[1].value = None;
    let found = evaluate(&scene, &borrowed(&patches)).unwrap();
    assert_eq!(found.left_out, [patches[0].patch.name.clone(), patches[1].patch.name.clone()]);
    assert!(finding(&found.verdicts(), "chart_mean").words.contains(&patches[0].patch.name));
}

#[test]
fn the_intervals_of_a_display_that_is_off_hold_its_true_differences_at_once() {
    let off = |bench: Bench| Bench { fault: |_, [x, y, z]| [x, 0.97 * y, 0.94 * z], ..bench };
    let truth = review(&mut off(Bench::sdr(0).exact()), 6);
    let mut held = 0;
    for seed in 0..40 {
        let found = review(&mut off(Bench::sdr(seed)), 6);
        held += u32::from(truth.colours.iter().all(|colour| {
            let same = found.colours.iter().find(|found| found.name == colour.name);
            same.is_none_or(|found| found.figure.holds(colour.figure.value))
        }));
        assert!(found.mean.low <= truth.worst.value && found.worst.high >= truth.mean.value);
    }
    // 95 % are promised: of 40 no fewer than 34 in 99 % of tries (binomial).
    assert!(held >= 34, "{held} of 40");
}

#[test]
fn a_perfect_chart_is_hardly_ever_called_beyond() {
    assert_rare(67, |seed| review(&mut Bench::sdr(seed), 5).verdicts());
}
