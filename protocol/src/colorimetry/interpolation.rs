//! Values between those of an evenly spaced spectrum, as weights of the values around: Sprague's fifth-order polynomial.
//!
//! CIE 167:2005, 9.2.4, recommends it for evenly spaced values (as CIE 15:2004, 7.2.1.1, does); its coefficients at the ends are
//! Table V there. (The prints were not at hand: both as public colour libraries have them, and checked against one.) With
//! fewer than six values it is not defined, and values are joined by straight lines.

/// Points that a value between two others depends on.
pub(super) const POINTS: usize = 6;

/// Each column of the polynomial's coefficients, times 24: rows are the points from two before to three after, columns t to t⁵.
const POLYNOMIAL: [[f64; 5]; POINTS] = [
    [2.0, -1.0, -9.0, 13.0, -5.0],
    [-16.0, 16.0, 39.0, -64.0, 25.0],
    [0.0, -30.0, -70.0, 126.0, -50.0],
    [16.0, 16.0, 66.0, -124.0, 50.0],
    [-2.0, -1.0, -33.0, 61.0, -25.0],
    [0.0, 0.0, 7.0, -12.0, 5.0],
];

/// The values one and two steps before the first, from the first six, times 209. Mirrored, those after the last.
const BEFORE: [[f64; POINTS]; 2] =
    [[508.0, -540.0, 488.0, -367.0, 144.0, -24.0], [884.0, -1960.0, 3033.0, -2648.0, 1080.0, -180.0]];

/// A value between others: the index of the first that it depends on, and what it takes of each from there on.
pub(super) type Taps = (usize, [f64; POINTS]);

/// The value at `position` (in steps from the first of `count` values; one beyond the ends counts as the end). Of fewer than six values
/// only as many weights as there are values are not 0.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss,
    reason = "at most 4096 values, and positions among them"
)]
pub(super) fn taps(position: f64, count: usize) -> Taps {
    let last_interval = count.saturating_sub(2);
    let position = position.clamp(0.0, count.saturating_sub(1) as f64);
    let interval = (position as usize).min(last_interval);
    let t = position - interval as f64;
    if count < POINTS {
        let mut weights = [0.0; POINTS];
        for (index, share) in [(interval, 1.0 - t), (interval + 1, t)] {
            if let Some(weight) = weights.get_mut(index) {
                *weight = share;
            }
        }
        return (0, weights);
    }
    let base = interval.saturating_sub(2).min(count - POINTS);
    let mut weights = [0.0; POINTS];
    for (point, share) in sprague(t).into_iter().enumerate() {
        // Where the point lies, in steps from `base`: -2 to 7.
        let place = (interval + point) as i64 - 2 - base as i64;
        match usize::try_from(place) {
            Ok(place) if place < POINTS => weights[place] += share,
            Ok(place) => add_mirrored(&mut weights, place - POINTS, share),
            Err(_) => add(&mut weights, (-place - 1) as usize, share),
        }
    }
    (base, weights)
}

/// The polynomial's weights, `t` from the third point on to the fourth.
fn sprague(t: f64) -> [f64; POINTS] {
    let mut weights =
        POLYNOMIAL.map(|[a1, a2, a3, a4, a5]| t * (a1 + t * (a2 + t * (a3 + t * (a4 + t * a5)))) / 24.0);
    weights[2] += 1.0;
    weights
}

fn add(weights: &mut [f64; POINTS], steps_before: usize, share: f64) {
    for (weight, coefficient) in weights.iter_mut().zip(BEFORE.get(steps_before).into_iter().flatten()) {
        *weight += share * coefficient / 209.0;
    }
}

fn add_mirrored(weights: &mut [f64; POINTS], steps_after: usize, share: f64) {
    for (weight, coefficient) in weights.iter_mut().rev().zip(BEFORE.get(steps_after).into_iter().flatten()) {
        *weight += share * coefficient / 209.0;
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn value(values: &[f64], position: f64) -> f64 {
        let (base, weights) = taps(position, values.len());
        values[base..].iter().zip(weights).map(|(value, weight)| value * weight).sum()
    }

    /// Numbers and results from the documentation of colour-science 0.4.7 (its SpragueInterpolator).
    #[test]
    fn a_reference_librarys_example_comes_out() {
        let values = [5.92, 9.37, 10.8135, 4.51, 69.59, 27.8007, 86.05];
        for (position, expected) in [(0.5, 7.218_502_5), (0.25, 6.729_516_1), (0.75, 7.814_062_5)] {
            assert!((value(&values, position) - expected).abs() < 1e-7, "{}", value(&values, position));
        }
    }

    #[test]
    fn few_values_are_joined_by_straight_lines() {
        assert!((value(&[1.0, 3.0], 0.25) - 1.5).abs() < 1e-15);
        assert!((value(&[1.0, 3.0, 2.0, 7.0, 0.0], 3.5) - 3.5).abs() < 1e-15);
        assert!((value(&[1.0, 3.0], 9.0) - 3.0).abs() < 1e-15);
    }

    proptest! {
        #[test]
        fn what_is_given_stays_and_so_do_lines_and_parabolas(
            count in 2_usize..40, a in -5.0..5.0, b in -1.0..1.0, c in -1.0..1.0, share in 0.0..1.0,
        ) {
            let near = |found: f64, expected: f64| (found - expected).abs() < 1e-9 * (1.0 + expected.abs());
            let sampled = |curve: &dyn Fn(f64) -> f64| (0..count).map(|index| curve(index as f64)).collect::<Vec<f64>>();
            let parabola = |x: f64| a + b * x + c * x * x;
            let values = sampled(&parabola);
            for (index, expected) in values.iter().enumerate() {
                prop_assert!(near(value(&values, index as f64), *expected));
            }
            let line = |x: f64| a + b * x;
            let position = share * (count - 1) as f64;
            prop_assert!(near(value(&sampled(&line), position), line(position)));
            // The first two intervals and the last two go by Table V, which keeps lines alone.
            if count >= POINTS && (2.0..=(count - 3) as f64).contains(&position) {
                prop_assert!(near(value(&values, position), parabola(position)));
            }
        }
    }
}
