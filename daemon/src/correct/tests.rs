//! The methods against worked cases from outside, and what they refuse.

use serde_json::Value;
use settled_protocol::correction::{Colour, Derivation, Difference};
use settled_protocol::matrix::Matrix;
use settled_protocol::quantity::{Photometric, Xyz};

use super::*;

/// See tests/reference/README.md.
const FOUR_COLOUR: &str = include_str!("../../../tests/reference/four_colour_matrix.json");
const LEAST_SQUARES: &str = include_str!("../../../tests/reference/correction_least_squares.json");

fn cases(text: &str) -> serde_json::Map<String, Value> {
    let file: Value = serde_json::from_str(text).unwrap();
    file["cases"].as_object().unwrap().clone()
}

fn triple(value: &Value) -> [f64; 3] {
    let numbers: Vec<f64> = value.as_array().unwrap().iter().map(|n| n.as_f64().unwrap()).collect();
    numbers.try_into().unwrap()
}

fn xyz(value: &Value) -> Xyz {
    triple(value).try_into().unwrap()
}

fn colour(name: &str, meter: &Value, reference: &Value) -> Colour {
    Colour { name: name.to_owned().try_into().unwrap(), meter: xyz(meter), reference: xyz(reference) }
}

fn white_red_green_blue(case: &Value) -> Vec<Colour> {
    let letters = [("white", "W"), ("red", "R"), ("green", "G"), ("blue", "B")];
    letters
        .map(|(name, letter)| colour(name, &case["instrument_XYZ"][letter], &case["reference_XYZ"][letter]))
        .into()
}

fn assert_near(found: &[f64], expected: &[f64], tolerance: f64, what: &str) {
    assert_eq!(found.len(), expected.len());
    for (one, other) in found.iter().zip(expected) {
        assert!((one - other).abs() <= tolerance, "{what}: {found:?} is not {expected:?}");
    }
}

#[test]
fn the_four_colour_method_gives_the_worked_cases_to_one_in_a_hundred_million() {
    let cases = cases(FOUR_COLOUR);
    assert_eq!(cases.len(), 5);
    for (name, case) in &cases {
        let (matrix, residuals) = derive(Derivation::FourColour, None, &white_red_green_blue(case)).unwrap();
        let expected: Vec<[f64; 3]> = case["matrix"].as_array().unwrap().iter().map(triple).collect();
        assert_near(matrix.rows().as_flattened(), expected.as_flattened(), 1e-8, name);
        for test in case["tests"].as_array().unwrap() {
            let what = format!("{name}, {}", test["name"]);
            let found: [f64; 3] = matrix.apply(xyz(&test["instrument_XYZ"])).unwrap().into();
            let expected = &test["four_colour"];
            assert_near(&found, &triple(&expected["XYZ"]), 1e-8 * found.iter().sum::<f64>(), &what);
            let pair = [colour("c", &test["instrument_XYZ"], &test["reference_XYZ"])];
            let worth = residuals::of(Derivation::Given, matrix, &pair).unwrap().colours[0].clone();
            for (found, expected) in [(worth.before, &test["uncorrected"]), (worth.after, expected)] {
                let number = |member: &str| expected[member].as_f64().unwrap();
                let Difference { dx, dy, luminance_percent, .. } = found;
                // Written there to six digits; below 1e-8 they count as zero.
                assert_near(&[dx, dy], &[number("dx"), number("dy")], 1e-8 + 1e-5 * dx.hypot(dy), &what);
                let tolerance = 1e-8 + 1e-5 * luminance_percent.abs();
                assert_near(&[luminance_percent], &[number("dY_percent")], tolerance, &what);
            }
        }
        let residuals = residuals.unwrap();
        assert!(residuals.after.max.duv_prime < 1e-9 && residuals.worse.is_empty(), "{name}: {residuals:?}");
        assert_eq!(residuals.unseen, None, "{name}");
    }
}

