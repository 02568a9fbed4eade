//! Sums against values from outside, and what must hold whatever comes.

use proptest::prelude::*;
use serde::Deserialize;

use super::*;

const SPECTRA: &str = include_str!("../../../tests/reference/spectral/display_spectra.csv");

/// The columns of a table: comments and a header first.
fn columns(text: &str) -> Vec<(String, Vec<f64>)> {
    let mut lines = text.lines().filter(|line| !line.starts_with('#'));
    let mut columns: Vec<(String, Vec<f64>)> =
        lines.next().unwrap().split(',').map(|name| (name.to_owned(), Vec::new())).collect();
    for line in lines {
        for ((_, values), cell) in columns.iter_mut().zip(line.split(',')) {
            values.push(cell.parse().unwrap_or(f64::NAN));
        }
    }
    columns
}

fn column(text: &str, name: &str) -> Vec<f64> {
    columns(text).into_iter().find(|(known, _)| known == name).unwrap_or_else(|| panic!("no {name}")).1
}

fn sum(spectrum: &Spectrum, observer: Observer, bandwidth_nm: Option<f64>) -> [f64; 3] {
    Summation::new(Method { observer, bandwidth_nm, ..Method::default() }).xyz(spectrum).unwrap().into()
}

#[track_caller]
fn assert_near(found: [f64; 3], expected: [f64; 3], relative: f64, what: &str) {
    let largest = expected.iter().copied().fold(0.0, f64::max);
    for (found, expected) in found.into_iter().zip(expected) {
        assert!((found - expected).abs() <= relative * largest, "{what}: {found} is not {expected}");
    }
}

/// 23 made-up displays by 1 nm, summed by colour-science and luxpy, which agree to 1e-15.
#[test]
fn spectra_of_displays_sum_up_as_two_reference_libraries_say() {
    let results = include_str!("../../../tests/reference/spectral/display_spectra_xyz.csv");
    let names: Vec<&str> = results
        .lines()
        .filter(|line| !line.starts_with('#'))
        .skip(1)
        .filter_map(|line| line.split(',').next())
        .collect();
    assert_eq!(names.len(), 23);
    for (row, name) in names.into_iter().enumerate() {
        let spectrum = Spectrum::new(360.0, 1.0, column(SPECTRA, name)).unwrap();
        for (observer, suffix) in [(Observer::Cie1931Deg2, "2"), (Observer::Cie1964Deg10, "10")] {
            let expected = ["X", "Y", "Z"].map(|axis| column(results, &format!("{axis}{suffix}"))[row]);
            assert_near(sum(&spectrum, observer, None), expected, 1e-8, name);
        }
    }
}

#[derive(Deserialize)]
struct Sums {
    sums: Vec<Sum>,
}

#[derive(Deserialize)]
struct Sum {
    spectrum: String,
    start_nm: f64,
    step_nm: f64,
    end_nm: f64,
    bandwidth_nm: Option<f64>,
    observer: Observer,
    xyz: [f64; 3],
}

/// Five of the displays by 1, 2, 4, 5 and 10 nm, interpolated and corrected by colour-science 0.4.7, for all observers.
#[test]
fn coarse_spectra_are_interpolated_and_corrected_as_a_reference_library_does() {
    let Sums { sums } =
        serde_json::from_str(include_str!("../../../tests/reference/spectral/sums.json")).unwrap();
    assert_eq!(sums.len(), 280);
    for expected in sums {
        let Sum { spectrum: name, start_nm, step_nm, end_nm, bandwidth_nm, observer, xyz } = expected;
        let (first, last, step) = ((start_nm - 360.0) as usize, (end_nm - 360.0) as usize, step_nm as usize);
        let all = column(SPECTRA, &name);
        let values: Vec<f64> = all[first..=last].iter().step_by(step).copied().collect();
        let found = sum(&Spectrum::new(start_nm, step_nm, values).unwrap(), observer, bandwidth_nm);
        assert_near(
            found,
            xyz,
            1e-12,
            &format!("{name} from {start_nm} by {step_nm}, {observer:?}, {bandwidth_nm:?}"),
        );
    }
}

