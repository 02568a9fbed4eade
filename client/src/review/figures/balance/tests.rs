use settled_protocol::quantity::{Chromaticity, Xyz};
use settled_protocol::stage::Range;

use super::super::Standing;
use super::super::synthetic::{Bench, assert_rare, borrowed, finding, greys};
use super::*;
use crate::review::patch::Coding;

fn review(bench: &mut Bench) -> BalanceFigures {
    let scene = bench.scene();
    let patches = bench.measure_all(&greys(21));
    evaluate(&scene, &borrowed(&patches)).unwrap()
}

fn moved([x, y, z]: [f64; 3], dv: f64) -> [f64; 3] {
    let colour = Xyz::new(x, y, z).unwrap().chromaticity().unwrap();
    let colour = Chromaticity::from_uv(colour.u_prime(), colour.v_prime() + dv).unwrap();
    formulas::light(colour, y).unwrap()
}

type Row = std::collections::HashMap<String, Option<f64>>;

fn of(row: &Row, column: &str) -> f64 {
    row[column].unwrap()
}

/// A grey ramp of an imaginary display, evaluated by colour-science, luxpy and coloraide.
fn published() -> Vec<Row> {
    let text = include_str!(concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../tests/reference/colour/greyscale_tracking.csv"
    ));
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_reader(text.as_bytes());
    reader.deserialize().map(Result::unwrap).collect()
}

/// Its figures here, of those steps whose signals a coding has exactly.
fn of_published(coding: Coding) -> Vec<(Row, BalanceStep)> {
    let mut bench = Bench::sdr(1).exact();
    let mut scene = bench.scene();
    scene.coding = coding;
    let rows = published();
    let exact = |row: &Row| {
        let xyz = Xyz::new(of(row, "X"), of(row, "Y"), of(row, "Z")).unwrap();
        Measured::exactly(of(row, "Y"), xyz.chromaticity())
    };
    (scene.black, scene.white) = (rows.first().map(exact), rows.last().map(exact));
    let is_exact = |row: &Row| (coding.signal(coding.code(of(row, "V"))) - of(row, "V")).abs() < 1e-12;
    let rows: Vec<_> = rows.into_iter().filter(is_exact).collect();
    let patches: Vec<Measurement> = rows
        .iter()
        .map(|row| {
            let mut patch = bench.measure(&of(row, "V").to_string(), [of(row, "V"); 3]);
            patch.patch.codes = [coding.code(of(row, "V")); 3];
            let light = exact(row);
            let value = patch.value.as_mut().unwrap();
            (value.y, value.y_u95, value.chromaticity) = (light.luminance, 0.0, light.chromaticity);
            patch
        })
        .collect();
    let found = evaluate(&scene, &borrowed(&patches)).unwrap();
    assert_eq!(found.steps.len(), rows.len());
    rows.into_iter().zip(found.steps).collect()
}

#[test]
fn an_imaginary_ramp_has_the_figures_that_three_libraries_give_it() {
    let narrow = of_published(Coding { bits: 10, range: Range::Narrow });
    let full = of_published(Coding { bits: 8, range: Range::Full });
    // 0, 25 … 100 % and 0, 20 … 100 % are whole code values.
    assert!(narrow.len() >= 5 && full.len() >= 6);
    for (row, step) in narrow.into_iter().chain(full) {
        let near = |figure: Option<Figure>, column: &str, tolerance: f64| {
            let (found, expected) = (figure.unwrap().value, of(&row, column));
            assert!((found - expected).abs() < tolerance, "{} {column}: {found}, not {expected}", step.name);
        };
        near(step.from_aim, "du_v", 1e-6);
        near(step.cct_k, "cct", 1.0);
        near(step.duv, "duv", 1e-5);
        near(step.difference, "de2000", 1e-4);
        near(step.colour_difference, "de2000_chroma", 1e-4);
    }
}

#[test]
fn a_ramp_that_turns_green_in_the_middle_is_beyond_there() {
    let mut bench = Bench::sdr(2);
    bench.fault = |signal, xyz| moved(xyz, 0.008 * (1.0 - (2.0 * signal[0] - 1.0).abs()));
    let found = review(&mut bench);
    let worst = found.worst_from_aim.clone().unwrap();
    // The tent's top, or beside it, as noise decides between neighbours.
    assert!(["grey 45 %", "grey 50 %", "grey 55 %"].contains(&worst.name.as_str()), "{worst:?}");
    assert!(worst.figure.holds(0.008) || worst.figure.holds(0.0072));
    let findings = found.verdicts();
    let tint = finding(&findings, "grey_balance");
    assert_eq!(tint.standing, Standing::Beyond);
    assert!(tint.words.contains(&worst.name));
}

