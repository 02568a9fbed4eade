//! How much of a reference gamut a display covers: areas in a chromaticity diagram.
//!
//! *Coverage* is the share of the reference's area that the display's gamut overlaps with: 100 % at most. *Ratio* is the display's area over the
//! reference's, and says nothing of where it lies. What both have in common is found by clipping (Sutherland and Hodgman, Comm. ACM 17(1),
//! 32–42, 1974), areas by the shoelace formula.
//!
//! Areas compare as eyes do a little better in u′, v′ than in x, y; both are told, as both are asked for.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use settled_protocol::quantity::Chromaticity;

use super::aim::Primaries;

/// A chromaticity diagram.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Diagram {
    /// CIE 1976 u′, v′ (ISO/CIE 11664-5).
    Uv,
    /// CIE 1931 x, y.
    Xy,
}

impl Diagram {
    /// Both.
    pub const ALL: [Self; 2] = [Self::Uv, Self::Xy];

    /// As it is written: `u′v′`.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Uv => "u′v′",
            Self::Xy => "xy",
        }
    }

    /// Where a colour is in it.
    #[must_use]
    pub fn point(self, colour: Chromaticity) -> [f64; 2] {
        match self {
            Self::Uv => [colour.u_prime(), colour.v_prime()],
            Self::Xy => [colour.x(), colour.y()],
        }
    }
}

/// A polygon in a diagram, its corners counter-clockwise. Its area is above 0.
#[derive(Clone, Debug, PartialEq)]
pub struct Gamut {
    corners: Vec<[f64; 2]>,
}

/// What a display's gamut is of a reference's.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Shares {
    /// The area that both have in common, in per cent of the reference's: 0 to 100.
    pub coverage_percent: f64,
    /// The display's area, in per cent of the reference's.
    pub ratio_percent: f64,
}

impl Gamut {
    /// Of primaries, or of primaries and secondaries, in any order: the polygon that goes round their mean from one to the next. A secondary
    /// that falls short of the line between its primaries is a corner that points inwards.
    ///
    /// Nothing of fewer than three colours, or where they lie on a line.
    #[must_use]
    pub fn of(colours: &[Chromaticity], diagram: Diagram) -> Option<Self> {
        let corners = colours.iter().map(|colour| diagram.point(*colour)).collect();
        Self::round(corners)
    }

    /// Of a set of primaries.
    #[must_use]
    pub fn of_primaries(primaries: Primaries, diagram: Diagram) -> Option<Self> {
        let colours = primaries.xy().map(|[x, y]| Chromaticity::from_xy(x, y).ok());
        let corners =
            colours.iter().map(|colour| colour.map(|colour| diagram.point(colour))).collect::<Option<_>>()?;
        Self::round(corners)
    }

    /// Its corners, counter-clockwise.
    #[must_use]
    pub fn corners(&self) -> &[[f64; 2]] {
        &self.corners
    }

    /// In the diagram's unit.
    #[must_use]
    pub fn area(&self) -> f64 {
        area(&self.corners)
    }

    /// The area of what this and a reference have in common.
    ///
    /// Exact where the reference has no corner that points inwards, as no set of primaries has.
    #[must_use]
    pub fn common_area(&self, reference: &Self) -> f64 {
        let clipped =
            edges(&reference.corners).fold(self.corners.clone(), |polygon, edge| clip(&polygon, edge));
        area(&clipped).max(0.0)
    }

    /// What this gamut is of a reference's.
    #[must_use]
    pub fn shares(&self, reference: &Self) -> Shares {
        let whole = reference.area();
        Shares {
            // Rounding must not make more of it than there is.
            coverage_percent: (100.0 * self.common_area(reference) / whole).min(100.0),
            ratio_percent: 100.0 * self.area() / whole,
        }
    }

