//! Where a spectrum peaks, how wide its peaks are, and its radiance.
//!
//! A peak is a value that stands out: one falls by at least a tenth of the spectrum's largest value on either side before it
//! climbs higher (its prominence, as one says of mountains). Common practice, no source. Near black all of a spectrum is noise, and
//! a tenth of that is noise too: a peak must also stand out by eight times the standard deviation of the noise, which is told from
//! how values bend from one to the next. What light does over a few steps bends little beside it.

use crate::spectrum::Spectrum;

/// What a peak must stand out by, as a share of the largest value.
const PROMINENCE: f64 = 0.1;

/// What a peak must stand out by, in standard deviations of the noise. The highest and the lowest of some 400 values of noise are 6 apart, of
/// 4096 a little more than 7. Engineering judgement.
const NOISES: f64 = 8.0;

/// Fewer bends than this say nothing of noise: a few peaks may be all of them.
const FEWEST_BENDS: usize = 30;

/// A standard deviation over the median distance from the mean, of a normal distribution.
const NORMAL_OVER_MEDIAN: f64 = 1.482_602;

/// A peak.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Peak {
    /// Where, in nm: the top of the parabola through the largest value and its neighbours.
    pub wavelength_nm: f64,
    /// The parabola's value there, in the spectrum's unit.
    pub value: f64,
    /// Its full width at half of its value, in nm, crossings joined by straight lines; absent where the spectrum ends, or
    /// climbs above the peak, before it has fallen to half.
    pub fwhm_nm: Option<f64>,
}

/// The spectrum's peaks, the highest (the dominant one) first.
#[must_use]
pub fn peaks(spectrum: &Spectrum) -> Vec<Peak> {
    let values = spectrum.values();
    let largest = values.iter().copied().fold(0.0, f64::max);
    let depth = (PROMINENCE * largest).max(NOISES * noise(values));
    let mut peaks: Vec<Peak> = summits(values)
        .filter(|(from, to)| stands_out(values, *from, *to, depth))
        .map(|(from, to)| peak(spectrum, from, to))
        .collect();
    peaks.sort_by(|a, b| b.value.total_cmp(&a.value));
    peaks
}

/// Σ S·Δλ by the trapezoidal rule over what was measured: radiance in W·sr⁻¹·m⁻² (irradiance in W·m⁻²). Not finite only
/// where the sum is too large.
#[must_use]
pub fn radiance(spectrum: &Spectrum) -> f64 {
    let values = spectrum.values();
    let ends = values.first().copied().unwrap_or(0.0) + values.last().copied().unwrap_or(0.0);
    spectrum.step_nm() * (values.iter().sum::<f64>() - ends / 2.0)
}

/// The standard deviation of the noise in a spectrum, if its values are independent: the median of |a − 2b + c| over neighbours, whose
/// variance is 6 times theirs, as that of a normal distribution. Peaks narrower than the most of the spectrum don't count in a median.
fn noise(values: &[f64]) -> f64 {
    // In quarters, so that no sum of finite numbers overflows.
    let mut bends: Vec<f64> =
        values.windows(3).map(|three| (three[0] / 4.0 - three[1] / 2.0 + three[2] / 4.0).abs()).collect();
    if bends.len() < FEWEST_BENDS {
        return 0.0;
    }
    let middle = bends.len() / 2;
    let (_, median, _) = bends.select_nth_unstable_by(middle, f64::total_cmp);
    *median * 4.0 * NORMAL_OVER_MEDIAN / 6.0_f64.sqrt()
}

/// Runs of equal values that are higher than both neighbours: from the first to the last index. The ends of a spectrum are
/// none: nobody knows how it goes on.
fn summits(values: &[f64]) -> impl Iterator<Item = (usize, usize)> {
    let mut from = 0;
    values.iter().enumerate().zip(values.iter().skip(1)).filter_map(move |((index, value), next)| {
        let run = from;
        if value.total_cmp(next).is_eq() {
            return None;
        }
        from = index + 1;
        let before = run.checked_sub(1).and_then(|before| values.get(before))?;
        (*value > 0.0 && before < value && next < value).then_some((run, index))
    })
}

/// Whether the values fall by `depth` on either side before they climb above the summit.
fn stands_out(values: &[f64], from: usize, to: usize, depth: f64) -> bool {
    let Some(top) = values.get(from).copied() else { return false };
    let falls = |side: &mut dyn Iterator<Item = &f64>| {
        side.take_while(|value| **value <= top).any(|value| top - *value >= depth)
    };
    falls(&mut values.iter().take(from).rev()) && falls(&mut values.iter().skip(to + 1))
}

