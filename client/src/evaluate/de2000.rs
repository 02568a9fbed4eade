//! CIEDE2000 (ISO/CIE 11664-6:2014), as Sharma, Wu and Dalal implement it (Color Res. Appl. 30(1), 21–30, 2005).

use super::lab::Lab;

/// Hues that are farther apart than half a turn by no more than this, in degrees, are opposite: what rounding makes of it decides nothing
/// (pair 14 of Sharma, Wu and Dalal).
const ROUNDING_DEGREES: f64 = 1e-9;

/// ΔE00 of two colours, with kL = kC = kH = 1 (reference conditions). Symmetric; not a distance, as it doesn't obey the triangle's inequality.
///
/// Made for differences of up to about 5 ΔE*ab between surfaces under 1000 lx (ISO/CIE 11664-6, from memory): beyond, larger is worse, and no more.
#[must_use]
pub fn difference(one: Lab, other: Lab) -> f64 {
    let mean_chroma = f64::midpoint(one.chroma(), other.chroma());
    let stretch = 1.0 + 0.5 * (1.0 - saturating(mean_chroma));
    let [one, other] = [one, other].map(|lab| Lab { a: lab.a * stretch, ..lab });
    let [chroma_1, chroma_2] = [one.chroma(), other.chroma()];
    let (hue_difference, mean_hue) = hues(one, other);
    let d_lightness = other.l - one.l;
    let d_chroma = chroma_2 - chroma_1;
    let d_hue = 2.0 * (chroma_1 * chroma_2).sqrt() * (hue_difference / 2.0).to_radians().sin();
    let lightness = f64::midpoint(one.l, other.l);
    let chroma = f64::midpoint(chroma_1, chroma_2);
    let cos = |turns: f64, offset: f64| (turns * mean_hue + offset).to_radians().cos();
    let t =
        1.0 - 0.17 * cos(1.0, -30.0) + 0.24 * cos(2.0, 0.0) + 0.32 * cos(3.0, 6.0) - 0.20 * cos(4.0, -63.0);
    let from_50 = (lightness - 50.0).powi(2);
    let l = d_lightness / (1.0 + 0.015 * from_50 / (20.0 + from_50).sqrt());
    let c = d_chroma / (1.0 + 0.045 * chroma);
    let h = d_hue / (1.0 + 0.015 * chroma * t);
    let blue = 30.0 * (-((mean_hue - 275.0) / 25.0).powi(2)).exp();
    let rotation = -2.0 * saturating(chroma) * (2.0 * blue).to_radians().sin();
    // The rotation's term may be below zero, but never by more than the squares' sum; rounding could.
    (l * l + c * c + h * h + rotation * c * h).max(0.0).sqrt()
}

/// √(C⁷/(C⁷ + 25⁷)): 0 of grey, near 1 of full chroma.
fn saturating(chroma: f64) -> f64 {
    let power = (chroma / 25.0).powi(7);
    // Of a chroma so large that its power overflows, 1 is as near as numbers get.
    if power.is_finite() { (power / (power + 1.0)).sqrt() } else { 1.0 }
}

/// The difference and the mean of two hues, in degrees: the short way round. Of grey, which has none, they don't matter: its ΔH is zero.
fn hues(one: Lab, other: Lab) -> (f64, f64) {
    let [hue_1, hue_2] = [one, other].map(|lab| lab.b.atan2(lab.a).to_degrees().rem_euclid(360.0));
    let (apart, sum) = (hue_2 - hue_1, hue_1 + hue_2);
    if apart.abs() <= 180.0 + ROUNDING_DEGREES {
        (apart, sum / 2.0)
    } else {
        let mean = if sum < 360.0 { (sum + 360.0) / 2.0 } else { (sum - 360.0) / 2.0 };
        (apart - 360.0 * apart.signum(), mean)
    }
}

#[cfg(test)]
mod tests {
    use super::super::reference::{Row, Table, assert_near};
    use super::*;

    fn pair(row: &Row<'_>) -> [Lab; 2] {
        [["L1", "a1", "b1"], ["L2", "a2", "b2"]].map(|columns| {
            let [l, a, b] = row.numbers(columns);
            Lab { l, a, b }
        })
    }

    /// Sharma, Wu and Dalal (2005), Table 1: all 34 pairs as printed, either way round.
    #[test]
    fn every_pair_of_sharma_wu_and_dalal_has_the_difference_they_print() {
        let table = Table::read(include_str!("../../../tests/reference/colour/ciede2000_sharma2005.csv"));
        assert_eq!(table.rows().len(), 34);
        for row in table.rows() {
            let [one, other] = pair(&row);
            let what = row.text("pair");
            assert_near(difference(one, other), row.number("de2000_published"), 1e-4, what);
            assert_near(difference(one, other), row.number("de2000_computed"), 1e-6, what);
            assert_near(difference(other, one), difference(one, other), 1e-9, what);
        }
    }

    /// 60 pairs as colour-science, luxpy and coloraide compute them.
    #[test]
    fn differences_are_those_of_reference_libraries() {
        for row in Table::read(include_str!("../../../tests/reference/colour/deltae_extra.csv")).rows() {
            let [one, other] = pair(&row);
            assert_near(difference(one, other), row.number("de2000"), 1e-6, row.text("case"));
        }
    }

    /// As the paper has it for a difference of just half a turn: Δh is not corrected, and the mean is half the sum.
    #[test]
    fn opposite_hues_have_the_mean_between_them_whatever_rounding_makes_of_half_a_turn() {
        let at = |chroma: f64, degrees: f64| {
            let (sin, cos) = degrees.to_radians().sin_cos();
            Lab { l: 50.0, a: chroma * cos, b: chroma * sin }
        };
        for degrees in 1..180 {
            for rounding in [-1e-11, 0.0, 1e-11] {
                let degrees = f64::from(degrees);
                let (_, mean) = hues(at(3.0, degrees), at(0.7, degrees + 180.0 + rounding));
                assert_near(mean, degrees + 90.0, 1e-6, "mean hue");
            }
        }
    }

    #[test]
    fn a_colour_differs_from_itself_by_nothing_and_huge_ones_by_a_number() {
        let colour = Lab { l: 40.0, a: -12.0, b: 30.0 };
        assert_eq!(difference(colour, colour), 0.0);
        let huge = Lab { l: 100.0, a: 1e60, b: -1e60 };
        assert!(difference(colour, huge).is_finite());
    }
}