    fn round(mut corners: Vec<[f64; 2]>) -> Option<Self> {
        /// Less than rounding can make of a line: a thousand-millionth of a gamut's area.
        const LEAST_AREA: f64 = 1e-10;
        let share = 1.0 / f64::from(u32::try_from(corners.len()).ok()?);
        let [u, v] = [0, 1].map(|axis| corners.iter().map(|corner| corner[axis] * share).sum::<f64>());
        let direction = |corner: &[f64; 2]| (corner[1] - v).atan2(corner[0] - u);
        corners.sort_by(|one, other| direction(one).total_cmp(&direction(other)));
        (corners.len() >= 3 && area(&corners) > LEAST_AREA).then_some(Self { corners })
    }
}

/// The shares of three references at once: BT.709, P3 (with its own primaries) and BT.2020; nothing as for [`Gamut::of`].
#[must_use]
pub fn of_each(colours: &[Chromaticity], diagram: Diagram) -> Option<[(Primaries, Shares); 3]> {
    let gamut = Gamut::of(colours, diagram)?;
    let of = |primaries| Some((primaries, gamut.shares(&Gamut::of_primaries(primaries, diagram)?)));
    Some([of(Primaries::Bt709)?, of(Primaries::P3D65)?, of(Primaries::Bt2020)?])
}

/// From each corner to the next, and from the last to the first.
fn edges(corners: &[[f64; 2]]) -> impl Iterator<Item = [[f64; 2]; 2]> + '_ {
    corners.iter().zip(corners.iter().cycle().skip(1)).map(|(from, to)| [*from, *to])
}

/// The shoelace formula: above 0 where corners go counter-clockwise.
fn area(corners: &[[f64; 2]]) -> f64 {
    edges(corners).map(|[[u1, v1], [u2, v2]]| (u1 * v2 - u2 * v1) / 2.0).sum()
}

/// What of a polygon is to the left of an edge (Sutherland and Hodgman 1974).
fn clip(polygon: &[[f64; 2]], [start, end]: [[f64; 2]; 2]) -> Vec<[f64; 2]> {
    let left = |[u, v]: [f64; 2]| (end[0] - start[0]) * (v - start[1]) - (end[1] - start[1]) * (u - start[0]);
    let mut kept = Vec::with_capacity(polygon.len() + 2);
    for [from, to] in edges(polygon) {
        let (from_left, to_left) = (left(from), left(to));
        if from_left >= 0.0 {
            kept.push(from);
        }
        if (from_left > 0.0 && to_left < 0.0) || (from_left < 0.0 && to_left > 0.0) {
            let share = from_left / (from_left - to_left);
            kept.push([0, 1].map(|axis| from[axis] + share * (to[axis] - from[axis])));
        }
    }
    kept
}

#[cfg(test)]
mod tests {
    use super::super::reference::{Table, assert_near};
    use super::*;

    fn colours(corners: impl IntoIterator<Item = [f64; 2]>) -> Vec<Chromaticity> {
        corners.into_iter().map(|[x, y]| Chromaticity::from_xy(x, y).unwrap()).collect()
    }

    fn named(name: &str) -> Primaries {
        match name {
            "BT.709" => Primaries::Bt709,
            "DCI-P3" => Primaries::P3D65,
            "BT.2020" => Primaries::Bt2020,
            other => panic!("{other}"),
        }
    }