#[test]
fn a_display_that_drifts_in_luminance_between_the_colours_leaves_chromaticities_right() {
    let cases = cases(FOUR_COLOUR);
    let drifting = &cases["lcd_luminance_drift"];
    let mut colours = white_red_green_blue(drifting);
    let skin = drifting["tests"].as_array().unwrap().iter().find(|test| test["name"] == "skin").unwrap();
    colours.push(colour("skin", &skin["instrument_XYZ"], &skin["reference_XYZ"]));
    let (_, residuals) = derive(Derivation::FourColour, None, &colours).unwrap();
    let unseen = residuals.unwrap().unseen.unwrap();
    assert_eq!(unseen.colours, 1, "a colour that is none of the four checks the matrix");
    assert!(unseen.max.duv_prime < 1e-8 && (unseen.max.luminance_percent - 1.0101).abs() < 1e-3);
}

#[test]
fn least_squares_gives_what_other_programs_give() {
    let cases = cases(LEAST_SQUARES);
    assert_eq!(cases.len(), 4);
    for (name, case) in &cases {
        let names = case["names"].as_array().unwrap().iter().enumerate();
        let colours: Vec<Colour> = names
            .map(|(i, name)| {
                colour(name.as_str().unwrap(), &case["instrument_XYZ"][i], &case["reference_XYZ"][i])
            })
            .collect();
        let (matrix, residuals) = derive(Derivation::LeastSquares, None, &colours).unwrap();
        let expected: Vec<[f64; 3]> = case["matrix"].as_array().unwrap().iter().map(triple).collect();
        assert_near(matrix.rows().as_flattened(), expected.as_flattened(), 1e-9, name);
        let residuals = residuals.unwrap();
        for (index, colour) in colours.iter().enumerate() {
            let left_out = xyz(&case["left_out_XYZ"][index]).chromaticity().unwrap();
            let expected = left_out.distance(colour.reference.chromaticity().unwrap());
            let found = residuals.colours[index].unseen.unwrap().duv_prime;
            assert_near(&[found], &[expected], 1e-9, name);
        }
        let unseen = residuals.unseen.unwrap();
        assert!(unseen.mean.duv_prime > residuals.after.mean.duv_prime, "{name}: the honest figure is worse");
    }
}

fn plain(name: &str, meter: [f64; 3], reference: [f64; 3]) -> Colour {
    let [meter, reference] = [meter, reference].map(|values| Xyz::try_from(values).unwrap());
    Colour { name: name.to_owned().try_into().unwrap(), meter, reference }
}

const WHITE: [f64; 3] = [95.0, 100.0, 109.0];
const RED: [f64; 3] = [41.0, 21.0, 2.0];
const GREEN: [f64; 3] = [36.0, 72.0, 12.0];
const BLUE: [f64; 3] = [18.0, 7.0, 95.0];

fn agreeing() -> Vec<Colour> {
    [("white", WHITE), ("red", RED), ("green", GREEN), ("blue", BLUE)]
        .map(|(name, xyz)| plain(name, xyz, xyz))
        .into()
}

fn refused(method: Derivation, colours: &[Colour]) -> String {
    derive(method, None, colours).unwrap_err().to_string()
}

#[test]
fn colours_that_make_no_matrix_are_refused_by_name() {
    let all = agreeing();
    let (four, least) = (Derivation::FourColour, Derivation::LeastSquares);
    assert!(refused(four, &all[..3]).contains("needs 4 colours, not 3"));
    assert!(refused(least, &all[..2]).contains("needs 3 colours, not 2"));
    let mut renamed = all.clone();
    renamed[3] = plain("cyan", BLUE, BLUE);
    assert!(refused(four, &renamed).contains("blue is missing"));
    let mut twice = all.clone();
    twice[3] = plain("RED", BLUE, BLUE);
    assert!(refused(least, &twice).contains("two colours are called \"RED\""));
    let mut dark = all.clone();
    dark[2] = plain("green", [0.0, 0.0, 0.0], GREEN);
    assert!(refused(least, &dark).contains("the meter saw no light with a chromaticity of \"green\""));
    dark[2] = plain("green", [-0.1, -0.2, -0.1], GREEN);
    assert!(refused(least, &dark).contains("the meter gave a negative luminance of \"green\" (-2.000e-1)"));
    let mut one = all.clone();
    one[3] = plain("magenta", [59.0, 28.0, 97.0], [59.0, 28.0, 97.0]);
    one.remove(0);
    one[1] = plain("pink", RED.map(|v| v * 2.0), RED.map(|v| v * 2.0));
    assert!(refused(least, &one).contains("is but a mixture of the others"), "{}", refused(least, &one));
    let greys: Vec<Colour> = [("a", 1.0), ("b", 0.5), ("c", 0.1), ("d", 0.05)]
        .map(|(name, part)| plain(name, WHITE.map(|v| v * part), WHITE.map(|v| v * part)))
        .into();
    let words = refused(least, &greys);
    assert!(words.contains("mixtures of the others") && words.contains("a, b, c are"), "{words}");
    let mut swapped = all;
    swapped[0] = plain("white", GREEN.map(|v| v * 1.01), GREEN);
    assert!(refused(four, &swapped).contains("white has nothing of"));
    let many: Vec<Colour> = (0..33).map(|n| plain(&n.to_string(), WHITE, WHITE)).collect();
    assert!(refused(least, &many).contains("at most 32"));
}

