//! Code values to light: the EOTF, the primaries and the white, with errors that can be set.

use settled_protocol::quantity::{Chromaticity, Xyz};

/// A 3×3 matrix, by rows.
pub type Matrix = [[f64; 3]; 3];

/// How a signal becomes light.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Eotf {
    /// ITU-R BT.1886 Annex 1, with the display's own black.
    Bt1886,
    /// A power law.
    Power(f64),
    /// IEC 61966-2-1: linear below 0.04045, else ((V+0.055)/1.055)^2.4.
    Srgb,
    /// SMPTE ST 2084, clipped at the display's peak.
    Pq,
}

/// The EOTF and its error near black.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Transfer {
    /// The EOTF.
    pub eotf: Eotf,
    /// Added to the local gamma below a signal of 0.1: positive is darker.
    pub near_black_gamma: f64,
}

/// ST 2084: absolute luminance in cd/m² of a signal from 0 to 1.
#[must_use]
pub fn pq(signal: f64) -> f64 {
    let (m1, m2) = (2610.0 / 16384.0, 2523.0 / 4096.0 * 128.0);
    let (c1, c2, c3) = (3424.0 / 4096.0, 2413.0 / 4096.0 * 32.0, 2392.0 / 4096.0 * 32.0);
    let power = signal.powf(1.0 / m2);
    10_000.0 * ((power - c1).max(0.0) / (c2 - c3 * power)).powf(1.0 / m1)
}

/// BT.1886: luminance in cd/m² of a signal from 0 to 1, for a white of `white` and a black of `black` cd/m².
#[must_use]
pub fn bt1886(signal: f64, white: f64, black: f64) -> f64 {
    let (high, low) = (white.powf(1.0 / 2.4), black.powf(1.0 / 2.4));
    let (gain, lift) = ((high - low).powf(2.4), low / (high - low));
    gain * (signal + lift).max(0.0).powf(2.4)
}

/// IEC 61966-2-1: linear light, 0 to 1, of a signal from 0 to 1.
#[must_use]
pub fn srgb(signal: f64) -> f64 {
    if signal <= 0.04045 { signal / 12.92 } else { ((signal + 0.055) / 1.055).powf(2.4) }
}

impl Transfer {
    /// Linear light of one channel, 0 to 1 of peak and black excluded, for a signal from 0 to 1.
    #[must_use]
    pub fn linear(self, signal: f64, peak: f64, black: f64) -> f64 {
        let linear = match self.eotf {
            Eotf::Bt1886 => (bt1886(signal, peak, black) - black) / (peak - black),
            Eotf::Power(gamma) => signal.powf(gamma),
            Eotf::Srgb => srgb(signal),
            Eotf::Pq => (pq(signal) / peak).min(1.0),
        };
        let bend =
            if signal > 0.0 && signal < 0.1 { (signal / 0.1).powf(self.near_black_gamma) } else { 1.0 };
        linear.max(0.0) * bend
    }
}

/// Chromaticities of three primaries, x and y of R, G, B. The white is D65 (0.3127, 0.3290) for all of them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Primaries([[f64; 2]; 3]);

impl Primaries {
    /// ITU-R BT.709.
    pub const BT709: Self = Self([[0.64, 0.33], [0.30, 0.60], [0.15, 0.06]]);
    /// SMPTE EG 432-1: P3 with a D65 white.
    pub const P3_D65: Self = Self([[0.68, 0.32], [0.265, 0.69], [0.15, 0.06]]);
    /// ITU-R BT.2020.
    pub const BT2020: Self = Self([[0.708, 0.292], [0.17, 0.797], [0.131, 0.046]]);
}

/// The white of all three sets of primaries.
const D65: [f64; 2] = [0.3127, 0.3290];

/// Linear R, G, B to relative XYZ, errors included.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gamut {
    matrix: Matrix,
}

impl Gamut {
    /// From primaries; `tint` moves the white by Δu′, Δv′ through the channels' gains; `gain` scales the channels on top.
    #[must_use]
    pub fn new(primaries: Primaries, tint: [f64; 2], gain: [f64; 3]) -> Self {
        let Primaries(xy) = primaries;
        let white = tinted_white(tint);
        let columns: Matrix =
            std::array::from_fn(|row| std::array::from_fn(|primary| unit_xyz(xy[primary])[row]));
        // SMPTE RP 177: the channels' sums that make the white.
        let sums = apply(&inverse(&columns), white);
        let matrix = std::array::from_fn(|row| {
            std::array::from_fn(|channel| columns[row][channel] * sums[channel] * gain[channel])
        });
        Self { matrix }
    }