    /// Primaries of ITU-R BT.709-6, SMPTE RP 431-2 and ITU-R BT.2020-2, and made-up ones, as shapely intersects them; in every order.
    #[test]
    fn coverage_and_ratio_are_those_of_a_reference_library_in_whatever_order_primaries_come() {
        let table = Table::read(include_str!("../../../tests/reference/colour/gamut_coverage.csv"));
        assert_eq!(table.rows().len(), 30);
        for row in table.rows() {
            let corners = [["Rx", "Ry"], ["Gx", "Gy"], ["Bx", "By"]].map(|columns| row.numbers(columns));
            for order in [[0, 1, 2], [2, 1, 0], [1, 0, 2]] {
                let display = colours(order.map(|index| corners[index]));
                for (diagram, columns) in Diagram::ALL.into_iter().zip([
                    ["coverage_uv_percent", "ratio_uv_percent"],
                    ["coverage_xy_percent", "ratio_xy_percent"],
                ]) {
                    let reference = Gamut::of_primaries(named(row.text("reference")), diagram).unwrap();
                    let found = Gamut::of(&display, diagram).unwrap().shares(&reference);
                    let what =
                        format!("{} of {} in {}", row.text("device"), row.text("reference"), diagram.name());
                    assert_near(found.coverage_percent, row.number(columns[0]), 1e-6, &what);
                    assert_near(found.ratio_percent, row.number(columns[1]), 1e-6, &what);
                }
            }
        }
    }

    /// A square about a square, by hand: one that is as large as three quarters of the other for a corner that points inwards.
    #[test]
    fn a_secondary_that_falls_short_points_inwards_and_costs_its_area() {
        let square = [[0.2, 0.2], [0.6, 0.2], [0.6, 0.6], [0.2, 0.6]];
        let whole = Gamut::of(&colours(square), Diagram::Xy).unwrap();
        assert_near(whole.area(), 0.16, 1e-12, "whole");
        // From the middle of the lower side half way to the middle of the square: a triangle of 0.4 × 0.1 / 2 is cut out.
        let dented = Gamut::of(&colours(square.into_iter().chain([[0.4, 0.3]])), Diagram::Xy).unwrap();
        assert_near(dented.area(), 0.14, 1e-12, "dented");
        let shares = dented.shares(&whole);
        assert_near(shares.coverage_percent, 87.5, 1e-9, "coverage");
        assert_near(shares.ratio_percent, 87.5, 1e-9, "ratio");
        // A strip that runs across the dent: 0.2 to 0.25 has all but the dent's lower half.
        let strip =
            Gamut::of(&colours([[0.2, 0.1], [0.6, 0.1], [0.6, 0.25], [0.2, 0.25]]), Diagram::Xy).unwrap();
        assert_near(dented.common_area(&strip), 0.4 * 0.05 - 0.015, 1e-12, "strip");
    }

    #[test]
    fn gamuts_apart_have_nothing_in_common_and_a_line_is_no_gamut() {
        let low = Gamut::of(&colours([[0.1, 0.1], [0.2, 0.1], [0.1, 0.2]]), Diagram::Xy).unwrap();
        let high = Gamut::of(&colours([[0.5, 0.5], [0.6, 0.5], [0.5, 0.6]]), Diagram::Xy).unwrap();
        assert_eq!(low.shares(&high).coverage_percent, 0.0);
        assert_eq!(Gamut::of(&colours([[0.1, 0.1], [0.2, 0.2], [0.3, 0.3]]), Diagram::Xy), None);
        assert_eq!(Gamut::of(&colours([[0.1, 0.1], [0.2, 0.3]]), Diagram::Uv), None);
        assert_eq!(Gamut::of(&[], Diagram::Uv), None);
    }

    #[test]
    fn secondaries_on_the_lines_between_primaries_change_nothing() {
        let [red, green, blue] = Primaries::Bt709.xy();
        let middle =
            |one: [f64; 2], other: [f64; 2]| [0, 1].map(|axis| f64::midpoint(one[axis], other[axis]));
        let six = [red, middle(red, green), green, middle(green, blue), blue, middle(blue, red)];
        let [(_, bt709), (_, p3), (_, bt2020)] = of_each(&colours(six), Diagram::Uv).unwrap();
        // The published coverages of BT.709 (the same table).
        assert_near(bt709.coverage_percent, 100.0, 1e-9, "BT.709");
        assert_near(p3.coverage_percent, 79.641_187_48, 1e-6, "P3");
        assert_near(bt2020.coverage_percent, 58.031_024_22, 1e-6, "BT.2020");
    }
}