#[expect(clippy::cast_precision_loss, reason = "at most 4096 values")]
fn peak(spectrum: &Spectrum, from: usize, to: usize) -> Peak {
    let values = spectrum.values();
    let at = |index: usize| values.get(index).copied().unwrap_or(0.0);
    let (place, value) = if from == to {
        let (offset, value) = parabola(at(from - 1), at(from), at(from + 1));
        (from as f64 + offset, value)
    } else {
        ((from + to) as f64 / 2.0, at(from))
    };
    let step_nm = spectrum.step_nm();
    let left = crossing(&mut values.iter().take(from + 1).rev().copied(), value);
    let right = crossing(&mut values.iter().skip(to).copied(), value);
    let width = left.zip(right).map(|(left, right)| left + right + (to - from) as f64);
    Peak {
        wavelength_nm: spectrum.start_nm() + place * step_nm,
        value,
        fwhm_nm: width.map(|width| width * step_nm),
    }
}

/// The top of the parabola through three values, the middle one the largest: how far from the middle, in steps, and its value,
/// no more than a quarter above the middle: next to nothing on one side there is no parabola, but a line as narrow as a step.
fn parabola(before: f64, top: f64, after: f64) -> (f64, f64) {
    // In halves, so that no sum of finite numbers overflows.
    let (rise, fall) = (top / 2.0 - before / 2.0, top / 2.0 - after / 2.0);
    let offset = (rise - fall) / (rise + fall) / 2.0;
    if !offset.is_finite() {
        return (0.0, top);
    }
    (offset, (top + ((rise - fall) * offset / 2.0).min(top / 4.0)).min(f64::MAX))
}

