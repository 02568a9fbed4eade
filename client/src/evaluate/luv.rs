//! CIELUV (ISO/CIE 11664-5:2016; clauses from memory) and its colour difference of 1976.

use super::lab::Lab;

/// A colour beside a white: L*, u* and v*, dimensionless.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Luv {
    /// Lightness, that of [`Lab`].
    pub l: f64,
    /// From green (below 0) to red.
    pub u: f64,
    /// From blue (below 0) to yellow.
    pub v: f64,
}

impl Luv {
    /// The colour of light with these X, Y and Z beside a white with those, both in cd/m².
    ///
    /// u* = 13·L*·(u′ − u′n) and v* = 13·L*·(v′ − v′n) (ISO/CIE 11664-5, clause 4). Light of which there is none at all is black: 0, 0, 0.
    ///
    /// Nothing where the white lacks X, Y or Z, or u′ and v′ aren't defined: noise about black has none.
    #[must_use]
    pub fn of(xyz: [f64; 3], white: [f64; 3]) -> Option<Self> {
        let l = Lab::of(xyz, white)?.l;
        if xyz == [0.0; 3] {
            return Some(Self { l: 0.0, u: 0.0, v: 0.0 });
        }
        let ([u, v], [white_u, white_v]) = (uv_prime(xyz)?, uv_prime(white)?);
        Some(Self { l, u: 13.0 * l * (u - white_u), v: 13.0 * l * (v - white_v) })
    }

    /// ΔE*uv of 1976: the distance of two colours.
    #[must_use]
    pub fn difference(self, other: Self) -> f64 {
        (self.l - other.l).hypot((self.u - other.u).hypot(self.v - other.v))
    }
}

/// u′ = 4X/(X+15Y+3Z) and v′ = 9Y/(X+15Y+3Z), of light that may be without luminance.
fn uv_prime([x, y, z]: [f64; 3]) -> Option<[f64; 2]> {
    let sum = x + 15.0 * y + 3.0 * z;
    (sum > 0.0).then(|| [4.0 * x / sum, 9.0 * y / sum])
}

#[cfg(test)]
mod tests {
    use settled_protocol::quantity::{Chromaticity, Xyz};

    use super::super::reference::{Table, assert_near};
    use super::*;

    /// Values of ISO/CIE 11664-5 as colour-science and luxpy compute them.
    #[test]
    fn colours_are_those_of_two_reference_libraries() {
        for row in Table::read(include_str!("../../../tests/reference/colour/xyz_lab_luv.csv")).rows() {
            let [x, y, luminance] = row.numbers(["xw", "yw", "Yw"]);
            let white = Xyz::from_chromaticity(Chromaticity::from_xy(x, y).unwrap(), luminance).unwrap();
            let luv = Luv::of(row.numbers(["X", "Y", "Z"]), white.into()).unwrap();
            for (found, column) in [(luv.l, "Ls"), (luv.u, "us"), (luv.v, "vs")] {
                assert_near(found, row.number(column), 1e-5, column);
            }
        }
    }

    #[test]
    fn black_is_black_and_noise_about_it_has_no_colour() {
        let white = [95.0, 100.0, 109.0];
        let black = Luv::of([0.0; 3], white).unwrap();
        assert_eq!(black, Luv { l: 0.0, u: 0.0, v: 0.0 });
        assert_eq!(Luv::of([-1e-3; 3], white), None);
        // From black to white it is 100, by the definition of L*.
        assert!((black.difference(Luv::of(white, white).unwrap()) - 100.0).abs() < 1e-9);
    }
}