#[test]
fn a_matrix_that_no_meter_can_want_is_refused() {
    let given = |rows| derive(Derivation::Given, Some(Matrix::new(rows).unwrap()), &[]);
    assert!(given([[1.0, 0.1, 0.0], [0.0, 0.9, 0.0], [0.0, 0.0, 1.2]]).is_ok());
    let absurd = [
        ([[1.0, 1.0, 0.0], [1.0, 1.0, 0.0], [0.0, 0.0, 1.0]], "it has no inverse"),
        ([[-1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]], "it mirrors colours"),
        ([[1e3, 0.0, 0.0], [0.0, 1e3, 0.0], [0.0, 0.0, 1e3]], "it is far too large"),
        ([[1e-3, 0.0, 0.0], [0.0, 1e-3, 0.0], [0.0, 0.0, 1e-3]], "it is far too small"),
        ([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 0.001]], "it swells the meter's errors"),
    ];
    for (rows, why) in absurd {
        let error = given(rows).unwrap_err();
        assert!(
            matches!(error, Underived::Absurd(_)) && error.to_string().contains(why),
            "{rows:?}: {error}"
        );
    }
    assert_eq!(derive(Derivation::Given, None, &[]), Err(Underived::NoMatrix));
    let off = Some(Matrix::new([[1.001, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]).unwrap());
    assert_eq!(derive(Derivation::FourColour, off, &agreeing()), Err(Underived::NotFromColours));
    assert!(derive(Derivation::FourColour, Some(Matrix::IDENTITY), &agreeing()).is_ok());
}

#[test]
fn a_correction_that_makes_readings_worse_is_refused() {
    let worse = Matrix::new([[1.1, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 0.9]]).unwrap();
    let error = derive(Derivation::Given, Some(worse), &agreeing()).unwrap_err();
    assert!(matches!(error, Underived::Worse { before: 0.0, after } if after > 0.01), "{error:?}");
}

#[test]
fn a_correction_of_the_amount_of_light_alone_makes_no_chromaticity_worse() {
    let colours: Vec<Colour> = (0..6)
        .map(|n| {
            let n = f64::from(n);
            let meter = [30.0 + 11.0 * n, 40.0 + 3.0 * n, 90.0 - 13.0 * n];
            plain(&format!("c{n}"), meter, [1.09 * meter[0] + 1.0, 1.05 * meter[1], 1.07 * meter[2]])
        })
        .collect();
    for step in 1..100 {
        let factor = 1.0 + 0.001 * f64::from(step);
        let given = Matrix::IDENTITY.scaled(factor).unwrap();
        assert!(derive(Derivation::Given, Some(given), &colours).is_ok(), "{factor}");
    }
}

#[test]
fn corrected_light_has_a_chromaticity_only_where_there_was_one() {
    let matrix = Matrix::new([[1.1, 0.0, 0.0], [0.0, 0.9, 0.0], [0.0, 0.0, 1.0]]).unwrap();
    let light = Light::colour(Photometric::Illuminance, WHITE.try_into().unwrap());
    let through = corrected(matrix, light).unwrap();
    assert_eq!((through.value(), through.photometric()), (90.0, Photometric::Illuminance));
    assert_eq!(through.chromaticity(), through.xyz().unwrap().chromaticity());
    let dim = corrected(matrix, light.without_chromaticity()).unwrap();
    assert_eq!((dim.value(), dim.chromaticity()), (90.0, None));
    assert_eq!(corrected(matrix, Light::amount(Photometric::Luminance, 3.0).unwrap()), None);
}
