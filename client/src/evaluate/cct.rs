//! Correlated colour temperature and Duv: the nearest point of the Planckian locus in CIE 1960 u, v (CIE 15:2004, 9.5; Ohno, LEUKOS 10(1),
//! 47–55, 2014).
//!
//! Ohno finds the nearest of a table of temperatures and goes on from there with a triangle or a parabola. Here the table holds the locus'
//! slope as well, so that what lies between two of its points is a cubic, good to some 1e-10, and the nearest point on it is where the
//! way to the light is at right angles to the locus.

use std::sync::LazyLock;

use serde::{Deserialize, Serialize};
use settled_protocol::colorimetry::observer::Observer;
use settled_protocol::quantity::Chromaticity;

/// Planck's second constant, in m·K, as the CIE has it for colorimetry (CIE 15:2004, from memory); the SI's is 16 ppm smaller.
const C2_M_K: f64 = 1.4388e-2;
/// Where the table begins, in K.
const FIRST_K: f64 = 1000.0;
/// How much hotter each entry is than the one before: the natural logarithm of it.
const STEP: f64 = 0.01;
/// As many entries, up to some 100 000 K.
const COUNT: u32 = 461;
/// Farther off the locus than this, in CIE 1960 u, v, there is no correlated colour temperature (CIE 15:2004, 9.5, from memory).
pub const FARTHEST_DUV: f64 = 0.05;

/// What blackbody a light is nearest to in colour, and how far from it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Cct {
    /// Correlated colour temperature, in K: from 1000 to 100 000.
    pub kelvin: f64,
    /// Distance from the Planckian locus in CIE 1960 u, v: above 0 on the green side, below on the pink (ANSI C78.377; Ohno 2014).
    pub duv: f64,
}

impl Cct {
    /// Of light with this chromaticity, for the CIE 1931 observer; nothing where it is farther than [`FARTHEST_DUV`] off the locus, or
    /// nearest to one of the locus' ends.
    #[must_use]
    pub fn of(colour: Chromaticity) -> Option<Self> {
        let light = uv_1960(colour);
        let locus = &*LOCUS;
        let nearest = nearest(locus, light)?;
        let is_hotter = locus.get(nearest)?.beyond(light) > 0.0;
        let low = if is_hotter { nearest } else { nearest.checked_sub(1)? };
        let (low, high) = (locus.get(low)?, locus.get(low + 1)?);
        let share = right_angle(low, high, light);
        let at = between(low, high, share);
        let duv = at.side(light);
        let is_near = duv.abs() <= FARTHEST_DUV;
        is_near.then(|| Self { kelvin: (low.log_kelvin + share * STEP).exp(), duv })
    }
}

/// The chromaticity of a blackbody, 1000 to 100 000 K (Planck's law, summed by 1 nm from 360 to 830 nm, CIE 1931).
#[must_use]
pub fn planckian(kelvin: f64) -> Option<Chromaticity> {
    if !(FIRST_K..=1e5).contains(&kelvin) {
        return None;
    }
    let [u, v] = Node::at(kelvin.ln()).uv;
    Chromaticity::from_uv(u, 1.5 * v).ok()
}

/// The chromaticity of a phase of daylight, 4000 to 25 000 K (CIE 15:2004, 3.1, from memory; the temperature is that of the formula: D65 is
/// at 6504 K).
#[must_use]
pub fn daylight(kelvin: f64) -> Option<Chromaticity> {
    if !(4000.0..=25_000.0).contains(&kelvin) {
        return None;
    }
    let t = 1000.0 / kelvin;
    let x = if kelvin <= 7000.0 {
        ((-4.6070 * t + 2.9678) * t + 0.09911) * t + 0.244_063
    } else {
        ((-2.0064 * t + 1.9018) * t + 0.24748) * t + 0.237_040
    };
    Chromaticity::from_xy(x, (-3.0 * x + 2.87) * x - 0.275).ok()
}

/// CIE 1960 u and v: those of 1976, with two thirds of v′.
fn uv_1960(colour: Chromaticity) -> [f64; 2] {
    [colour.u_prime(), colour.v_prime() / 1.5]
}

/// A point of the locus.
#[derive(Clone, Copy, Debug)]
struct Node {
    log_kelvin: f64,
    /// CIE 1960 u and v.
    uv: [f64; 2],
    /// How they change with the temperature's natural logarithm.
    slope: [f64; 2],
}