#[test]
fn a_weak_blue_shows_in_the_balance() {
    let mut bench = Bench::sdr(3).exact();
    // A tenth of blue's light is missing: B is 90 % of what R and G are, which have 1 − 0.1·0.0722 of white's luminance (BT.709's share).
    bench.fault = |signal, [x, y, z]| {
        let blue = y * 0.1 * if signal[0] > 0.0 { 1.0 } else { 0.0 };
        [x - blue * 0.1804808, y - blue * 0.0721923, z - blue * 0.9505322]
    };
    let found = review(&mut bench);
    let step = found.steps.iter().find(|step| step.name == "grey 50 %").unwrap();
    let [red, green, blue] = step.rgb_percent.unwrap().map(|share| share.value);
    let left = 1.0 - 0.1 * 0.0721923;
    assert!((red - 100.0 / left).abs() < 1e-3 && (green - 100.0 / left).abs() < 1e-3, "{red} {green}");
    assert!((blue - 90.0 / left).abs() < 1e-3, "{blue}");
}

#[test]
fn steps_whose_colour_is_not_known_are_said_to_be_not_measurable() {
    let mut bench = Bench::sdr(4);
    bench.black = 0.0;
    bench.chromaticity_u = 0.0006;
    let found = review(&mut bench);
    assert!(found.not_measurable.contains(&"grey 0 %".to_owned()));
    assert!(found.not_measurable.contains(&"grey 5 %".to_owned()), "{:?}", found.not_measurable);
    assert!(!found.not_measurable.contains(&"grey 50 %".to_owned()));
    let findings = found.verdicts();
    let near_black = finding(&findings, "grey_near_black");
    assert_eq!(near_black.standing, Standing::Told);
    assert!(near_black.words.contains("no tint can be told") && near_black.words.contains("grey 5 %"));
}

#[test]
fn the_intervals_of_a_tinted_ramp_hold_the_truth_for_all_steps_at_once() {
    let mut held = 0;
    for seed in 0..60 {
        let mut bench = Bench::sdr(seed);
        bench.fault = |_, xyz| moved(xyz, 0.005);
        let found = review(&mut bench);
        let is_held = |figure: &Option<Figure>| figure.is_none_or(|figure| figure.holds(0.005));
        held += u32::from(
            found.steps.iter().all(|step| is_held(&step.from_aim)) && is_held(&found.mean_from_aim),
        );
    }
    // 95 % are promised: of 60 no fewer than 53 in 99 % of tries (binomial).
    assert!(held >= 53, "{held} of 60");
}

#[test]
fn a_perfect_ramp_is_hardly_ever_called_beyond() {
    assert_rare(34, |seed| review(&mut Bench::sdr(seed)).verdicts());
    assert_rare(34, |seed| review(&mut Bench::hdr(seed)).verdicts());
}

#[test]
fn within_of_the_few_near_black_that_can_be_judged_is_undecided() {
    let near_black = |unknown: usize| {
        let mut found = review(&mut Bench::sdr(4));
        found.not_measurable_near_black = unknown;
        let verdict = finding(&found.verdicts(), "grey_near_black").clone();
        (verdict.standing, verdict.words)
    };
    assert_eq!(near_black(0).0, Standing::Within);
    let (standing, words) = near_black(17);
    assert_eq!(standing, Standing::Undecided, "{words}");
    assert!(words.contains("the others can't be judged"), "{words}");
}

#[test]
fn greys_that_no_colour_is_known_of_are_named_where_they_belong() {
    let mut bench = Bench::sdr(4);
    let scene = bench.scene();
    let mut patches = bench.measure_all(&greys(21));
    for patch in
        patches.iter_mut().filter(|patch| ["grey 5 %", "grey 95 %"].contains(&patch.patch.name.as_str()))
    {
        patch.value.as_mut().unwrap().chromaticity = None;
    }
    let found = evaluate(&scene, &borrowed(&patches)).unwrap().verdicts();
    let (bright, dark) = (finding(&found, "grey_balance"), finding(&found, "grey_near_black"));
    assert!(dark.words.contains("grey 5 %") && !dark.words.contains("grey 95 %"), "{}", dark.words);
    assert!(bright.words.contains("grey 95 %)") && !bright.words.contains("grey 5 %"), "{}", bright.words);
}
