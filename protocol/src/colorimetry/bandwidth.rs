//! What a spectrometer's slit has blurred is sharpened: Stearns and Stearns, *An example of a method for correcting radiance data
//! for bandpass error*, Color Research and Application 13(4), 257-259 (1988).
//!
//! S(λ) = M(λ) + α·(2·M(λ) − M(λ − b) − M(λ + b)) with α = 0.083; at the ends, where one neighbour is missing, M(λ) + α·(M(λ) −
//! neighbour). It assumes a triangular slit function whose full width at half maximum b is the interval between the values it
//! takes: then α = 1/12 is the second-order term of a Taylor series, −b²/12·M″. (CIE 214:2014 treats the same problem and goes one
//! order further; its print was not at hand, so nothing of it is used here.)
//!
//! So the bandwidth must be a whole number k of the spectrum's steps. For k = 1 it is the paper's formula; for a finer spectrum it
//! is the same formula over values k steps apart. It sharpens noise too, by √((1 + 2α)² + 2α²): 17 % in each value. A spectrum of
//! lines narrower than the bandwidth is not restored by it: no method does that.

use super::Unsummed;

/// The paper's α.
const ALPHA: f64 = 0.083;

/// By how much a bandwidth may miss a whole number of steps, in steps: instruments state both to a few digits.
const TOLERANCE: f64 = 0.01;

/// How many steps apart the values are that the correction takes.
///
/// # Errors
/// [`Unsummed::Bandwidth`] if that is no whole number from 1 up.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "checked to be small and whole")]
pub(super) fn steps(bandwidth_nm: f64, step_nm: f64) -> Result<usize, Unsummed> {
    let steps = bandwidth_nm / step_nm;
    let whole = steps.round();
    if (whole - steps).abs() <= TOLERANCE && (1.0..=10_000.0).contains(&whole) {
        Ok(whole as usize)
    } else {
        Err(Unsummed::Bandwidth { bandwidth_nm, step_nm })
    }
}

/// Turns weights of corrected values into weights of the values as they are.
pub(super) fn unfold(weights: &[[f64; 3]], steps: usize) -> Vec<[f64; 3]> {
    let mut unfolded = weights.to_vec();
    for (index, weight) in weights.iter().enumerate() {
        let neighbours = [index.checked_sub(steps), index.checked_add(steps)];
        for neighbour in neighbours.into_iter().flatten().filter(|neighbour| *neighbour < weights.len()) {
            for axis in 0..3 {
                unfolded[index][axis] += ALPHA * weight[axis];
                unfolded[neighbour][axis] -= ALPHA * weight[axis];
            }
        }
    }
    unfolded
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_value_and_its_neighbours_give_the_papers_formula() {
        let values = [0.0651, 0.0705, 0.0772, 0.0870, 0.1128, 0.1360];
        for (index, value) in values.into_iter().enumerate() {
            let mut one = [[0.0; 3]; 6];
            one[index] = [1.0; 3];
            let found: f64 =
                values.iter().zip(unfold(&one, 1)).map(|(value, weight)| value * weight[1]).sum();
            let [left, right] =
                [index.saturating_sub(1), (index + 1).min(5)].map(|neighbour| values[neighbour]);
            let expected = (1.0 + 2.0 * ALPHA) * value - ALPHA * (left + right);
            assert!((found - expected).abs() < 1e-15, "{found} is not {expected}");
        }
    }

    #[test]
    fn a_finer_spectrum_is_corrected_over_its_bandwidth() {
        let mut one = vec![[0.0; 3]; 20];
        one[10] = [1.0; 3];
        let unfolded = unfold(&one, 4);
        let found: Vec<(usize, f64)> = unfolded
            .iter()
            .enumerate()
            .filter(|(_, w)| w[0] != 0.0)
            .map(|(index, w)| (index, w[0]))
            .collect();
        assert_eq!(found, [(6, -ALPHA), (10, 1.0 + ALPHA + ALPHA), (14, -ALPHA)]);
    }

    #[test]
    fn a_bandwidth_is_a_whole_number_of_steps() {
        assert_eq!([steps(5.0, 5.0), steps(5.0, 1.0), steps(4.0, 4.001)], [Ok(1), Ok(5), Ok(1)]);
        for (bandwidth_nm, step_nm) in [(5.0, 4.0), (1.0, 5.0), (0.0, 1.0), (f64::NAN, 1.0), (1e9, 1.0)] {
            assert!(steps(bandwidth_nm, step_nm).is_err(), "{bandwidth_nm} {step_nm}");
        }
    }
}
