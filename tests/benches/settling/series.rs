//! A recorded series whose truth is known: a recipe, sampled with noise.

use settled::settle::Observation;

use crate::family::{Noise, Recipe};
use crate::noise::{Dice, Flicker, Memory};
use crate::truth::{Oracle, oracle};

pub(crate) struct Series {
    pub(crate) recipe: Recipe,
    pub(crate) readings: Vec<Observation>,
    /// Standard deviation of each, with what memory adds.
    sigmas: Vec<f64>,
}

impl Series {
    pub(crate) fn draw(family: (usize, &str), seed: u64, index: usize) -> Self {
        let recipe = Recipe::draw(family.1, &mut Dice::new(seed, family.0, index, 0));
        let mut series = Self { recipe, readings: Vec::new(), sigmas: Vec::new() };
        series.sample(&mut Dice::new(seed, family.0, index, 1));
        series
    }

    /// The step of the meter's scale, where it tells.
    pub(crate) fn resolution(&self) -> Option<f64> {
        let noise = &self.recipe.noise;
        noise.step_known.then_some(noise.step)
    }

    /// The segment at a time.
    pub(crate) fn segment_at(&self, t: f64) -> usize {
        self.recipe.segments.iter().rposition(|segment| t >= segment.start).unwrap_or(0)
    }

    pub(crate) fn oracles(&self) -> Vec<Oracle> {
        let segments = &self.recipe.segments;
        let ends = segments.iter().skip(1).map(|segment| segment.start).chain([self.recipe.end]);
        segments
            .iter()
            .zip(ends)
            .map(|(segment, end)| {
                let within: Vec<usize> = (0..self.readings.len())
                    .filter(|&i| (segment.start..end).contains(&self.readings[i].t_s))
                    .collect();
                let sigma = median(within.iter().map(|&i| self.sigmas[i]).collect());
                let intervals =
                    within.windows(2).map(|pair| self.readings[pair[1]].t_s - self.readings[pair[0]].t_s);
                oracle(segment, end, &self.recipe.criteria, sigma, median(intervals.collect()))
            })
            .collect()
    }

    fn sample(&mut self, dice: &mut Dice) {
        let (noise, sampling) = (self.recipe.noise, self.recipe.sampling.clone());
        let mut memory = Memory::new(noise.memory_s.max(1e-3), dice);
        let mut flicker = Flicker::new(dice);
        let (mut t, mut factor, mut hidden) = (0.0, 1.0, 0_usize);
        let mut count = 0_usize;
        loop {
            if sampling.wanders && count.is_multiple_of(25) {
                factor = (0.4 * dice.normal()).exp();
            }
            let jitter = if sampling.wanders { 1.0 } else { (0.04 * dice.normal()).exp() };
            let longer = sampling.changes.filter(|(from, _)| t >= *from).map_or(1.0, |(_, by)| by);
            let exposure = (sampling.interval * factor * jitter * longer).clamp(0.2, 30.0);
            t += exposure;
            count += 1;
            if t > self.recipe.end {
                return;
            }
            let middle = t - 0.5 * exposure;
            let [y, u, v] = (self.recipe.segments[self.segment_at(middle)].trend)(middle);
            let square = (noise.relative * y).powi(2)
                + (noise.shot * noise.shot * y + noise.read * noise.read)
                    / if noise.shot > 0.0 { exposure } else { 1.0 };
            let sigma = square.sqrt();
            let (deviate, inflation) = if noise.memory_s > 0.0 {
                let alike = (-exposure / noise.memory_s).exp();
                (memory.next(exposure, dice), ((1.0 + alike) / (1.0 - alike)).sqrt())
            } else {
                (dice.normal(), 1.0)
            };
            let mut seen = y + sigma * deviate;
            if noise.flicker > 0.0 {
                seen += noise.flicker * y * flicker.next(exposure, dice);
            }
            if let Some([amplitude, period, phase]) = noise.beat {
                seen *= 1.0 + amplitude * (std::f64::consts::TAU * middle / period + phase).sin();
            }
            let colour_sigma = 3e-5_f64.hypot(0.1 * sigma / y.abs().max(1e-6));
            let mut colour = [u + colour_sigma * dice.normal(), v + colour_sigma * dice.normal()];
            hidden = still_hidden(hidden, &noise, sampling.interval, dice);
            if hidden > 0 {
                seen *= dice.uniform(0.1, 1.4);
                colour[0] += 0.01;
            }
            if noise.step > 0.0 {
                seen = (seen / noise.step).round() * noise.step;
            }
            let away = sampling.gaps.iter().any(|(from, to)| (*from..*to).contains(&t));
            if away || dice.chance(sampling.dropped) {
                continue;
            }
            self.readings.push(Observation {
                t_s: t,
                integration_s: Some(exposure),
                y: seen,
                uv: sampling.coloured.then_some(colour),
            });
            self.sigmas.push(sigma * inflation);
        }
    }
}

/// For how many readings somebody is in the way, this one included, after one with `hidden`.
fn still_hidden(hidden: usize, noise: &Noise, interval: f64, dice: &mut Dice) -> usize {
    if hidden > 1 {
        return hidden - 1;
    }
    if noise.obstructions == 0.0 || !dice.chance(noise.obstructions) {
        return 0;
    }
    let long = (dice.uniform(1.0, 5.0) / interval) as usize;
    if dice.chance(0.5) { 1 } else { long.max(1) }
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(1.0)
}
