//! ICtCp (ITU-R BT.2100-2, table 7, with PQ) and ΔE ITP (ITU-R BT.2124-0).

use std::sync::LazyLock;

use settled_protocol::matrix::Matrix;

use super::aim::{D65_XY, Primaries};
use super::rgb;
use super::transfer::pq::encoded;

/// From linear R, G and B of BT.2020 to L, M and S, in 4096ths (BT.2100-2, table 7).
const RGB_TO_LMS: [[f64; 3]; 3] = [[1688.0, 2146.0, 262.0], [683.0, 2951.0, 462.0], [99.0, 309.0, 3688.0]];
/// Of Ct and of Cp, from L′, M′ and S′, in 4096ths (BT.2100-2, table 7, for PQ).
const CT: [f64; 3] = [6610.0, -13613.0, 7003.0];
const CP: [f64; 3] = [17933.0, -17390.0, -543.0];
const PARTS: f64 = 4096.0;

/// From X, Y and Z to L, M and S.
static XYZ_TO_LMS: LazyLock<Option<Matrix>> = LazyLock::new(|| {
    let xyz_to_rgb = rgb::to_xyz(Primaries::Bt2020.xy(), D65_XY)?.inverse()?;
    Matrix::new(RGB_TO_LMS).ok()?.scaled(1.0 / PARTS).ok()?.after(xyz_to_rgb).ok()
});

/// A colour of a certain luminance; all three dimensionless.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ictcp {
    /// Intensity: 0 is black, 1 is 10 000 cd/m².
    pub i: f64,
    /// Tritan: from yellow (below 0) to blue.
    pub ct: f64,
    /// Protan: from green (below 0) to red.
    pub cp: f64,
}

impl Ictcp {
    /// The colour of light with these X, Y and Z in cd/m²: absolute, as there is no white that it stands beside.
    ///
    /// Where noise makes L, M or S negative it is taken for zero; what is beyond 10 000 cd/m² goes on by the same formula. Nothing where a
    /// number isn't finite.
    #[must_use]
    pub fn of(xyz: [f64; 3]) -> Option<Self> {
        if !xyz.iter().all(|value| value.is_finite()) {
            return None;
        }
        let lms = (*XYZ_TO_LMS)?.times(xyz).map(encoded);
        let sum =
            |weights: [f64; 3]| weights.iter().zip(lms).map(|(weight, value)| weight * value / PARTS).sum();
        let colour = Self { i: f64::midpoint(lms[0], lms[1]), ct: sum(CT), cp: sum(CP) };
        [colour.i, colour.ct, colour.cp].iter().all(|value| value.is_finite()).then_some(colour)
    }

    /// ΔE ITP = 720·√(ΔI² + (½·ΔCt)² + ΔCp²): about 1 is just visible where it is easiest to see (ITU-R BT.2124-0, from memory).
    #[must_use]
    pub fn difference(self, other: Self) -> f64 {
        720.0 * (self.i - other.i).hypot((0.5 * (self.ct - other.ct)).hypot(self.cp - other.cp))
    }
}

#[cfg(test)]
mod tests {
    use super::super::reference::{Table, assert_near};
    use super::*;

    /// BT.2100-2, table 7, and BT.2124-0 as colour-science and coloraide compute them.
    #[test]
    fn colours_and_differences_are_those_of_reference_libraries() {
        let table = Table::read(include_str!("../../../tests/reference/colour/deltae_itp.csv"));
        for row in table.rows() {
            let pair = [["X1", "Y1", "Z1"], ["X2", "Y2", "Z2"]];
            let [one, other] = pair.map(|columns| Ictcp::of(row.numbers(columns)).unwrap());
            let found = [one.i, one.ct, one.cp, other.i, other.ct, other.cp];
            for (found, column) in found.into_iter().zip(["I1", "Ct1", "Cp1", "I2", "Ct2", "Cp2"]) {
                assert_near(found, row.number(column), 1e-8, column);
            }
            assert_near(one.difference(other), row.number("dE_itp"), 1e-6, row.text("Y1"));
        }
    }

    #[test]
    fn noise_about_black_is_black_and_what_is_not_a_number_is_no_colour() {
        assert_eq!(Ictcp::of([-1e-5; 3]), Ictcp::of([0.0; 3]));
        assert_eq!(Ictcp::of([1.0, f64::NAN, 1.0]), None);
        assert_eq!(Ictcp::of([1.0, f64::INFINITY, 1.0]), None);
    }
}
