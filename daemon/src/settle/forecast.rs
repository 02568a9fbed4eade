//! When will it settle? An exponential approach fitted to block means, for every time constant that may be.

use settled_protocol::settling::Forecast;

use super::blocks::{Block, MOST};

/// Time constants tried.
const CONSTANTS: usize = 40;
/// The shortest and the longest time constant, in s.
const RANGE_S: (f64, f64) = (4.0, 14_400.0);
/// Long time constants are less likely beforehand: weight 1/(1 + τ/600 s).
const LIKELY_S: f64 = 600.0;
/// −2 ln of the likelihood ratio at the edge of a 99 % region of one parameter: the chi-square quantile.
const REGION_99: f64 = 6.6;

/// When one channel, or all of them, will be within the band for a hold: in s on the time axis of the readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Outlook {
    /// Median.
    pub(super) median: f64,
    /// 2.5 % quantile.
    pub(super) low: f64,
    /// 97.5 % quantile.
    pub(super) high: f64,
    /// Lower end of the 99 % likelihood region, with no prior: not before this.
    pub(super) earliest: f64,
}

impl Outlook {
    /// Settled already.
    const NOW: Self = Self { median: 0.0, low: 0.0, high: 0.0, earliest: 0.0 };
    /// The fit says nothing.
    const OPEN: Self = Self { median: 0.0, low: 0.0, high: 1e9, earliest: 0.0 };

    /// The later of two channels: the light has settled when both have.
    fn and(self, other: Self) -> Self {
        Self {
            median: self.median.max(other.median),
            low: self.low.max(other.low),
            high: self.high.max(other.high),
            earliest: self.earliest.max(other.earliest),
        }
    }

    /// As a forecast, in s since `started`.
    pub(super) fn since(self, started: f64) -> Option<Forecast> {
        let numbers = [self.median, self.low, self.high].map(|time| time - started);
        let [settles_at_s, low_s, high_s] = numbers;
        numbers.iter().all(|number| number.is_finite()).then_some(Forecast { settles_at_s, low_s, high_s })
    }
}

/// Fits all channels of the blocks; `bands` are those of luminance and chromaticity.
///
/// Done twice, without the first 15 % and without the first half of the time since `start`: a sum of exponentials looks
/// different to the two. Median and end are the later ones, the beginning is the earlier one.
pub(super) fn forecast(blocks: &[Block], start: f64, now: f64, hold: f64, bands: [f64; 2]) -> Outlook {
    let whole = outlook(recent(blocks, start + 0.15 * (now - start)), hold, bands);
    let half = outlook(recent(blocks, start + 0.5 * (now - start)), hold, bands);
    Outlook {
        median: whole.median.max(half.median).max(now),
        low: whole.low.min(half.low).max(now),
        high: whole.high.max(half.high).max(now),
        earliest: whole.earliest,
    }
}

/// The blocks after `from`, but at least the last eight.
fn recent(blocks: &[Block], from: f64) -> &[Block] {
    let skip = blocks.partition_point(|block| block.time < from).min(blocks.len().saturating_sub(8));
    blocks.get(skip..).unwrap_or_default()
}

fn outlook(blocks: &[Block], hold: f64, [luminance, chromaticity]: [f64; 2]) -> Outlook {
    let coloured = !blocks.is_empty() && blocks.iter().all(|block| block.coloured);
    let mut channels = [
        Some(Channel::new(blocks, 0, luminance)),
        coloured.then(|| Channel::new(blocks, 1, chromaticity)),
        coloured.then(|| Channel::new(blocks, 2, chromaticity)),
    ];
    for row in 0..CONSTANTS {
        let decay = Decay::new(blocks, constant(row));
        for channel in channels.iter_mut().flatten() {
            channel.fit(blocks, &decay, row, hold);
        }
    }
    channels.iter().flatten().fold(Outlook::NOW, |all, channel| all.and(channel.outlook(blocks)))
}

/// The time constant of a row of the grid, in s.
fn constant(row: usize) -> f64 {
    let (shortest, longest) = RANGE_S;
    shortest * (longest / shortest).powf(row as f64 / (CONSTANTS - 1) as f64)
}

/// e^(−t/τ) at every block, t counted from the first.
struct Decay {
    constant: f64,
    values: [f64; MOST],
    mean: f64,
    /// Weighted sum of squares about the mean; nothing where the decay can't be told from a constant.
    spread: Option<f64>,
}

