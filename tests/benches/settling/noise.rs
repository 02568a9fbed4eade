//! Random numbers that are the same on every run, and the noise made of them.

use rand_distr::{Distribution as _, StandardNormal, Uniform};
use rand_pcg::Pcg64;

/// A stream of random numbers for one series.
pub(crate) struct Dice(Pcg64);

impl Dice {
    pub(crate) fn new(seed: u64, family: usize, index: usize, purpose: u64) -> Self {
        let stream = ((family as u128) << 64) | ((index as u128) << 8) | u128::from(purpose);
        let mut dice = Self(Pcg64::new(u128::from(seed), stream));
        // Neighbouring streams need a few steps to part.
        for _ in 0..16 {
            dice.normal();
        }
        dice
    }

    pub(crate) fn uniform(&mut self, from: f64, to: f64) -> f64 {
        Uniform::new(from, to).unwrap().sample(&mut self.0)
    }

    /// Alike in every decade.
    pub(crate) fn decades(&mut self, from: f64, to: f64) -> f64 {
        self.uniform(from.ln(), to.ln()).exp()
    }

    pub(crate) fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }

    /// Of a cycle.
    pub(crate) fn phase(&mut self) -> f64 {
        self.uniform(0.0, std::f64::consts::TAU)
    }

    pub(crate) fn sign(&mut self) -> f64 {
        if self.chance(0.5) { 1.0 } else { -1.0 }
    }

    pub(crate) fn chance(&mut self, probability: f64) -> bool {
        self.uniform(0.0, 1.0) < probability
    }

    pub(crate) fn below(&mut self, count: usize) -> usize {
        (self.uniform(0.0, count as f64) as usize).min(count - 1)
    }
}

/// Noise with a memory: AR(1), of unit variance.
pub(crate) struct Memory {
    time_constant: f64,
    state: f64,
}

impl Memory {
    pub(crate) fn new(time_constant: f64, dice: &mut Dice) -> Self {
        Self { time_constant, state: dice.normal() }
    }

    pub(crate) fn next(&mut self, interval: f64, dice: &mut Dice) -> f64 {
        let kept = (-interval / self.time_constant).exp();
        self.state = kept * self.state + (1.0 - kept * kept).sqrt() * dice.normal();
        self.state
    }
}

/// 1/f noise of unit variance: memories an octave apart, alike in strength.
pub(crate) struct Flicker(Vec<Memory>);

impl Flicker {
    pub(crate) fn new(dice: &mut Dice) -> Self {
        Self((0..12).map(|octave| Memory::new(0.5 * f64::from(1 << octave), dice)).collect())
    }

    pub(crate) fn next(&mut self, interval: f64, dice: &mut Dice) -> f64 {
        let count = self.0.len() as f64;
        self.0.iter_mut().map(|memory| memory.next(interval, dice)).sum::<f64>() / count.sqrt()
    }
}
