use settled_protocol::quantity::{Chromaticity, Xyz};
use settled_protocol::reading::Flag;

use super::super::Standing;
use super::super::synthetic::{Bench, assert_rare, borrowed, finding};
use super::*;

fn review(bench: &mut Bench) -> WhiteFigures {
    let scene = bench.scene();
    let patches = [bench.measure("white", [1.0; 3]), bench.measure("black", [0.0; 3])];
    evaluate(&scene, &borrowed(&patches)).unwrap()
}

/// X, Y, Z with the colour moved by so much in u′v′.
fn moved([x, y, z]: [f64; 3], du: f64, dv: f64) -> [f64; 3] {
    let colour = Xyz::new(x, y, z).unwrap().chromaticity().unwrap();
    let colour = Chromaticity::from_uv(colour.u_prime() + du, colour.v_prime() + dv).unwrap();
    formulas::light(colour, y).unwrap()
}

#[test]
fn a_display_without_noise_has_the_figures_it_was_made_with() {
    let found = review(&mut Bench::sdr(1).exact());
    assert!((found.peak_cd_m2.value - 120.0).abs() < 1e-9);
    assert!((found.contrast.unwrap().value - 2000.0).abs() < 1e-6);
    let colour = found.colour.as_ref().unwrap();
    assert!((colour.xy[0].value - 0.3127).abs() < 1e-9 && (colour.xy[1].value - 0.329).abs() < 1e-9);
    // x 0.3127, y 0.3290: 6503 K to the kelvin and Duv +0.0032 (Ohno 2014's method, by three libraries).
    assert!((colour.cct_k.unwrap().value - 6503.0).abs() < 2.0, "{colour:?}");
    assert!((colour.duv.unwrap().value - 0.0032).abs() < 5e-5);
    let findings = found.verdicts();
    assert_eq!(finding(&findings, "white_colour").standing, Standing::Within);
    let words = &finding(&findings, "white_colour").words;
    assert!(words.starts_with("no difference of white from D65 is seen"), "{words}");
    assert_eq!(
        finding(&findings, "contrast").words,
        "contrast, one after the other in a 10 % window on black, is 2000\u{a0}:\u{a0}1"
    );
}

#[test]
fn a_green_white_is_called_green_and_beyond() {
    let mut bench = Bench::sdr(2);
    // At right angles to the locus near 6500 K, by and large, which there rises by some 51° in CIE 1960 u, v: 0.005 of Duv.
    bench.fault = |_, xyz| moved(xyz, -0.0039, 0.0047);
    let found = review(&mut bench);
    let findings = found.verdicts();
    let white = finding(&findings, "white_colour");
    assert_eq!(white.standing, Standing::Beyond);
    assert!(white.words.starts_with("white is green of D65 by ΔDuv +0.00"), "{}", white.words);
    assert!(white.figure.unwrap().holds(0.0039_f64.hypot(0.0047)));
    let duv = found.colour.unwrap().duv_from_aim.unwrap();
    assert!((duv.value - 0.005).abs() < 0.0008, "{duv:?}");
    // The two are told by names of their own: the aim's own Duv is 0.0032.
    let table = review(&mut bench).tables().remove(0);
    let cell = |name: &str| table.rows.iter().find(|row| row[0].starts_with(name)).unwrap()[1].clone();
    let number = |name: &str| cell(name).split(' ').next().unwrap().parse::<f64>().unwrap();
    assert!((number("Duv (") - number("ΔDuv (from D65)") - 0.0032).abs() < 1e-4, "{table:?}");
}

#[test]
fn a_warm_and_a_cool_white_are_called_so() {
    for (du, dv, word) in [(0.006, 0.007, "warm"), (-0.005, -0.008, "cool")] {
        let mut bench = Bench::sdr(3).exact();
        // The way the daylight locus goes from 6500 K, by and large.
        bench.fault =
            if du > 0.0 { |_, xyz| moved(xyz, 0.006, 0.007) } else { |_, xyz| moved(xyz, -0.005, -0.008) };
        let findings = review(&mut bench).verdicts();
        let words = &finding(&findings, "white_colour").words;
        assert!(words.contains(word), "{dv}: {words}");
    }
}

#[test]
fn a_black_that_may_be_none_gives_a_contrast_of_more_than_something() {
    let mut bench = Bench::sdr(4);
    bench.black = 0.0;
    bench.luminance_u = [0.002, 0.002];
    for seed in 0..20 {
        bench.random = fastrand::Rng::with_seed(seed);
        let found = review(&mut bench);
        if found.black_cd_m2.unwrap().low > 0.0 {
            continue;
        }
        assert_eq!(found.contrast, None);
        let bound = found.contrast_more_than.unwrap_or(0.0);
        assert!(bound.is_finite());
        let findings = found.verdicts();
        if found.contrast_more_than.is_some() {
            assert!(finding(&findings, "contrast").words.contains("more than"));
        }
    }
}

