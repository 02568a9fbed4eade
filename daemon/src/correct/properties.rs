//! What holds whatever the meters, the displays and the numbers are.

use proptest::prelude::*;
use settled_protocol::quantity::Xyz;

use super::*;

const METHODS: [Derivation; 2] = [Derivation::FourColour, Derivation::LeastSquares];

/// Red, green, blue of some display, near those of ITU-R BT.709, in cd/m².
fn primaries() -> impl Strategy<Value = [[f64; 3]; 3]> {
    let base = [[41.0, 21.0, 2.0], [36.0, 72.0, 12.0], [18.0, 7.0, 95.0]];
    prop::array::uniform9(0.8..1.25).prop_map(move |factors| {
        [0, 1, 2].map(|row| [0, 1, 2].map(|column| base[row][column] * factors[3 * row + column]))
    })
}

/// Light to answer of a colorimeter with filters that are some per cent off; not so much that blue would have no luminance left.
fn filters() -> impl Strategy<Value = Matrix> {
    prop::array::uniform9(-0.02..0.02).prop_map(|off: [f64; 9]| {
        let rows = [0, 1, 2]
            .map(|row| [0, 1, 2].map(|column| off[3 * row + column] + f64::from(u8::from(row == column))));
        Matrix::new(rows).unwrap()
    })
}

const MIXTURES: [(&str, [f64; 3]); 8] = [
    ("white", [1.0, 1.0, 1.0]),
    ("red", [1.0, 0.0, 0.0]),
    ("green", [0.0, 1.0, 0.0]),
    ("blue", [0.0, 0.0, 1.0]),
    ("cyan", [0.0, 1.0, 1.0]),
    ("magenta", [1.0, 0.0, 1.0]),
    ("yellow", [1.0, 1.0, 0.0]),
    ("skin", [0.6, 0.4, 0.3]),
];

fn colours(primaries: [[f64; 3]; 3], meter: Matrix) -> Vec<Colour> {
    let display = Matrix::of_columns(primaries).unwrap();
    MIXTURES
        .map(|(name, mixture)| {
            let reference = Xyz::try_from(display.times(mixture)).unwrap();
            Colour {
                name: name.to_owned().try_into().unwrap(),
                meter: meter.apply(reference).unwrap(),
                reference,
            }
        })
        .into()
}

fn far(one: Matrix, other: Matrix) -> f64 {
    let (one, other) = (one.rows(), other.rows());
    one.as_flattened().iter().zip(other.as_flattened()).fold(0.0, |far: f64, (a, b)| far.max((a - b).abs()))
}

proptest! {
    #[test]
    fn meters_that_agree_need_no_correction(primaries in primaries()) {
        for method in METHODS {
            let (matrix, _) = derive(method, None, &colours(primaries, Matrix::IDENTITY)).unwrap();
            prop_assert!(far(matrix, Matrix::IDENTITY) < 1e-12, "{method:?}: {matrix:?}");
        }
    }

    #[test]
    fn on_an_additive_display_every_mixture_comes_out_exact(primaries in primaries(), filters in filters()) {
        for method in METHODS {
            let (matrix, residuals) = derive(method, None, &colours(primaries, filters)).unwrap();
            let residuals = residuals.unwrap();
            prop_assert!(residuals.after.max.duv_prime < 1e-12, "{method:?}: {residuals:?}");
            prop_assert!(residuals.after.max.luminance_percent < 1e-9, "{method:?}: {residuals:?}");
            prop_assert!(residuals.unseen.unwrap().max.duv_prime < 1e-11, "{method:?}: {residuals:?}");
            prop_assert!(far(matrix.after(filters).unwrap(), Matrix::IDENTITY) < 1e-11, "{method:?}");
        }
    }

    #[test]
    fn the_levels_of_the_colours_and_the_unit_do_not_matter(
        primaries in primaries(),
        filters in filters(),
        unit in 1e-3..1e3,
        levels in prop::array::uniform8(0.01..10.0),
    ) {
        let plain = colours(primaries, filters);
        let scaled: Vec<Colour> = plain.iter().zip(levels).map(|(colour, level)| {
            let times = |xyz: Xyz, factor: f64| Xyz::try_from(<[f64; 3]>::from(xyz).map(|v| v * factor)).unwrap();
            let (meter, reference) = (times(colour.meter, level * unit), times(colour.reference, level));
            Colour { meter, reference, ..colour.clone() }
        }).collect();
        for method in METHODS {
            let (matrix, _) = derive(method, None, &plain).unwrap();
            // A meter in another unit is beyond what counts as a correction here and there: only the mathematics is looked at.
            let other = match method {
                Derivation::FourColour => four_colour::matrix(&scaled),
                _ => least_squares::matrix(&scaled),
            };
            prop_assert!(far(other.unwrap().scaled(unit).unwrap(), matrix) < 1e-10, "{method:?}");
        }
    }

    #[test]
    fn whatever_numbers_come_it_neither_panics_nor_gives_what_is_not_finite(
        numbers in prop::collection::vec(prop::array::uniform6(any::<f64>()), 0..9),
        given in prop::array::uniform9(any::<f64>()),
        size in prop::sample::select(vec![1.0, 1e-300, 1e-12, 1e12]),
    ) {
        let colours: Vec<Colour> = numbers.iter().zip(MIXTURES).filter_map(|([a, b, c, d, e, f], (name, _))| {
            // Numbers of all sizes, and some that are alike.
            let tame = |value: f64| if size == 1.0 { value } else { (value.sin() + 1.01) * size };
            let meter = Xyz::new(tame(*a), tame(*b), tame(*c)).ok()?;
            let reference = Xyz::new(tame(*d), tame(*e), tame(*f)).ok()?;
            Some(Colour { name: name.to_owned().try_into().ok()?, meter, reference })
        }).collect();
        let rows = [0, 1, 2].map(|row| [0, 1, 2].map(|column| given[3 * row + column]));
        let cases = [
            (Derivation::FourColour, None),
            (Derivation::LeastSquares, None),
            (Derivation::Given, Matrix::new(rows).ok()),
            (Derivation::Given, Some(Matrix::IDENTITY)),
        ];
        for (method, given) in cases {
            if let Ok((matrix, residuals)) = derive(method, given, &colours) {
                prop_assert!(matrix.condition() <= WORST_CONDITION);
                // What isn't finite would come out as null.
                let text = serde_json::to_string(&(matrix, residuals)).unwrap();
                prop_assert!(!text.contains("null") || colours.is_empty(), "{text}");
            }
        }
    }
}