/// After how many steps from a peak the values have fallen to half of `top`; nothing if they climb above it before, or end.
fn crossing(values: &mut dyn Iterator<Item = f64>, top: f64) -> Option<f64> {
    let half = top / 2.0;
    let mut last = values.next()?;
    for (steps, value) in (0_u32..).zip(values) {
        if value > top {
            return None;
        }
        if value <= half {
            // Relative to the larger, so that no difference of finite numbers overflows, and none of tiny ones vanishes.
            let [last, half, value] = [last, half, value].map(|of| of / last.abs().max(value.abs()));
            return Some(f64::from(steps) + (last - half) / (last - value));
        }
        last = value;
    }
    None
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// A sum of Gaussians: wavelength, full width at half maximum, height.
    fn gaussians(step_nm: f64, lines: &[(f64, f64, f64)]) -> Spectrum {
        let count = (400.0 / step_nm) as usize + 1;
        let at = |nm: f64| {
            let one = |(peak, fwhm, height): &(f64, f64, f64)| {
                height * (-4.0 * std::f64::consts::LN_2 * ((nm - peak) / fwhm).powi(2)).exp()
            };
            lines.iter().map(one).sum::<f64>()
        };
        let values: Vec<f64> = (0..count).map(|index| at(380.0 + step_nm * index as f64)).collect();
        Spectrum::new(380.0, step_nm, values).unwrap()
    }

    #[test]
    fn peaks_and_widths_are_found_between_the_values() {
        let lines = [(452.3, 20.0, 3.0), (537.6, 40.0, 1.0), (631.9, 30.0, 2.0)];
        for (step_nm, tolerance) in [(1.0, 0.05), (2.0, 0.1), (4.0, 0.5)] {
            let found = peaks(&gaussians(step_nm, &lines));
            assert_eq!(found.len(), 3, "{found:?}");
            for (found, (nm, fwhm, height)) in found.iter().zip([lines[0], lines[2], lines[1]]) {
                assert!((found.wavelength_nm - nm).abs() < tolerance, "{found:?}");
                assert!((found.value / height - 1.0).abs() < 0.02, "{found:?}");
                assert!((found.fwhm_nm.unwrap() - fwhm).abs() < 2.0 * tolerance, "{found:?}");
            }
        }
    }

    #[test]
    fn noise_and_ends_make_no_peaks_and_a_shoulder_has_no_width() {
        let ramp = Spectrum::new(380.0, 1.0, (0..401).map(f64::from).collect::<Vec<_>>()).unwrap();
        assert!(peaks(&ramp).is_empty());
        let wavy: Vec<f64> = (0..401).map(|index| 1.0 + 0.02 * f64::from(index % 2)).collect();
        assert!(peaks(&Spectrum::new(380.0, 1.0, wavy).unwrap()).is_empty());
        let dark = Spectrum::new(380.0, 1.0, vec![-1.0; 401]).unwrap();
        assert!(peaks(&dark).is_empty());
        let close = gaussians(1.0, &[(500.0, 30.0, 1.0), (540.0, 30.0, 1.6)]);
        let found = peaks(&close);
        assert_eq!(
            found.iter().map(|peak| peak.fwhm_nm.is_some()).collect::<Vec<_>>(),
            [true, false],
            "{found:?}"
        );
        let flat = Spectrum::new(500.0, 2.0, vec![0.0, 0.0, 4.0, 4.0, 0.0, 0.0]).unwrap();
        assert_eq!(peaks(&flat), [Peak { wavelength_nm: 505.0, value: 4.0, fwhm_nm: Some(4.0) }]);
    }

    /// Noise of many seeds, by itself and with a line that is as high as it is on white light; a broad one by coarse steps.
    #[test]
    fn noise_has_no_peaks_and_what_stands_out_of_it_has_its_own() {
        let mut state = 1_u64;
        // Sums of twelve of a congruential generator's numbers (Knuth's MMIX): normal, nearly.
        let mut uniform = move || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            f64::from(u32::try_from(state >> 32).unwrap()) / f64::from(u32::MAX)
        };
        let mut normal = move || (0..12).map(|_| uniform()).sum::<f64>() - 6.0;
        for count in [101, 401, 4096] {
            for _ in 0..50 {
                let values: Vec<f64> = (0..count).map(|_| 1e-9 * normal()).collect();
                assert_eq!(peaks(&Spectrum::new(380.0, 0.5, values).unwrap()), []);
            }
        }
        let line = |nm: f64| (-((nm - 550.0) / 12.0).powi(2)).exp();
        let noisy: Vec<f64> = (0..401).map(|i| line(380.0 + f64::from(i)) + 0.04 * normal()).collect();
        let found = peaks(&Spectrum::new(380.0, 1.0, noisy).unwrap());
        assert!(found.len() == 1 && (found[0].wavelength_nm - 550.0).abs() < 8.0, "{found:?}");
        // Blue and a broad yellow, by 10 nm.
        let white = gaussians(10.0, &[(450.0, 25.0, 1.0), (570.0, 120.0, 0.6)]);
        assert_eq!(peaks(&white).len(), 2);
    }

    #[test]
    fn radiance_is_the_area() {
        let found = radiance(&Spectrum::new(400.0, 0.5, vec![2.0; 201]).unwrap());
        assert!((found - 200.0).abs() < 1e-12);
        // A Gaussian's area: height · fwhm · √(π/(4 ln 2)).
        let area = 3.0 * 20.0 * (std::f64::consts::PI / (4.0 * std::f64::consts::LN_2)).sqrt();
        assert!((radiance(&gaussians(1.0, &[(550.0, 20.0, 3.0)])) / area - 1.0).abs() < 1e-9);
    }

    #[test]
    fn the_largest_and_smallest_numbers_have_peaks_of_some_width_and_height() {
        for values in [
            [-9.829359417358214e307, 8.291677312268032e307, -9.797702399692075e307],
            [-1.7e308, 1.7e308, 1.69e308],
            [0.0, 5e-324, 0.0],
        ] {
            let spectrum = Spectrum::new(380.0, 3.5, [values.as_slice(), &[0.0]].concat()).unwrap();
            for peak in peaks(&spectrum) {
                assert!(peak.value.is_finite(), "{peak:?}");
                assert!(peak.fwhm_nm.is_none_or(|width| width.is_finite() && width > 0.0), "{peak:?}");
            }
            assert_eq!(peaks(&spectrum).len(), 1);
        }
    }

    proptest! {
        #[test]
        fn whatever_comes_peaks_lie_within_and_are_numbers(
            values in proptest::collection::vec(prop_oneof![-1.0..1.0, Just(0.0), -1e308..1e308], 2..60),
        ) {
            let spectrum = Spectrum::new(380.0, 3.5, values).unwrap();
            for peak in peaks(&spectrum) {
                prop_assert!(peak.value.is_finite() && peak.value > 0.0);
                prop_assert!((spectrum.start_nm()..=spectrum.end_nm()).contains(&peak.wavelength_nm));
                prop_assert!(peak.fwhm_nm.is_none_or(|width| width.is_finite() && width > 0.0), "{peak:?}");
            }
        }
    }
}
