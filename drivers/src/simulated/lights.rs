//! What the display's light is made of: the spectra of its red, green and blue.
//!
//! Sums of Gaussians of our own, no display's: a red of three narrow lines (such as narrow-band phosphors give), a green and a blue
//! band for the primaries of BT.709 and P3; three lines of 4 nm for those of BT.2020, which hardly anything wider reaches. They are
//! mixed so that X, Y and Z of the mixture (CIE 1931, 2°, summed by 1 nm from 380 to 780 nm) are those of the model exactly.
//!
//! Primaries are published rounded, and some lie a hair beyond what light can make: then one line of the mixture is
//! negative, by up to 0.13 % of the peak. White and everything near it is positive throughout.

use settled_protocol::colorimetry::{Method, Summation};
use settled_protocol::spectrum::Spectrum;

use super::matrix::{Matrix, apply, inverse};
use super::primaries::Primaries;

/// From and to which wavelength there is light, in nm.
pub(super) const REACH_NM: (f64, f64) = (380.0, 780.0);

/// Centre in nm, full width at half maximum in nm, height.
type Line = (f64, f64, f64);

const WIDE: [&[Line]; 3] = [
    &[(614.0, 7.0, 0.35), (631.0, 6.0, 1.0), (648.0, 7.0, 0.3)],
    &[(532.0, 28.0, 1.0)],
    &[(459.0, 18.0, 1.0)],
];
const NARROW: [&[Line]; 3] = [&[(630.0, 4.0, 1.0)], &[(532.0, 4.0, 1.0)], &[(467.0, 4.0, 1.0)]];

/// Points to either side over which a slit's triangle is summed up.
const SLIT_POINTS: i32 = 64;

/// The spectra that a display mixes.
#[derive(Clone, Debug)]
pub(super) struct Lights {
    lines: [&'static [Line]; 3],
    /// X, Y, Z in cd/m² to how much of each.
    amounts: Matrix,
}

impl Lights {
    /// Those of a display with these primaries.
    pub(super) fn of(primaries: Primaries) -> Self {
        let lines = if primaries == Primaries::Bt2020 { NARROW } else { WIDE };
        let mut summation = Summation::new(Method::default());
        let columns = lines.map(|lines| {
            let values: Vec<f64> =
                (0..=400_u32).map(|index| height(lines, REACH_NM.0 + f64::from(index))).collect();
            let sums = Spectrum::new(REACH_NM.0, 1.0, values).ok().and_then(|one| summation.xyz(&one).ok());
            sums.map_or([f64::NAN; 3], <[f64; 3]>::from)
        });
        let rows = [0, 1, 2].map(|row| columns.map(|column| column[row]));
        Self { lines, amounts: inverse(&rows) }
    }

    /// How much of each there is in light of `xyz`, in cd/m².
    pub(super) fn amounts(&self, xyz: [f64; 3]) -> [f64; 3] {
        apply(&self.amounts, xyz)
    }

    /// Spectral radiance of one of each at `nm`, in W·sr⁻¹·m⁻²·nm⁻¹, seen through a slit with a triangular function `slit_nm` wide at
    /// half its height; 0 is none.
    pub(super) fn seen(&self, nm: f64, slit_nm: f64) -> [f64; 3] {
        if slit_nm <= 0.0 {
            return self.lines.map(|lines| height(lines, nm));
        }
        let points = f64::from(SLIT_POINTS);
        let mut sums = [0.0; 3];
        for point in -SLIT_POINTS..=SLIT_POINTS {
            let offset = f64::from(point) / points;
            let share = (1.0 - offset.abs()) / points;
            for (sum, lines) in sums.iter_mut().zip(self.lines) {
                *sum += share * height(lines, nm + slit_nm * offset);
            }
        }
        sums
    }
}

fn height(lines: &[Line], nm: f64) -> f64 {
    let one = |(centre, fwhm, height): &Line| {
        height * (-4.0 * std::f64::consts::LN_2 * ((nm - centre) / fwhm).powi(2)).exp()
    };
    lines.iter().map(one).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// White, and each primary, of every set: the spectrum by 1 nm sums up to what was asked for.
    #[test]
    fn a_mixture_has_the_colour_that_was_asked_for_and_hardly_a_negative_value() {
        for primaries in [Primaries::Bt709, Primaries::P3D65, Primaries::Bt2020] {
            let lights = Lights::of(primaries);
            for rgb in [[1.0, 1.0, 1.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [0.2, 0.5, 0.1]] {
                let asked = apply(&primaries.to_xyz(), rgb).map(|value| 250.0 * value);
                let amounts = lights.amounts(asked);
                let values: Vec<f64> = (0..=400_u32)
                    .map(|index| {
                        let seen = lights.seen(380.0 + f64::from(index), 0.0);
                        seen.iter().zip(amounts).map(|(seen, amount)| seen * amount).sum()
                    })
                    .collect();
                let (least, most) =
                    values.iter().fold((0.0_f64, 0.0_f64), |(a, b), v| (a.min(*v), b.max(*v)));
                let white = rgb == [1.0; 3];
                assert!(
                    least >= if white { 0.0 } else { -0.0013 * most },
                    "{primaries:?} {rgb:?}: {least} of {most}"
                );
                let spectrum = Spectrum::new(380.0, 1.0, values).unwrap();
                let found: [f64; 3] = Summation::new(Method::default()).xyz(&spectrum).unwrap().into();
                for (found, asked) in found.into_iter().zip(asked) {
                    assert!(
                        (found - asked).abs() < 1e-11 * 250.0,
                        "{primaries:?} {rgb:?}: {found} is not {asked}"
                    );
                }
            }
        }
    }

    #[test]
    fn a_slit_makes_a_line_wider_and_keeps_its_area() {
        let lights = Lights::of(Primaries::Bt2020);
        let through =
            |slit_nm: f64| (0..400_u32).map(move |i| lights.clone().seen(380.0 + f64::from(i), slit_nm)[1]);
        let (sharp, blurred): (Vec<f64>, Vec<f64>) = (through.clone()(0.0).collect(), through(8.0).collect());
        let area = |values: &[f64]| values.iter().sum::<f64>();
        assert!((area(&sharp) / area(&blurred) - 1.0).abs() < 1e-3);
        assert!(blurred[152] < 0.6 * sharp[152] && blurred[144] > 1e-3 && sharp[144] < 1e-3);
    }
}