impl Decay {
    fn new(blocks: &[Block], constant: f64) -> Self {
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

/// One time constant's best fit.
#[derive(Clone, Copy)]
struct Fit {
    amplitude: f64,
    /// Weighted sum of squared residuals.
    misfit: f64,
    /// When the approach would be within the band for a hold, in s.
    settles: f64,
}

/// y = c + A e^(−t/τ) for one channel: A and c are linear given τ (variable projection, Golub & Pereyra 1973, cited from
/// memory), so only τ is searched.
struct Channel {
    index: usize,
    band: f64,
    first: f64,
    mean: f64,
    spread: f64,
    fits: [Option<Fit>; CONSTANTS],
}

impl Channel {
    fn new(blocks: &[Block], index: usize, band: f64) -> Self {
        let weight: f64 = blocks.iter().map(|block| block.count).sum();
        let mean = blocks.iter().map(|block| block.count * value(block, index)).sum::<f64>() / weight;
        let spread = blocks.iter().map(|block| block.count * (value(block, index) - mean).powi(2)).sum();
        let first = blocks.first().map_or(0.0, |block| block.time);
        Self { index, band, first, mean, spread, fits: [None; CONSTANTS] }
    }

    fn fit(&mut self, blocks: &[Block], decay: &Decay, row: usize, hold: f64) {
        let Some(spread) = decay.spread else { return };
        let terms = decay.values.iter().zip(blocks);
        let product: f64 = terms
            .map(|(decayed, block)| {
                block.count * (decayed - decay.mean) * (value(block, self.index) - self.mean)
            })
            .sum();
        let amplitude = product / spread;
        let misfit = (self.spread - amplitude * product).max(1e-12 * self.spread);
        let over = amplitude.abs() * -(-hold / decay.constant).exp_m1() / self.band;
        let settles = self.first + if over > 1.0 { decay.constant * over.ln() } else { 0.0 };
        if let Some(slot) = self.fits.get_mut(row)
            && misfit.is_finite()
            && settles.is_finite()
        {
            *slot = Some(Fit { amplitude, misfit, settles });
        }
    }

    fn outlook(&self, blocks: &[Block]) -> Outlook {
        let known = self.fits.iter().enumerate().filter_map(|(row, fit)| fit.map(|fit| (row, fit)));
        let Some((row, best)) = known.min_by(|a, b| a.1.misfit.total_cmp(&b.1.misfit)) else {
            return Outlook::OPEN;
        };
        if best.misfit <= 0.0 {
            return Outlook::NOW;
        }
        let freedom = self.freedom(blocks, &best, row);
        let mut weighed = [(f64::INFINITY, 0.0); CONSTANTS];
        let mut earliest = f64::INFINITY;
        for (row, (slot, fit)) in weighed.iter_mut().zip(&self.fits).enumerate() {
            let Some(fit) = fit else { continue };
            let worse = freedom * (fit.misfit / best.misfit - 1.0);
            *slot = (fit.settles, (-0.5 * worse).exp() / (1.0 + constant(row) / LIKELY_S));
            if worse < REGION_99 {
                earliest = earliest.min(fit.settles);
            }
        }
        weighed.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
        let at = |share| quantile(&weighed, share);
        let (near, far) = self.between(&best, row);
        Outlook { median: at(0.5), low: at(0.025).min(near), high: at(0.975).max(far), earliest }
    }

    /// Half-way from the best fit to those beside it on the grid: precise data would otherwise be given to one row of it, and
    /// the interval would not hold what lies between rows.
    fn between(&self, best: &Fit, row: usize) -> (f64, f64) {
        let beside = [row.checked_sub(1), Some(row + 1)].into_iter().flatten();
        let fits = beside.filter_map(|row| self.fits.get(row).copied().flatten());
        fits.map(|fit| f64::midpoint(fit.settles, best.settles))
            .fold((best.settles, best.settles), |(near, far), middle| (near.min(middle), far.max(middle)))
    }

    /// Degrees of freedom of the best fit, fewer where neighbouring residuals are alike.
    fn freedom(&self, blocks: &[Block], best: &Fit, row: usize) -> f64 {
        let decay = Decay::new(blocks, constant(row));
        let (mut squares, mut lagged, mut before) = (0.0, 0.0, 0.0);
        for (decayed, block) in decay.values.iter().zip(blocks) {
            let residual = value(block, self.index) - self.mean - best.amplitude * (decayed - decay.mean);
            squares += residual * residual;
            lagged += residual * before;
            before = residual;
        }
        let count = blocks.len() as f64;
        let alike = if squares > 0.0 { (lagged / squares + 3.0 / count).clamp(0.0, 0.95) } else { 0.0 };
        ((count - 3.0) * (1.0 - alike) / (1.0 + alike)).max(1.0)
    }
}

/// A channel of a block: luminance, u′ or v′.
fn value(block: &Block, index: usize) -> f64 {
    block.values.get(index).copied().unwrap_or_default()
}

/// The value below which `share` of the weight lies, of pairs of value and weight in order of value.
fn quantile(weighed: &[(f64, f64)], share: f64) -> f64 {
    let total: f64 = weighed.iter().map(|(_, weight)| weight).sum();
    let mut sum = 0.0;
    for &(value, weight) in weighed {
        sum += weight;
        if sum >= share * total {
            return value;
        }
    }
    0.0
}