    /// Relative XYZ: Y is 1 for a white of (1, 1, 1) without gain errors.
    #[must_use]
    pub fn xyz(&self, rgb: [f64; 3]) -> [f64; 3] {
        apply(&self.matrix, rgb)
    }
}

/// X, Y, Z of a chromaticity with X + Y + Z = 1.
fn unit_xyz([x, y]: [f64; 2]) -> [f64; 3] {
    [x, y, 1.0 - x - y]
}

/// D65, moved in u′v′, with Y = 1.
fn tinted_white([du, dv]: [f64; 2]) -> [f64; 3] {
    let moved = Chromaticity::from_xy(D65[0], D65[1])
        .and_then(|white| Chromaticity::from_uv(white.u_prime() + du, white.v_prime() + dv))
        .and_then(|white| Xyz::from_chromaticity(white, 1.0));
    moved.map_or_else(|_| unit_xyz(D65).map(|value| value / D65[1]), Into::into)
}

/// Matrix times column.
#[must_use]
pub fn apply(matrix: &Matrix, [a, b, c]: [f64; 3]) -> [f64; 3] {
    matrix.map(|[p, q, r]| p * a + q * b + r * c)
}

/// The inverse, by cofactors. Primaries are never on one line, so that it exists.
fn inverse(m: &Matrix) -> Matrix {
    let cofactor = |i: usize, j: usize| {
        let (a, b, c, d) = ((i + 1) % 3, (i + 2) % 3, (j + 1) % 3, (j + 2) % 3);
        m[a][c] * m[b][d] - m[a][d] * m[b][c]
    };
    let determinant: f64 = (0..3).map(|j| m[0][j] * cofactor(0, j)).sum();
    std::array::from_fn(|i| std::array::from_fn(|j| cofactor(j, i) / determinant))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(found: f64, expected: f64, relative: f64) {
        assert!((found - expected).abs() <= relative * expected.abs(), "{found} is not {expected}");
    }

    #[test]
    fn primaries_give_the_published_matrices() {
        // BT.709-6 and SMPTE RP 177: R, G, B to X, Y, Z, in full precision.
        let expected = [
            [0.412390799265959, 0.357584339383878, 0.180480788401834],
            [0.21263900587151, 0.715168678767756, 0.0721923153607337],
            [0.0193308187155918, 0.119194779794626, 0.950532152249661],
        ];
        let found = Gamut::new(Primaries::BT709, [0.0; 2], [1.0; 3]).matrix;
        for (found, expected) in found.iter().flatten().zip(expected.iter().flatten()) {
            close(*found, *expected, 1e-12);
        }
    }

    #[test]
    fn a_tint_moves_the_white_and_nothing_else() {
        let gamut = Gamut::new(Primaries::P3_D65, [0.003, -0.002], [1.0; 3]);
        let [x, y, z] = gamut.xyz([1.0; 3]);
        close(y, 1.0, 1e-12);
        let white = Xyz::new(x, y, z).unwrap().chromaticity().unwrap();
        let d65 = Chromaticity::from_xy(0.3127, 0.329).unwrap();
        close(white.u_prime() - d65.u_prime(), 0.003, 1e-9);
        close(white.v_prime() - d65.v_prime(), -0.002, 1e-9);
        let [x, y, z] = gamut.xyz([1.0, 0.0, 0.0]);
        let red = Xyz::new(x, y, z).unwrap().chromaticity().unwrap();
        close(red.x(), 0.68, 1e-12);
    }

    #[test]
    fn eotfs_give_published_values() {
        // SMPTE ST 2084 at 10-bit narrow-range codes 76 and 88, and at full scale.
        close(pq(0.013_698_630_137), 0.004_164_011_718, 1e-8);
        close(pq(0.027_397_260_274), 0.016_372_979_32, 1e-8);
        close(pq(1.0), 10_000.0, 1e-12);
        // BT.1886 with a black of 0 is a power law of 2.4; at 0 it is the black itself.
        close(bt1886(0.001, 100.0, 0.0), 6.309_573_445e-6, 1e-9);
        close(bt1886(0.0, 100.0, 0.1), 0.1, 1e-9);
        close(bt1886(1.0, 100.0, 0.1), 100.0, 1e-12);
        // IEC 61966-2-1, code 5 of 255.
        close(srgb(5.0 / 255.0), 0.001_517_634_918, 1e-8);
        close(srgb(1.0), 1.0, 1e-12);
    }
}