/// CIE 15:2004, table T.3: white points of illuminants from the 5 nm tables of ISO/CIE 11664-2 (provenance beside the numbers).
#[test]
fn illuminants_have_their_published_chromaticities() {
    let illuminants = include_str!("../../../tests/reference/spectral/illuminants_5nm.csv");
    let points = include_str!("../../../tests/reference/spectral/whitepoints.csv");
    let mut seen = 0;
    for line in points.lines().filter(|line| !line.starts_with('#')).skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let [published_x, published_y] = [2, 3].map(|cell: usize| cells[cell].parse::<f64>().unwrap());
        let spectrum = Spectrum::new(300.0, 5.0, column(illuminants, cells[0])).unwrap();
        let observer = if cells[1] == "2" { Observer::Cie1931Deg2 } else { Observer::Cie1964Deg10 };
        let [x, y, z] = sum(&spectrum, observer, None);
        let found = [x / (x + y + z), y / (x + y + z)];
        for (found, published) in found.into_iter().zip([published_x, published_y]) {
            assert!((found - published).abs() < 6e-5, "{line}: {found} is not {published}");
        }
        seen += 1;
    }
    assert_eq!(seen, 10);
}

#[test]
fn light_that_was_not_measured_is_made_up_only_if_asked_for() {
    let spectrum = |values: Vec<f64>, start_nm| Spectrum::new(start_nm, 5.0, values).unwrap();
    let with = |spectrum: &Spectrum, beyond| {
        Summation::new(Method { beyond, ..Method::default() }).xyz(spectrum).unwrap().y()
    };
    let (whole, half) = (spectrum(vec![1.0; 95], 360.0), spectrum(vec![1.0; 41], 450.0));
    let (all, part) = (with(&whole, Beyond::Nothing), with(&half, Beyond::Nothing));
    assert!(part < 0.99 * all, "{part} of {all}");
    assert!((with(&half, Beyond::Nearest) / all - 1.0).abs() < 1e-9);
    let fine = Spectrum::new(450.0, 1.0, vec![1.0; 201]).unwrap();
    assert!((with(&fine, Beyond::Nearest) / all - 1.0).abs() < 1e-9);
    assert!(covers_the_visible(&whole) && !covers_the_visible(&half));
    for (start_nm, step_nm, covers) in [(382.5, 5.0, true), (383.0, 5.0, false), (380.0, 4.0, true)] {
        assert_eq!(covers_the_visible(&Spectrum::new(start_nm, step_nm, vec![1.0; 101]).unwrap()), covers);
    }
}

/// A bandwidth's blur, made here by summing over a triangle, is mostly undone.
#[test]
fn a_correction_brings_a_blurred_spectrum_nearer_to_the_truth() {
    let truth = column(SPECTRA, "oled_G");
    let blurred: Vec<f64> = (0..truth.len())
        .map(|index| {
            let at = |offset: i64| truth[(index as i64 + offset).clamp(0, truth.len() as i64 - 1) as usize];
            (-4..=4).map(|offset: i64| at(offset) * (5 - offset.abs()) as f64 / 25.0).sum()
        })
        .collect();
    let [truth, blurred] = [truth, blurred].map(|values| Spectrum::new(360.0, 1.0, values).unwrap());
    let [true_x, true_y, _] = sum(&truth, Observer::default(), None);
    let off = |bandwidth_nm| {
        let [x, y, _] = sum(&blurred, Observer::default(), bandwidth_nm);
        (x / true_x - 1.0).abs().max((y / true_y - 1.0).abs())
    };
    assert!(off(Some(5.0)) < 0.15 * off(None), "{} {}", off(Some(5.0)), off(None));
    let mut summation = Summation::new(Method { bandwidth_nm: Some(4.5), ..Method::default() });
    let error = summation.xyz(&truth).unwrap_err();
    assert!(error.to_string().contains("4.5 nm") && error.to_string().contains("step of 1 nm"), "{error}");
}

#[test]
fn a_line_gives_683_times_the_table_and_weights_are_made_anew_for_another_grid() {
    for observer in Observer::ALL {
        let mut summation = Summation::new(Method { observer, ..Method::default() });
        for nm in (360..=830_u32).step_by(7) {
            let mut values = vec![0.0; 471];
            values[(nm - 360) as usize] = 1.0;
            let found: [f64; 3] = summation.xyz(&Spectrum::new(360.0, 1.0, values).unwrap()).unwrap().into();
            let expected = observer.at(f64::from(nm)).map(|bar| KM_LM_W * bar);
            assert_near(found, expected, 1e-14, &format!("{observer:?} at {nm}"));
        }
        // The same count on another grid: half a nm further, and by half nm.
        let between: [f64; 3] =
            summation.xyz(&Spectrum::new(555.25, 0.5, [2.0, 0.0]).unwrap()).unwrap().into();
        assert_near(between, observer.at(555.25).map(|bar| KM_LM_W * bar), 1e-14, "between");
        let flat: [f64; 3] = summation.xyz(&Spectrum::new(555.0, 0.5, [1.0, 1.0]).unwrap()).unwrap().into();
        let expected: Vec<f64> =
            observer.at(555.0).iter().zip(observer.at(555.5)).map(|(a, b)| KM_LM_W * (a + b) / 2.0).collect();
        assert_near(flat, [expected[0], expected[1], expected[2]], 1e-14, "two values");
    }
}

