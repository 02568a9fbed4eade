//! Primaries and white of a display, as RGB to XYZ.

use super::matrix::{Matrix, apply, inverse};

/// CIE standard illuminant D65 as ITU-R BT.709, BT.2020 and SMPTE EG 432-1 print it: x, y.
const D65_XY: [f64; 2] = [0.3127, 0.3290];

/// Sets of primaries, all with white D65.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Primaries {
    /// ITU-R BT.709.
    Bt709,
    /// SMPTE EG 432-1.
    P3D65,
    /// ITU-R BT.2020.
    Bt2020,
}

impl Primaries {
    /// CIE 1931 x, y of red, green and blue.
    fn xy(self) -> [[f64; 2]; 3] {
        match self {
            Self::Bt709 => [[0.64, 0.33], [0.30, 0.60], [0.15, 0.06]],
            Self::P3D65 => [[0.68, 0.32], [0.265, 0.69], [0.15, 0.06]],
            Self::Bt2020 => [[0.708, 0.292], [0.170, 0.797], [0.131, 0.046]],
        }
    }

    /// RGB to XYZ with white's Y = 1 (SMPTE RP 177: the primaries' columns, scaled so that they add up to white).
    pub(super) fn to_xyz(self) -> Matrix {
        let columns = self.xy().map(xyz_of_xy);
        let rows = [0, 1, 2].map(|row| columns.map(|column| column[row]));
        let scale = apply(&inverse(&rows), xyz_of_xy(D65_XY));
        rows.map(|row| std::array::from_fn(|column| row[column] * scale[column]))
    }
}

/// u′, v′ of D65 (CIE 15).
pub(super) fn d65_uv() -> [f64; 2] {
    let [x, y] = D65_XY;
    let denominator = -2.0 * x + 12.0 * y + 3.0;
    [4.0 * x / denominator, 9.0 * y / denominator]
}

/// X, Y, Z with Y = 1 of x, y (CIE 15).
fn xyz_of_xy([x, y]: [f64; 2]) -> [f64; 3] {
    [x / y, 1.0, (1.0 - x - y) / y]
}

/// X = 9u′/4v′, Y = 1, Z = (12 − 3u′ − 20v′)/4v′ (CIE 15).
fn xyz_of_uv([u, v]: [f64; 2]) -> [f64; 3] {
    [9.0 * u / (4.0 * v), 1.0, (12.0 - 3.0 * u - 20.0 * v) / (4.0 * v)]
}

/// The gains of R, G and B that move white to `uv` and leave its luminance alone.
pub(super) fn white_gains(to_rgb: &Matrix, uv: [f64; 2]) -> [f64; 3] {
    apply(to_rgb, xyz_of_uv(uv)).map(|gain| gain.max(0.0))
}

#[cfg(test)]
mod tests {
    use settled_protocol::quantity::Xyz;

    use super::*;

    fn assert_near(value: &Matrix, expected: &Matrix, tolerance: f64) {
        for (value, expected) in value.iter().flatten().zip(expected.iter().flatten()) {
            assert!((value - expected).abs() < tolerance, "{value} is not {expected}");
        }
    }

    /// The matrices that IEC 61966-2-1, ITU-R BT.2020 and common tables for P3-D65 print, to their last digit.
    #[test]
    fn the_matrices_are_the_printed_ones() {
        let bt709 = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]];
        assert_near(&Primaries::Bt709.to_xyz(), &bt709, 6e-5);
        let p3 = [
            [0.486_570_9, 0.265_667_7, 0.198_217_3],
            [0.228_974_6, 0.691_738_5, 0.079_286_9],
            [0.0, 0.045_113_4, 1.043_944_4],
        ];
        assert_near(&Primaries::P3D65.to_xyz(), &p3, 1e-6);
        let bt2020 =
            [[0.636_958, 0.144_617, 0.168_881], [0.2627, 0.677_998, 0.059_302], [0.0, 0.028_073, 1.060_985]];
        assert_near(&Primaries::Bt2020.to_xyz(), &bt2020, 1e-6);
    }

    /// D65 in the 1976 diagram: 0.1978, 0.4683 (CIE 15).
    #[test]
    fn white_is_d65() {
        let [u, v] = d65_uv();
        assert!((u - 0.1978).abs() < 5e-5 && (v - 0.4683).abs() < 5e-5);
        for primaries in [Primaries::Bt709, Primaries::P3D65, Primaries::Bt2020] {
            for gain in white_gains(&inverse(&primaries.to_xyz()), [u, v]) {
                assert!((gain - 1.0).abs() < 1e-12);
            }
        }
    }

    #[test]
    fn gains_move_white_and_keep_its_luminance() {
        for primaries in [Primaries::Bt709, Primaries::P3D65, Primaries::Bt2020] {
            let to_xyz = primaries.to_xyz();
            for (du, dv) in [(0.04, 0.04), (-0.04, 0.04), (0.04, -0.04), (-0.04, -0.04)] {
                let wanted = [d65_uv()[0] + du, d65_uv()[1] + dv];
                let gains = white_gains(&inverse(&to_xyz), wanted);
                assert!(gains.iter().all(|gain| *gain > 0.0), "{primaries:?} {wanted:?}: {gains:?}");
                let [x, y, z] = apply(&to_xyz, gains);
                let seen = Xyz::new(x, y, z).unwrap().chromaticity().unwrap();
                assert!((y - 1.0).abs() < 1e-12);
                assert!((seen.u_prime() - wanted[0]).hypot(seen.v_prime() - wanted[1]) < 1e-12);
            }
        }
    }
}
