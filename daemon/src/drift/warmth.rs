//! How a quantity goes with the meter's temperature: Pearson's correlation of block means, with as many of them as count as
//! independent (n (1 − ρ₁ρ₂)/(1 + ρ₁ρ₂), Bartlett 1935; from memory) and Fisher's z for the interval.

use settled_protocol::statistics::WithTemperature;

use super::blocks::Block;
use super::quantile::NORMAL;

/// Independent blocks that it takes beyond the three that Fisher's z loses.
const FEWEST: f64 = 1.0;

/// A temperature whose standard deviation is less, in K, stands still: sensors tell some sixteenths of a kelvin, and what moves less says nothing of what
/// a kelvin does. Engineering judgement.
const STILL_K: f64 = 0.02;

/// The correlation of channel 0 with channel 1, the temperature; nothing where either stands still, or too few blocks are independent.
pub(super) fn correlation(blocks: &[Block<2>]) -> Option<WithTemperature> {
    let count = blocks.len() as f64;
    let channel = |channel: usize| {
        let values: Vec<f64> = blocks.iter().filter_map(|block| block.y.get(channel).copied()).collect();
        let mean = values.iter().sum::<f64>() / count;
        values.iter().map(|value| value - mean).collect::<Vec<f64>>()
    };
    let (value, warmth) = (channel(0), channel(1));
    let product = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    let (squares, warmths) = (product(&value, &value), product(&warmth, &warmth));
    if squares <= 0.0 || (warmths / count).sqrt() < STILL_K {
        return None;
    }
    let shared = product(&value, &warmth);
    let lag = |of: &[f64], squares: f64| product(of, of.get(1..).unwrap_or_default()) / squares;
    let alike = (lag(&value, squares) * lag(&warmth, warmths)).clamp(0.0, 0.999);
    let effective = count * (1.0 - alike) / (1.0 + alike);
    if effective < 3.0 + FEWEST {
        return None;
    }
    let correlation = (shared / (squares * warmths).sqrt()).clamp(-1.0, 1.0);
    // Where they go wholly together, z has no end.
    let z = correlation.clamp(-1.0 + 1e-12, 1.0 - 1e-12).atanh();
    let reach = NORMAL / (effective - 3.0).sqrt();
    Some(WithTemperature {
        correlation,
        low: (z - reach).tanh().min(correlation),
        high: (z + reach).tanh().max(correlation),
        per_k: shared / warmths,
    })
}
