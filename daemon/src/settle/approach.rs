//! One exponential approach to a limit, y = c + A e^(−t/τ), fitted to block means.
//!
//! A and c are linear given τ (variable projection, Golub & Pereyra 1973, cited from memory), so only τ is searched: on a grid,
//! then between the neighbours of the grid's best. Nothing here allocates.

use super::blocks::{Block, MOST};

/// Steps of the search between two time constants; five to ten are usual.
const STEPS: usize = 30;
/// The search ends when ln τ moves by less.
const CLOSE: f64 = 1e-10;
/// Misfits below this share of the data's own spread are rounding.
const ROUNDING: f64 = 1e-12;

/// e^(−t/τ) at every block, t counted from the first.
#[derive(Debug)]
pub(super) struct Decay {
    constant: f64,
    values: [f64; MOST],
    mean: f64,
    /// Weighted sum of squares about the mean; nothing where the decay can't be told from a constant.
    spread: Option<f64>,
}

impl Decay {
    /// Of the time constant, in s.
    pub(super) fn new(blocks: &[Block], constant: f64) -> Self {
        let first = blocks.first().map_or(0.0, |block| block.time);
        let mut values = [0.0; MOST];
        let (mut weight, mut sum, mut squares) = (0.0, 0.0, 0.0);
        for (value, block) in values.iter_mut().zip(blocks) {
            *value = (-(block.time - first) / constant).exp();
            weight += block.count;
            sum += block.count * *value;
            squares += block.count * *value * *value;
        }
        let spread = squares - sum * sum / weight;
        Self { constant, values, mean: sum / weight, spread: (spread > 1e-12 * squares).then_some(spread) }
    }
}

/// The best fit of one time constant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Approach {
    /// c: where it goes.
    pub(super) limit: f64,
    /// A: how far from the limit it was at the first block.
    pub(super) amplitude: f64,
    /// τ, in s.
    pub(super) constant: f64,
    /// Weighted sum of squared residuals, above rounding.
    pub(super) misfit: f64,
}

/// One channel of the blocks.
#[derive(Clone, Copy, Debug)]
pub(super) struct Channel<'a> {
    blocks: &'a [Block],
    index: usize,
    mean: f64,
    spread: f64,
}

impl<'a> Channel<'a> {
    /// Luminance, u′ or v′.
    pub(super) fn new(blocks: &'a [Block], index: usize) -> Self {
        let weight: f64 = blocks.iter().map(|block| block.count).sum();
        let mean = blocks.iter().map(|block| block.count * value(block, index)).sum::<f64>() / weight;
        let spread = blocks.iter().map(|block| block.count * (value(block, index) - mean).powi(2)).sum();
        Self { blocks, index, mean, spread }
    }

    /// The best fit of a decay's time constant; nothing where it isn't finite.
    pub(super) fn fit(&self, decay: &Decay) -> Option<Approach> {
        let spread = decay.spread?;
        let terms = decay.values.iter().zip(self.blocks);
        let product: f64 = terms
            .map(|(decayed, block)| {
                block.count * (decayed - decay.mean) * (value(block, self.index) - self.mean)
            })
            .sum();
        let amplitude = product / spread;
        let misfit = (self.spread - amplitude * product).max(ROUNDING * self.spread);
        let limit = self.mean - amplitude * decay.mean;
        (misfit.is_finite() && limit.is_finite()).then_some(Approach {
            limit,
            amplitude,
            constant: decay.constant,
            misfit,
        })
    }

    /// The fit of the least misfit between two time constants, if there is one: where the slope of the misfit changes its sign
    /// from falling to rising.
    ///
    /// The root of the slope is known to more digits than the least of the misfit. It is found by regula falsi in ln τ, in the
    /// Illinois form (Dowell & Jarratt 1971, cited from memory).
    pub(super) fn between(&self, shorter: f64, longer: f64) -> Option<Approach> {
        let (mut low, mut high) = (self.at(shorter.ln())?, self.at(longer.ln())?);
        if !(low.slope < 0.0 && high.slope > 0.0) {
            return None;
        }
        let mut last = low;
        for _ in 0..STEPS {
            let at = (low.at * high.slope - high.at * low.slope) / (high.slope - low.slope);
            let next = self.at(at)?;
            // An end that is kept twice counts half, so that it can't be kept for ever.
            if next.slope < 0.0 {
                if last.slope < 0.0 {
                    high.slope *= 0.5;
                }
                low = next;
            } else {
                if last.slope > 0.0 {
                    low.slope *= 0.5;
                }
                high = next;
            }
            let moved = (next.at - last.at).abs();
            last = next;
            if moved < CLOSE || next.slope == 0.0 {
                break;
            }
        }
        Some(last.fit)
    }

    fn at(&self, at: f64) -> Option<Trial> {
        let decay = Decay::new(self.blocks, at.exp());
        let fit = self.fit(&decay)?;
        let first = self.blocks.first()?.time;
        let falling = self.residuals(&decay, fit.amplitude).zip(self.blocks).zip(decay.values);
        let product: f64 = falling
            .map(|((residual, block), decayed)| {
                block.count * residual * decayed * (block.time - first) / decay.constant
            })
            .sum();
        Some(Trial { at, slope: -2.0 * fit.amplitude * product, fit })
    }

    /// What is left of each block without the fit.
    fn residuals<'b>(&'b self, decay: &'b Decay, amplitude: f64) -> impl Iterator<Item = f64> + 'b {
        decay.values.iter().zip(self.blocks).map(move |(decayed, block)| {
            value(block, self.index) - self.mean - amplitude * (decayed - decay.mean)
        })
    }

    /// Degrees of freedom of a fit, fewer where neighbouring residuals are alike.
    pub(super) fn freedom(&self, fit: &Approach) -> f64 {
        let decay = Decay::new(self.blocks, fit.constant);
        let (mut squares, mut lagged, mut before) = (0.0, 0.0, 0.0);
        for residual in self.residuals(&decay, fit.amplitude) {
            squares += residual * residual;
            lagged += residual * before;
            before = residual;
        }
        let count = self.blocks.len() as f64;
        let alike = if squares > 0.0 { (lagged / squares + 3.0 / count).clamp(0.0, 0.95) } else { 0.0 };
        ((count - 3.0) * (1.0 - alike) / (1.0 + alike)).max(1.0)
    }

    /// Weighted sum of squared residuals of a fit, one by one: to the last digit.
    #[cfg(test)]
    pub(super) fn squares(&self, fit: &Approach) -> f64 {
        let decay = Decay::new(self.blocks, fit.constant);
        let weighed = self.residuals(&decay, fit.amplitude).zip(self.blocks);
        weighed.map(|(residual, block)| block.count * residual * residual).sum()
    }
}

/// A time constant tried.
#[derive(Clone, Copy)]
struct Trial {
    /// ln τ.
    at: f64,
    /// d misfit / d ln τ, with A and c the best of each τ: −2 A Σ w r (t/τ) e^(−t/τ), as they don't count at their best.
    slope: f64,
    fit: Approach,
}

/// A channel of a block: luminance, u′ or v′.
fn value(block: &Block, index: usize) -> f64 {
    block.values.get(index).copied().unwrap_or_default()
}