static LOCUS: LazyLock<Vec<Node>> =
    LazyLock::new(|| (0..COUNT).map(|index| Node::at(FIRST_K.ln() + STEP * f64::from(index))).collect());

impl Node {
    /// By Planck's law and its derivative.
    fn at(log_kelvin: f64) -> Self {
        let kelvin = log_kelvin.exp();
        // X, X + 15Y + 3Z, Y; and how they change.
        let (mut sums, mut changes) = ([0.0; 3], [0.0; 3]);
        for nm in 360_u32..=830 {
            let nm = f64::from(nm);
            let exponent = C2_M_K / (nm * 1e-9 * kelvin);
            let radiance = (nm / 560.0).powi(-5) / exponent.exp_m1();
            let change = radiance * exponent / -(-exponent).exp_m1();
            let [x, y, z] = Observer::Cie1931Deg2.at(nm);
            for (axis, weight) in [x, x + 15.0 * y + 3.0 * z, y].into_iter().enumerate() {
                sums[axis] += weight * radiance;
                changes[axis] += weight * change;
            }
        }
        let [x, sum, y] = sums;
        let [dx, d_sum, dy] = changes;
        let slope =
            |factor: f64, value: f64, change: f64| factor * (change * sum - value * d_sum) / (sum * sum);
        let uv = [4.0 * x / sum, 6.0 * y / sum];
        Self { log_kelvin, uv, slope: [slope(4.0, x, dx), slope(6.0, y, dy)] }
    }

    /// From the point to the light.
    fn to(&self, [u, v]: [f64; 2]) -> [f64; 2] {
        [u - self.uv[0], v - self.uv[1]]
    }

    /// Above 0 where the light is on the hotter side of the point's isotherm, below on the cooler.
    fn beyond(&self, light: [f64; 2]) -> f64 {
        let [du, dv] = self.to(light);
        du * self.slope[0] + dv * self.slope[1]
    }

    /// How far off the locus' tangent the light is, above 0 on the side of greater v. The locus runs to smaller u as it gets hotter.
    fn side(&self, light: [f64; 2]) -> f64 {
        let [du, dv] = self.to(light);
        let [slope_u, slope_v] = self.slope;
        (du * slope_v - dv * slope_u) / slope_u.hypot(slope_v)
    }
}

/// The index of the entry that is nearest.
fn nearest(locus: &[Node], light: [f64; 2]) -> Option<usize> {
    let square = |node: &Node| {
        let [du, dv] = node.to(light);
        du * du + dv * dv
    };
    let mut best = (f64::INFINITY, None);
    for (index, node) in locus.iter().enumerate() {
        let square = square(node);
        if square < best.0 {
            best = (square, Some(index));
        }
    }
    best.1
}

/// The point at a share of the way from one entry to the next: a cubic (Hermite's) through both points with their slopes.
fn between(low: &Node, high: &Node, share: f64) -> Node {
    let (s, s2, s3) = (share, share * share, share * share * share);
    let [mut uv, mut slope] = [[0.0; 2]; 2];
    for axis in 0..2 {
        let (from, to) = (low.uv[axis], high.uv[axis]);
        let (leaving, arriving) = (STEP * low.slope[axis], STEP * high.slope[axis]);
        let step = to - from;
        uv[axis] = from + step * (3.0 * s2 - 2.0 * s3) + leaving * (s - 2.0 * s2 + s3) + arriving * (s3 - s2);
        let change =
            6.0 * step * (s - s2) + leaving * (1.0 - 4.0 * s + 3.0 * s2) + arriving * (3.0 * s2 - 2.0 * s);
        slope[axis] = change / STEP;
    }
    Node { log_kelvin: low.log_kelvin + share * STEP, uv, slope }
}

/// At which share of the way the light is neither on the hotter nor on the cooler side: by secants, of what is all but straight.
fn right_angle(low: &Node, high: &Node, light: [f64; 2]) -> f64 {
    let (mut before, mut share) = ((0.0, low.beyond(light)), 0.5);
    let end = high.beyond(light);
    if before.1 > 0.0 && end < 0.0 {
        share = before.1 / (before.1 - end);
    }
    for _ in 0..3 {
        let here = between(low, high, share).beyond(light);
        let next = share - here * (share - before.0) / (here - before.1);
        if !next.is_finite() {
            break;
        }
        before = (share, here);
        share = next.clamp(0.0, 1.0);
    }
    share
}

#[cfg(test)]
mod tests;
