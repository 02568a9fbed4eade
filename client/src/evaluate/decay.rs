//! Light that approaches a limit: L(t) = L∞ + Σ aᵢ e^(−t/τᵢ), with no, one or two terms.
//!
//! Which of them is decided by the Bayesian information criterion (Schwarz 1978, from memory): n·ln(RSS) + p·ln(n), least wins, p being 1, 3 or 5.
//! Neighbouring readings are alike where the light or the meter wanders, and then count for less: their correlation ρ at the distance of one
//! reading is estimated from what the largest model leaves over, corrected for the parameters fitted, and n is n·(1 − ρ)/(1 + ρ) in the criterion
//! and in the uncertainties (first-order autoregression, long stretches; Bayley & Hammersley 1946). So a wandering light isn't taken for an approach
//! lightly. It is a model of short-lived correlation: light that wanders for as long as it is watched can't be told from an approach by anybody.
//!
//! The daemon's settling engine fits one such term to a fixed number of blocks without allocating; here two are needed, and time is no matter.

mod fit;

use serde::{Deserialize, Serialize};

use super::measured::NORMAL_95;

/// Blocks grow by this share of the time since the first reading: an exponential is straight within them to 2e-4 of what is left of it.
const GROWTH: f64 = 0.06;
/// Readings that a curve of no, one and two terms needs.
const LEAST: [usize; 3] = [3, 8, 16];

/// A reading, or the mean of several.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// In s.
    pub t_s: f64,
    /// In any unit.
    pub value: f64,
    /// How many readings it is the mean of.
    pub count: f64,
}

/// One exponential term.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Term {
    /// What is left to go at the curve's origin, in the samples' unit; positive where the light falls.
    pub amplitude: f64,
    /// τ, in s.
    pub constant_s: f64,
}

/// An approach to a limit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Curve {
    /// When the amplitudes hold, in s: the first sample's time.
    pub origin_s: f64,
    /// Where it goes.
    pub limit: f64,
    /// The quickest first; none where the light stands still.
    pub terms: Vec<Term>,
}

impl Curve {
    /// The value at a time.
    #[must_use]
    pub fn at(&self, t_s: f64) -> f64 {
        let term = |term: &Term| term.amplitude * (-(t_s - self.origin_s) / term.constant_s).exp();
        self.limit + self.terms.iter().map(term).sum::<f64>()
    }

    /// How fast it changes at a time, a second.
    #[must_use]
    pub fn rate(&self, t_s: f64) -> f64 {
        let rate = |term: &Term| {
            -term.amplitude / term.constant_s * (-(t_s - self.origin_s) / term.constant_s).exp()
        };
        self.terms.iter().map(rate).sum()
    }

    /// The curve of so many terms that lies closest to `samples`, by least squares weighted by their counts; nothing where there are too few.
    ///
    /// Limit and amplitudes are linear given the time constants (variable projection, Golub & Pereyra 1973, from memory): a grid of time constants from half
    /// the shortest distance of two samples to ten times the whole stretch is searched, and the best of it refined by the method of Levenberg and Marquardt.
    #[must_use]
    pub fn fit(samples: &[Sample], terms: usize) -> Option<Self> {
        fit::best(samples, terms)
    }

    /// The closest curve with as many terms, sought from this one on: for samples that differ little.
    #[must_use]
    pub fn refit(&self, samples: &[Sample]) -> Option<Self> {
        fit::refined(samples, self, &fit::LITTLE)
    }

    /// Σ count·(sample − curve)².
    #[must_use]
    pub fn squares(&self, samples: &[Sample]) -> f64 {
        samples.iter().map(|sample| sample.count * (sample.value - self.at(sample.t_s)).powi(2)).sum()
    }

    /// The last time from `from_s` to `to_s` at which the curve is farther than `band` from `level`: from then on it stays. `from_s` where it never is,
    /// nothing where it still is at `to_s`.
    #[must_use]
    pub fn stays_within(&self, band: f64, level: f64, from_s: f64, to_s: f64) -> Option<f64> {
        let out = |t_s: f64| (self.at(t_s) - level).abs() > band;
        if out(to_s) {
            return None;
        }
        let times = times(from_s, to_s);
        let Some(last) = times.iter().rposition(|t_s| out(*t_s)) else { return Some(from_s) };
        let (mut outside, mut inside) = (*times.get(last)?, *times.get(last + 1)?);
        for _ in 0..40 {
            let middle = f64::midpoint(outside, inside);
            if out(middle) { outside = middle } else { inside = middle }
        }
        Some(inside)
    }

    /// The highest value from `from_s` to `to_s`.
    #[must_use]
    pub fn peak(&self, from_s: f64, to_s: f64) -> f64 {
        times(from_s, to_s).into_iter().map(|t_s| self.at(t_s)).fold(f64::NEG_INFINITY, f64::max)
    }
}