#[test]
fn a_black_below_the_meters_range_gives_a_bound_and_says_why() {
    let mut bench = Bench::sdr(5);
    let scene = bench.scene();
    let mut patches = [bench.measure("white", [1.0; 3]), bench.measure("black", [0.0; 3])];
    patches[1].flags.push(Flag::BelowRange);
    let found = evaluate(&scene, &borrowed(&patches)).unwrap();
    assert!(found.black_below_range && found.contrast.is_none());
    assert!(found.contrast_more_than.unwrap() < 2000.0);
    assert!(finding(&found.verdicts(), "contrast").words.contains("below the meter's range"));
}

#[test]
fn below_the_meters_range_a_bound_is_what_the_meter_vouches_for_and_not_what_it_read() {
    let mut bench = Bench::sdr(5).exact();
    let mut scene = bench.scene();
    let mut patches = [bench.measure("white", [1.0; 3]), bench.measure("black", [0.0; 3])];
    patches[1].flags.push(Flag::BelowRange);
    for y in [0.0004, -0.0005] {
        let read = patches[1].value.as_mut().unwrap();
        (read.y, read.y_u95) = (y, 0.0001);
        let found = evaluate(&scene, &borrowed(&patches)).unwrap();
        // 120 cd/m² over the 0.01 cd/m² that the meter's range begins at.
        assert!((found.contrast_more_than.unwrap() - 12_000.0).abs() < 1.0, "{found:?}");
        let words = finding(&found.verdicts(), "contrast").words.clone();
        assert!(words.contains("is more than 12\u{a0}000\u{a0}:\u{a0}1"), "{words}");
    }
    // Where a record doesn't say where the range begins no bound is told.
    scene.least_cd_m2 = None;
    let found = evaluate(&scene, &borrowed(&patches)).unwrap();
    assert_eq!((found.contrast, found.contrast_more_than), (None, None));
    let words = finding(&found.verdicts(), "contrast").words.clone();
    assert!(words.contains("can't be told"), "{words}");
}

#[test]
fn peak_and_contrast_say_the_window_and_are_sequential_contrast_on_the_full_screen_alone() {
    let mut bench = Bench::sdr(9).exact();
    let scene = bench.scene();
    let mut patches = [bench.measure("white", [1.0; 3]), bench.measure("black", [0.0; 3])];
    let mut words = |window_percent: f64, background: u16| {
        for patch in &mut patches {
            (patch.patch.window_percent, patch.patch.background) = (window_percent, [background; 3]);
        }
        let found = evaluate(&scene, &borrowed(&patches)).unwrap();
        let findings = found.verdicts();
        assert_eq!(found.quantities()[0].of, found.tables()[0].rows[0][1]);
        ["peak", "contrast"].map(|subject| finding(&findings, subject).words.clone())
    };
    let [peak, contrast] = words(10.0, 0);
    assert!(peak.ends_with("cd/m² in a 10 % window on black"), "{peak}");
    assert!(!contrast.contains("sequential") && contrast.contains("10 % window on black"), "{contrast}");
    assert!(words(25.0, 102)[0].ends_with("25 % window on a grey of 9.97 %"), "{:?}", words(25.0, 102));
    let [peak, contrast] = words(100.0, 0);
    assert!(peak.ends_with("on the full screen") && contrast.starts_with("sequential contrast is"), "{peak}");
}

#[test]
fn what_the_meters_scale_leaves_open_is_in_the_peak_and_not_in_the_contrast() {
    let mut bench = Bench::sdr(6).exact();
    bench.calibration.luminance_u = 0.02;
    let found = review(&mut bench);
    assert!((found.peak_cd_m2.u95() / (120.0 * 0.02 * 1.96) - 1.0).abs() < 0.2, "{:?}", found.peak_cd_m2);
    assert!(found.contrast.unwrap().u95() < 1e-6);
}

#[test]
fn a_perfect_white_is_hardly_ever_called_beyond() {
    assert_rare(200, |seed| {
        let mut bench = Bench::sdr(seed);
        bench.chromaticity_u = 0.001;
        review(&mut bench).verdicts()
    });
}

#[test]
fn without_a_white_there_is_nothing() {
    let mut bench = Bench::sdr(7);
    let scene = bench.scene();
    let patches = [bench.measure("black", [0.0; 3])];
    assert_eq!(evaluate(&scene, &borrowed(&patches)), None);
}

#[test]
fn a_white_that_is_beyond_with_95_percent_and_not_with_99_is_undecided() {
    let mut found = review(&mut Bench::sdr(8));
    let mut standing = |u95: f64| {
        found.colour.as_mut().unwrap().from_aim = Figure::around(0.0048, u95);
        finding(&found.verdicts(), "white_colour").standing
    };
    // 2.576/1.960 = 1.314: 0.0048 − 1.314·0.0007 is less than 0.004, and 0.0048 − 0.0007 is more.
    assert_eq!([standing(0.0007), standing(0.0005)], [Standing::Undecided, Standing::Beyond]);
}
