//! From linear red, green and blue to X, Y and Z and back (SMPTE RP 177-1993), and the balance of the three in a light.

use serde::{Deserialize, Serialize};
use settled_protocol::matrix::Matrix;

use super::aim::Aim;

/// The matrix from linear R, G and B to X, Y and Z where R = G = B = 1 has the white's chromaticity and Y = 1 (SMPTE RP 177, clause 3.3, from
/// memory): each column is a primary's x, y and z, scaled so that the three add up to white.
///
/// x and y of each primary and of white; nothing where the primaries don't enclose the white.
#[must_use]
pub fn to_xyz(primaries: [[f64; 2]; 3], white: [f64; 2]) -> Option<Matrix> {
    let whole = |[x, y]: [f64; 2]| [x, y, 1.0 - x - y];
    let columns = primaries.map(whole);
    let white = whole(white).map(|value| value / white[1]);
    let scales = Matrix::of_columns(columns).ok()?.inverse()?.times(white);
    if !scales.iter().all(|scale| *scale > 0.0) {
        return None;
    }
    Matrix::of_columns([0, 1, 2].map(|index| columns[index].map(|value| value * scales[index]))).ok()
}

impl Aim {
    /// [`to_xyz`] of the aim's primaries and white: times a luminance of white in cd/m², X, Y and Z are absolute.
    #[must_use]
    pub fn rgb_to_xyz(&self) -> Option<Matrix> {
        to_xyz(self.primaries.xy(), self.white_xy())
    }
}

/// How much of each primary is in a light, in per cent of what the target's white of the same luminance has: 100, 100, 100 is the target's colour,
/// whatever its luminance; less blue than the others is yellowish.
///
/// Normalised to luminance, so that the three, weighted by what each adds to white's luminance, have a mean of 100. The primaries are those of
/// the target. May be below zero, where a light's colour is beyond them.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Balance {
    /// Red, in per cent.
    pub red: f64,
    /// Green, in per cent.
    pub green: f64,
    /// Blue, in per cent.
    pub blue: f64,
}

impl Balance {
    /// Of light with these X, Y and Z, against the white of a matrix that [`to_xyz`] makes; nothing where there is no luminance.
    #[must_use]
    pub fn of(xyz: [f64; 3], rgb_to_xyz: Matrix) -> Option<Self> {
        if xyz[1] <= 0.0 {
            return None;
        }
        let [red, green, blue] = rgb_to_xyz.inverse()?.times(xyz).map(|share| 100.0 * share / xyz[1]);
        [red, green, blue].iter().all(|share| share.is_finite()).then_some(Self { red, green, blue })
    }
}

#[cfg(test)]
mod tests {
    use super::super::aim::{D65_XY, Primaries, Transfer};
    use super::super::reference::assert_near;
    use super::*;

    #[derive(Deserialize)]
    struct Published {
        spaces: Vec<Space>,
    }

    #[derive(Deserialize)]
    struct Space {
        space: String,
        primaries_xy: Corners,
        white_xy: [f64; 2],
        rgb_to_xyz: [[f64; 3]; 3],
        xyz_to_rgb: [[f64; 3]; 3],
        rgb_to_xyz_published: [[f64; 3]; 3],
        published_tolerance: f64,
        tolerance: f64,
    }

    #[derive(Deserialize)]
    #[serde(rename_all = "UPPERCASE")]
    struct Corners {
        r: [f64; 2],
        g: [f64; 2],
        b: [f64; 2],
    }

    fn assert_all_near(found: Matrix, expected: [[f64; 3]; 3], tolerance: f64, what: &str) {
        for (found, expected) in found.rows().as_flattened().iter().zip(expected.as_flattened()) {
            assert_near(*found, *expected, tolerance, what);
        }
    }

    /// SMPTE RP 177 with the primaries of BT.709, BT.2020, RP 431-2 and EG 432-1: as printed there, and as colour-science computes them.
    #[test]
    fn matrices_are_those_that_are_printed_and_those_of_reference_libraries() {
        let text = include_str!("../../../tests/reference/colour/rgb_matrices.json");
        let published: Published = serde_json::from_str(text).unwrap();
        assert_eq!(published.spaces.len(), 4);
        for space in published.spaces {
            let Corners { r, g, b } = space.primaries_xy;
            let found = to_xyz([r, g, b], space.white_xy).unwrap();
            assert_all_near(found, space.rgb_to_xyz, space.tolerance, &space.space);
            assert_all_near(found.inverse().unwrap(), space.xyz_to_rgb, 10.0 * space.tolerance, &space.space);
            assert_all_near(found, space.rgb_to_xyz_published, space.published_tolerance, &space.space);
        }
    }

    #[test]
    fn primaries_that_enclose_no_white_have_no_matrix() {
        let [red, green, _] = Primaries::Bt709.xy();
        assert_eq!(to_xyz([red, green, green], D65_XY), None);
        assert_eq!(to_xyz([red, green, [0.5, 0.4]], D65_XY), None);
        assert_eq!(to_xyz(Primaries::Bt709.xy(), [0.3127, 0.0]), None);
    }

    #[test]
    fn a_white_without_a_tenth_of_its_blue_has_ninety_per_cent_of_it() {
        let aim = Aim { transfer: Transfer::Srgb, primaries: Primaries::P3D65, white: None };
        let matrix = aim.rgb_to_xyz().unwrap();
        let balance = Balance::of(matrix.times([150.0, 150.0, 135.0]), matrix).unwrap();
        // By hand: blue is 0.0792869 of P3-D65's luminance (SMPTE EG 432-1), so the light has 0.99207131 of white's.
        assert_near(balance.red, 100.0 / 0.992_071_31, 1e-5, "red of the same luminance");
        assert_near(balance.blue, 90.0 / 0.992_071_31, 1e-5, "blue of the same luminance");
        assert_near(balance.green, 100.0 / 0.992_071_31, 1e-5, "green of the same luminance");
        assert_eq!(Balance::of([0.1, 0.0, 0.1], matrix), None);
        assert_eq!(Balance::of([-0.1; 3], matrix), None);
    }
}