fn any_spectrum() -> impl Strategy<Value = Spectrum> {
    (200.0..900.0_f64, 0.05..20.0_f64, proptest::collection::vec(-1.0..1.0_f64, 2..120))
        .prop_map(|(start_nm, step_nm, values)| Spectrum::new(start_nm, step_nm, values).unwrap())
}

fn any_method() -> impl Strategy<Value = Method> {
    (0..4_usize, proptest::bool::ANY).prop_map(|(observer, nearest)| Method {
        observer: Observer::ALL[observer],
        bandwidth_nm: None,
        beyond: if nearest { Beyond::Nearest } else { Beyond::Nothing },
        ..Method::default()
    })
}

proptest! {
    #[test]
    fn sums_are_linear(spectrum in any_spectrum(), method in any_method(), factor in -3.0..3.0_f64, steps in 0_u32..3) {
        let bandwidth_nm = (steps > 0).then(|| f64::from(steps) * spectrum.step_nm());
        let mut summation = Summation::new(Method { bandwidth_nm, ..method });
        let like = |values: Vec<f64>| Spectrum::new(spectrum.start_nm(), spectrum.step_nm(), values).unwrap();
        let other: Vec<f64> = spectrum.values().iter().rev().copied().collect();
        let mixed: Vec<f64> = spectrum.values().iter().zip(&other).map(|(a, b)| a + factor * b).collect();
        let mut sum = |spectrum: &Spectrum| <[f64; 3]>::from(summation.xyz(spectrum).unwrap());
        let (one, two, both) = (sum(&spectrum), sum(&like(other)), sum(&like(mixed)));
        for axis in 0..3 {
            prop_assert!((one[axis] + factor * two[axis] - both[axis]).abs() < 1e-6, "{one:?} {two:?} {both:?}");
        }
    }

    #[test]
    fn a_fine_spectrum_is_summed_where_it_was_measured(
        start_nm in 300.0..900.0_f64, step_nm in prop_oneof![0.001..=1.0_f64, Just(1.0), Just(1e-9)],
        values in proptest::collection::vec(-1.0..1.0_f64, 2..120), method in any_method(),
    ) {
        let method = Method { beyond: Beyond::Nothing, ..method };
        let found: [f64; 3] =
            Summation::new(method).xyz(&Spectrum::new(start_nm, step_nm, values.clone()).unwrap()).unwrap().into();
        let mut expected = [0.0; 3];
        for (index, value) in values.iter().enumerate() {
            let bars = method.observer.at(start_nm + step_nm * index as f64);
            for (sum, bar) in expected.iter_mut().zip(bars) {
                *sum += KM_LM_W * value * bar * step_nm;
            }
        }
        for (found, expected) in found.into_iter().zip(expected) {
            prop_assert!((found - expected).abs() < 1e-9, "{found} is not {expected}");
        }
    }

    #[test]
    fn no_spectrum_makes_a_sum_that_is_no_number(
        start_nm in 100.0..9000.0_f64, step_nm in prop_oneof![0.01..500.0_f64, Just(1e-9)],
        values in proptest::collection::vec(prop_oneof![-1e308..1e308, Just(f64::MAX), Just(f64::MIN), Just(0.0)], 2..40),
        method in any_method(),
    ) {
        let Ok(spectrum) = Spectrum::new(start_nm, step_nm, values) else { return Ok(()) };
        if let Ok(xyz) = Summation::new(method).xyz(&spectrum) {
            prop_assert!(<[f64; 3]>::from(xyz).iter().all(|value| value.is_finite()));
        }
        let area = peaks::radiance(&spectrum);
        prop_assert!(!area.is_nan() || spectrum.values().iter().any(|value| value.abs() > 1e300));
    }
}
