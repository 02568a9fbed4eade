use super::super::Standing;
use super::super::synthetic::{Bench, assert_rare, borrowed, finding, sweeps as shown};
use super::*;

fn review(bench: &mut Bench) -> SaturationFigures {
    let scene = bench.scene();
    let patches = bench.measure_all(&shown());
    evaluate(&scene, &borrowed(&patches)).unwrap()
}

/// White's X, Y, Z at a luminance mixed in by a share.
fn paler([x, y, z]: [f64; 3], share: f64) -> [f64; 3] {
    let white = [0.9504559, 1.0, 1.0890578].map(|value| y * value);
    [0, 1, 2].map(|axis| (1.0 - share) * [x, y, z][axis] + share * white[axis])
}

#[test]
fn sweeps_are_told_apart_by_their_signals_and_a_perfect_display_is_right_in_all() {
    let found = review(&mut Bench::sdr(1).exact());
    let colours: Vec<&str> = found.sweeps.iter().map(|sweep| sweep.colour.as_str()).collect();
    assert_eq!(colours, ["red", "green", "blue", "cyan", "magenta", "yellow"]);
    for sweep in &found.sweeps {
        assert_eq!(sweep.steps.len(), 4);
        assert!(sweep.mean.unwrap().value < 1e-9);
        assert!(sweep.steps.iter().all(|step| step.chroma.unwrap().value.abs() < 1e-9));
        let saturations: Vec<f64> = sweep.steps.iter().map(|step| step.saturation_percent.unwrap()).collect();
        assert!(saturations.windows(2).all(|pair| pair[0] < pair[1]), "{saturations:?}");
        // The last step is the colour itself, but for what black adds at a lower level.
        assert!((saturations[3] - 100.0).abs() < 1.0, "{saturations:?}");
    }
}

#[test]
fn colours_that_are_too_pale_are_called_so() {
    let mut bench = Bench::sdr(2);
    bench.fault = |_, xyz| paler(xyz, 0.3);
    let found = review(&mut bench);
    let findings = found.verdicts();
    for colour in ["red", "blue", "green"] {
        let sweep = finding(&findings, &format!("saturation_{colour}"));
        assert_eq!(sweep.standing, Standing::Beyond, "{sweep:?}");
        assert!(sweep.words.contains("too pale"), "{}", sweep.words);
    }
}

#[test]
fn a_hue_that_is_off_is_told_in_degrees_with_its_sign() {
    let mut bench = Bench::sdr(3);
    // Of red, green's light is added: towards yellow, which is at a larger hue angle in CIELAB.
    bench.fault = |signal, [x, y, z]| {
        let green = if signal[0] > signal[1] && (signal[1] - signal[2]).abs() < 1e-9 { 0.1 * y } else { 0.0 };
        [x + green * 0.3575843, y + green * 0.7151687, z + green * 0.1191948]
    };
    let found = review(&mut bench);
    let hue = |sweep: usize| found.sweeps[sweep].steps[3].hue_degrees.unwrap();
    assert!(hue(0).low > 0.0, "{:?}", hue(0));
    assert!(hue(1).holds(0.0) && hue(2).holds(0.0));
}

#[test]
fn the_sweeps_means_hold_the_truth_at_once() {
    let truth = {
        let mut bench = Bench::sdr(0).exact();
        bench.fault = |_, xyz| paler(xyz, 0.1);
        review(&mut bench)
    };
    let mut held = 0;
    for seed in 0..40 {
        let mut bench = Bench::sdr(seed);
        bench.fault = |_, xyz| paler(xyz, 0.1);
        let found = review(&mut bench);
        let pairs = found.sweeps.iter().zip(&truth.sweeps);
        held += u32::from(pairs.clone().all(|(found, truth)| {
            found.mean.unwrap().holds(truth.mean.unwrap().value)
                && found.mean_chroma.unwrap().holds(truth.mean_chroma.unwrap().value)
        }));
    }
    // Two kinds at 95 % each: 90 % at least; of 40 no fewer than 31 in 99 % of tries (binomial).
    assert!(held >= 31, "{held} of 40");
}

#[test]
fn a_perfect_display_is_hardly_ever_called_beyond() {
    assert_rare(67, |seed| review(&mut Bench::sdr(seed)).verdicts());
}