/// Times from one to another, closer at the beginning, where an approach is steeper.
fn times(from_s: f64, to_s: f64) -> Vec<f64> {
    (0..=160_u8).map(|step| from_s + (to_s - from_s) * (f64::from(step) / 160.0).powi(2)).collect()
}

/// A curve and how sure it is.
#[derive(Clone, Debug, PartialEq)]
pub struct Chosen {
    /// The curve.
    pub curve: Curve,
    /// The readings in blocks that grow with time.
    pub blocks: Vec<Sample>,
    /// Standard deviation of one reading about the curve, in the readings' unit.
    pub scatter: f64,
    /// ρ: how alike neighbouring readings are beside the curve, from 0 to 0.95.
    pub alike: f64,
    /// Degrees of freedom: readings that count as independent, less what was fitted.
    pub freedom: f64,
}

impl Chosen {
    /// Standard uncertainty of the mean of so many readings: wider by (1 + ρ)/(1 − ρ), and such that a normal distribution has the 95 % interval of
    /// Student's t for the degrees of freedom (to the first term of Cornish & Fisher's expansion).
    #[must_use]
    pub fn uncertainty(&self, count: f64) -> f64 {
        let few = 1.0 + (NORMAL_95 * NORMAL_95 + 1.0) / (4.0 * self.freedom);
        few * self.scatter * (self.inflation() / count).sqrt()
    }

    /// (1 + ρ)/(1 − ρ): how many neighbouring readings count for one.
    #[must_use]
    pub fn inflation(&self) -> f64 {
        inflation(self.alike)
    }
}

fn inflation(alike: f64) -> f64 {
    (1.0 + alike) / (1.0 - alike)
}

/// The curve with no, one or two terms that the readings warrant; nothing with fewer than three. They are in the order of time.
#[must_use]
pub fn choose(readings: &[Sample]) -> Option<Chosen> {
    let blocks = blocks(readings);
    let mut curves: Vec<Curve> = Vec::new();
    for (terms, least) in LEAST.into_iter().enumerate() {
        if readings.len() >= least && blocks.len() > 1 + 2 * terms {
            curves.extend(Curve::fit(&blocks, terms));
        }
    }
    let alike = correlation(readings, curves.last()?);
    let effective = readings.len() as f64 / inflation(alike);
    let criterion = |curve: &Curve| {
        let rounding = f64::MIN_POSITIVE.max(1e-28 * squares_of_values(readings));
        effective * curve.squares(readings).max(rounding).ln() + parameters(curve) * effective.ln()
    };
    let curve = curves.into_iter().min_by(|a, b| criterion(a).total_cmp(&criterion(b)))?;
    let freedom = (readings.len() as f64 - parameters(&curve)).max(1.0);
    let scatter = (curve.squares(readings) / freedom).sqrt();
    let freedom = (effective - parameters(&curve)).max(1.0);
    Some(Chosen { curve, blocks, scatter, alike, freedom })
}

fn parameters(curve: &Curve) -> f64 {
    1.0 + 2.0 * curve.terms.len() as f64
}

fn squares_of_values(readings: &[Sample]) -> f64 {
    readings.iter().map(|reading| reading.value * reading.value).sum()
}

/// Correlation of neighbours beside a curve. Fitting makes it too small by about (1 + p)/n, which is put back (from memory; a white series then has 0 on average
/// or a little more).
fn correlation(readings: &[Sample], curve: &Curve) -> f64 {
    let (mut squares, mut products, mut before) = (0.0, 0.0, 0.0);
    for reading in readings {
        let residual = reading.value - curve.at(reading.t_s);
        squares += residual * residual;
        products += residual * before;
        before = residual;
    }
    let bias = (1.0 + parameters(curve)) / readings.len() as f64;
    if squares > 0.0 { (products / squares + bias).clamp(0.0, 0.95) } else { 0.0 }
}

/// Readings in blocks that grow with the time since the first, so that its quick beginning stays as it was.
#[must_use]
pub fn blocks(readings: &[Sample]) -> Vec<Sample> {
    let Some(first) = readings.first() else { return Vec::new() };
    let mut blocks: Vec<Sample> = Vec::new();
    let mut until = f64::NEG_INFINITY;
    for reading in readings {
        match blocks.last_mut() {
            Some(block) if reading.t_s < until => {
                let count = block.count + reading.count;
                let share = reading.count / count;
                block.t_s += (reading.t_s - block.t_s) * share;
                block.value += (reading.value - block.value) * share;
                block.count = count;
            }
            _ => {
                until = reading.t_s + GROWTH * (reading.t_s - first.t_s);
                blocks.push(*reading);
            }
        }
    }
    blocks
}

#[cfg(test)]
mod tests;
