//! CIELAB (ISO/CIE 11664-4:2019; clauses from memory) and its colour difference of 1976.

/// A colour beside a white: L*, a* and b*, dimensionless.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lab {
    /// Lightness: 0 is black, 100 the white; above 100 where the light is brighter than the white.
    pub l: f64,
    /// From green (below 0) to red.
    pub a: f64,
    /// From blue (below 0) to yellow.
    pub b: f64,
}

impl Lab {
    /// The colour of light with these X, Y and Z beside a white with those, both in cd/m².
    ///
    /// L* = 116·f(Y/Yn) − 16, a* = 500·(f(X/Xn) − f(Y/Yn)), b* = 200·(f(Y/Yn) − f(Z/Zn)), where f is the cube root above (6/29)³ and a straight
    /// line below (ISO/CIE 11664-4, clause 4). The line goes on below zero, so that noise about black has a colour near black's.
    ///
    /// Nothing where the white lacks X, Y or Z, or a number isn't finite.
    #[must_use]
    pub fn of(xyz: [f64; 3], white: [f64; 3]) -> Option<Self> {
        if white.iter().any(|value| *value <= 0.0) {
            return None;
        }
        let [x, y, z] = [0, 1, 2].map(|axis| compressed(xyz[axis] / white[axis]));
        let lab = Self { l: 116.0 * y - 16.0, a: 500.0 * (x - y), b: 200.0 * (y - z) };
        [lab.l, lab.a, lab.b].iter().all(|value| value.is_finite()).then_some(lab)
    }

    /// C*ab, the distance from grey.
    #[must_use]
    pub fn chroma(self) -> f64 {
        self.a.hypot(self.b)
    }

    /// ΔE*ab of 1976: the distance of two colours.
    #[must_use]
    pub fn difference(self, other: Self) -> f64 {
        (self.l - other.l).hypot((self.a - other.a).hypot(self.b - other.b))
    }
}

/// The cube root, with a straight line for small values that meets it in value and slope at (6/29)³.
fn compressed(share: f64) -> f64 {
    const BEND: f64 = 6.0 / 29.0;
    if share > BEND * BEND * BEND { share.cbrt() } else { share / (3.0 * BEND * BEND) + 4.0 / 29.0 }
}

#[cfg(test)]
mod tests {
    use settled_protocol::quantity::{Chromaticity, Xyz};

    use super::super::reference::{Table, assert_near};
    use super::*;

    /// Values of ISO/CIE 11664-4 as colour-science and luxpy compute them.
    #[test]
    fn colours_are_those_of_two_reference_libraries() {
        for row in Table::read(include_str!("../../../tests/reference/colour/xyz_lab_luv.csv")).rows() {
            let [x, y, luminance] = row.numbers(["xw", "yw", "Yw"]);
            let white = Xyz::from_chromaticity(Chromaticity::from_xy(x, y).unwrap(), luminance).unwrap();
            let lab = Lab::of(row.numbers(["X", "Y", "Z"]), white.into()).unwrap();
            for (found, column) in [(lab.l, "L"), (lab.a, "a"), (lab.b, "b")] {
                assert_near(found, row.number(column), 1e-5, column);
            }
        }
    }

    /// ISO/CIE 11664-4's ΔE*ab, of 60 pairs as colour-science, luxpy and coloraide compute it.
    #[test]
    fn differences_of_1976_are_those_of_reference_libraries() {
        for row in Table::read(include_str!("../../../tests/reference/colour/deltae_extra.csv")).rows() {
            let [l, a, b] = row.numbers(["L1", "a1", "b1"]);
            let [l2, a2, b2] = row.numbers(["L2", "a2", "b2"]);
            let found = Lab { l, a, b }.difference(Lab { l: l2, a: a2, b: b2 });
            assert_near(found, row.number("de76"), 1e-6, row.text("case"));
        }
    }

    #[test]
    fn without_a_white_there_is_no_colour() {
        assert_eq!(Lab::of([1.0; 3], [100.0, 100.0, 0.0]), None);
        assert_eq!(Lab::of([1.0; 3], [100.0, 100.0, -1.0]), None);
        assert_eq!(Lab::of([f64::NAN, 1.0, 1.0], [100.0; 3]), None);
        assert_eq!(Lab::of([1.0; 3], [f64::NAN; 3]), None);
    }

    #[test]
    fn noise_about_black_has_a_colour_near_blacks() {
        let [below, above] = [-1e-4, 1e-4].map(|noise| Lab::of([noise; 3], [100.0; 3]).unwrap());
        assert!(below.l < 0.0 && (below.l + above.l).abs() < 1e-12, "{below:?} {above:?}");
    }
}
