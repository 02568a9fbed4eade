//! How a white is off, in words: green or pink across the Planckian locus, warm or cool along it.
//!
//! Duv says how far a white is to the green side (ANSI C78.377; Ohno 2014), its correlated colour temperature how warm it is. To say which of the two
//! is more to be seen both are told as distances in CIE 1960 u, v. That words are given to them so is common practice, no source.

use serde::{Deserialize, Serialize};
use settled_protocol::quantity::Chromaticity;

use super::cct::{self, Cct};

/// A share of the larger of both, below which the smaller isn't worth a word.
const BESIDE: f64 = 0.5;

/// How a white differs from the one that was meant, in CIE 1960 u, v.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Tint {
    /// Duv of the white less Duv of the one that was meant: above 0 is green of it, below is pink.
    pub green: f64,
    /// Distance of both whites' nearest points on the Planckian locus: above 0 is warmer (a lower colour temperature), below is cooler.
    pub warm: f64,
}

impl Tint {
    /// Of a white beside the one that was meant; nothing where either has no correlated colour temperature.
    #[must_use]
    pub fn of(white: Chromaticity, meant: Chromaticity) -> Option<Self> {
        let (white, meant) = (Cct::of(white)?, Cct::of(meant)?);
        let ([u, v], [meant_u, meant_v]) = (cct::locus(white.kelvin)?, cct::locus(meant.kelvin)?);
        let apart = (u - meant_u).hypot(v - meant_v);
        Some(Self {
            green: white.duv - meant.duv,
            warm: if white.kelvin < meant.kelvin { apart } else { -apart },
        })
    }

    /// In words, such as `green` or `pink (magenta) and cool (blue)`: the stronger first, the other where it is at least half as strong. Nothing of
    /// either that is within `least` (in CIE 1960 u, v, such as its uncertainty); nothing at all where both are.
    #[must_use]
    pub fn words(self, least: f64) -> Option<String> {
        let largest = self.green.abs().max(self.warm.abs());
        let word = |value: f64, above: &'static str, below: &'static str| {
            let counts = value.abs() > least && value.abs() >= BESIDE * largest;
            counts.then_some(if value > 0.0 { above } else { below })
        };
        let across = word(self.green, "green", "pink (magenta)");
        let along = word(self.warm, "warm (red)", "cool (blue)");
        let (first, second) =
            if self.warm.abs() > self.green.abs() { (along, across) } else { (across, along) };
        match (first, second) {
            (Some(first), Some(second)) => Some(format!("{first} and {second}")),
            (one, other) => one.or(other).map(str::to_owned),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::aim::D65_XY;
    use super::super::reference::assert_near;
    use super::*;

    fn xy([x, y]: [f64; 2]) -> Chromaticity {
        Chromaticity::from_xy(x, y).unwrap()
    }

    fn words_of(white: [f64; 2]) -> Option<String> {
        Tint::of(xy(white), xy(D65_XY)).unwrap().words(0.0005)
    }

    /// Whites of CIE 15:2004, T.3, and of SMPTE RP 431-2, whose place beside D65 the trade knows.
    #[test]
    fn known_whites_are_called_what_they_are_called() {
        // D50 is a phase of daylight as D65 is, and warmer; D75 is cooler.
        assert_eq!(words_of([0.34567, 0.35851]).as_deref(), Some("warm (red)"));
        assert_eq!(words_of([0.29903, 0.31488]).as_deref(), Some("cool (blue)"));
        // The white of digital cinema is green beside D65, equal energy is pink and warm.
        assert_eq!(words_of([0.314, 0.351]).as_deref(), Some("green"));
        assert_eq!(words_of([1.0 / 3.0, 1.0 / 3.0]).as_deref(), Some("warm (red) and pink (magenta)"));
        assert_eq!(words_of(D65_XY), None);
    }

    #[test]
    fn what_is_within_the_least_has_no_word() {
        let tint = Tint { green: 0.001, warm: -0.0008 };
        assert_eq!(tint.words(0.0009).as_deref(), Some("green"));
        assert_eq!(tint.words(0.0007).as_deref(), Some("green and cool (blue)"));
        assert_eq!(tint.words(0.001), None);
    }

    #[test]
    fn along_the_locus_it_is_the_distance_in_the_diagram() {
        let (cool, warm) = (cct::planckian(6600.0).unwrap(), cct::planckian(6400.0).unwrap());
        let tint = Tint::of(warm, cool).unwrap();
        let apart = (cool.u_prime() - warm.u_prime()).hypot((cool.v_prime() - warm.v_prime()) / 1.5);
        assert_near(tint.warm, apart, 1e-9, "warm");
        assert_near(tint.green, 0.0, 1e-9, "green");
        assert_eq!(Tint::of(xy([0.64, 0.33]), cool), None);
    }
}
