//! When will it settle? An exponential approach y = c + A·e^(−t/τ) is fitted to means of blocks of readings, for each τ of a
//! grid (variable projection, Golub and Pereyra 1973, cited from memory), and each τ is weighed by how well it fits.
//!
//! The fit is made twice, over nearly everything since the last step and over its later half: where two exponentials are at work, the two
//! views differ, and the forecast is as wide as both.

use settled_protocol::settling::Forecast;

use super::Reading;

/// Blocks that are kept; their length doubles when they run out.
const BLOCKS: usize = 64;

/// Readings in a block at first.
const FIRST_BLOCK: f64 = 4.0;

/// Blocks without which there is no forecast.
const FEWEST: usize = 6;

/// Time constants tried, evenly spaced in their logarithm.
const TAUS: usize = 40;

/// The shortest and the longest, in s.
const TAU_S: (f64, f64) = (4.0, 14_400.0);

/// Neighbours on the grid are a fifth apart: an interval is no narrower than this share, however well one of them fits.
const GRAIN: f64 = 0.05;

/// Drop in twice the log-likelihood that bounds the 99 % interval of τ (chi-square, one degree of freedom).
const LIKELY_99: f64 = 6.6;

/// One block: mean time, means of luminance, u′ and v′, and how many readings.
#[derive(Clone, Copy, Debug, Default)]
struct Block {
    t: f64,
    values: [f64; 3],
    n: f64,
}

/// The blocks since the last step.
#[derive(Clone, Debug)]
pub(super) struct Blocks {
    blocks: Vec<Block>,
    partial: Block,
    size: f64,
}

/// What the blocks foretell, in s on the readings' clock.
#[derive(Clone, Copy, Debug)]
pub(super) struct Foretold {
    pub(super) forecast: Forecast,
    /// Earliest at 99 % confidence, whatever τ may be.
    pub(super) not_before_s: f64,
}

impl Blocks {
    pub(super) fn new() -> Self {
        Self { blocks: Vec::with_capacity(BLOCKS), partial: Block::default(), size: FIRST_BLOCK }
    }

    pub(super) fn clear(&mut self) {
        self.blocks.clear();
        self.partial = Block::default();
        self.size = FIRST_BLOCK;
    }

    /// Adds a reading. A block with an unknown chromaticity has none.
    pub(super) fn add(&mut self, reading: &Reading) {
        self.partial.t += reading.t_s;
        for (sum, value) in self.partial.values.iter_mut().zip([reading.y, reading.uv[0], reading.uv[1]]) {
            *sum += value;
        }
        self.partial.n += 1.0;
        if self.partial.n < self.size {
            return;
        }
        let Block { t, values, n } = std::mem::take(&mut self.partial);
        self.blocks.push(Block { t: t / n, values: values.map(|sum| sum / n), n });
        if self.blocks.len() == BLOCKS {
            for index in 0..BLOCKS / 2 {
                let (a, b) = (self.blocks[2 * index], self.blocks[2 * index + 1]);
                let values = std::array::from_fn(|channel| 0.5 * (a.values[channel] + b.values[channel]));
                self.blocks[index] = Block { t: 0.5 * (a.t + b.t), values, n: 2.0 * self.size };
            }
            self.blocks.truncate(BLOCKS / 2);
            self.size *= 2.0;
        }
    }

    /// Whether there are enough.
    pub(super) fn suffice(&self) -> bool {
        self.blocks.len() >= FEWEST
    }

    /// The forecast at `now_s`, for evidence since `start_s`, a hold, and the bands of luminance, u′ and v′.
    pub(super) fn foretell(&self, (start_s, now_s): (f64, f64), hold_s: f64, bands: [f64; 3]) -> Foretold {
        let (mut median, mut low, mut high, mut bound) = (0.0_f64, f64::INFINITY, 0.0_f64, 0.0_f64);
        for (view, skipped) in [0.15, 0.5].into_iter().enumerate() {
            let from = start_s + skipped * (now_s - start_s);
            let most = self.blocks.len().saturating_sub(8);
            let first = self.blocks.iter().take(most).take_while(|block| block.t < from).count();
            let blocks = self.blocks.get(first..).unwrap_or_default();
            let mut view_low = 0.0_f64;
            for (channel, band) in bands.into_iter().enumerate() {
                let Some(approach) = approach(blocks, channel, hold_s, band) else { continue };
                median = median.max(approach.median);
                high = high.max(approach.high);
                view_low = view_low.max(approach.low);
                if view == 0 {
                    bound = bound.max(approach.likely_from);
                }
            }
            low = low.min(view_low);
        }
        let forecast =
            Forecast { settles_at_s: median.max(now_s), low_s: low.max(now_s), high_s: high.max(now_s) };
        Foretold { forecast, not_before_s: bound }
    }
}

/// One channel's settling time: quantiles, and the earliest that is likely.
struct Approach {
    low: f64,
    median: f64,
    high: f64,
    likely_from: f64,
}

/// The fit for one τ.
#[derive(Clone, Copy, Debug)]
struct Fit {
    amplitude: f64,
    limit: f64,
    squares: f64,
}

fn fit(blocks: &[Block], channel: usize, tau: f64) -> Option<Fit> {
    let t0 = blocks.first()?.t;
    let decay = |block: &Block| (-(block.t - t0) / tau).exp();
    let y0 = blocks.first()?.values[channel];
    let (mut sw, mut se, mut sy, mut see, mut sey) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for block in blocks {
        let (w, e, y) = (block.n, decay(block), block.values[channel] - y0);
        sw += w;
        se += w * e;
        sy += w * y;
        see += w * e * e;
        sey += w * e * y;
    }
    let determinant = sw * see - se * se;
    if determinant <= 1e-12 * sw * see || !determinant.is_finite() {
        return None;
    }
    let amplitude = (sw * sey - se * sy) / determinant;
    let limit = (sy - amplitude * se) / sw;
    let squares = blocks
        .iter()
        .map(|block| block.n * (block.values[channel] - y0 - limit - amplitude * decay(block)).powi(2))
        .sum();
    Some(Fit { amplitude, limit: limit + y0, squares })
}

/// Degrees of freedom that the residuals of a fit leave, corrected for their autocorrelation.
fn freedom(blocks: &[Block], channel: usize, tau: f64, fit: &Fit) -> f64 {
    let t0 = blocks.first().map_or(0.0, |block| block.t);
    let mut residuals = super::line::Residuals::default();
    for block in blocks {
        residuals.add(block.values[channel] - fit.limit - fit.amplitude * (-(block.t - t0) / tau).exp());
    }
    let n = blocks.len() as f64;
    let rho = if residuals.squares > 0.0 { (residuals.lag() + 3.0 / n).clamp(0.0, 0.95) } else { 0.0 };
    ((n - 3.0) * (1.0 - rho) / (1.0 + rho)).max(1.0)
}

fn taus() -> impl Iterator<Item = f64> {
    let (first, last) = (TAU_S.0.ln(), TAU_S.1.ln());
    (0..TAUS).map(move |index| (first + (last - first) * index as f64 / (TAUS - 1) as f64).exp())
}

fn approach(blocks: &[Block], channel: usize, hold_s: f64, band: f64) -> Option<Approach> {
    let t0 = blocks.first().filter(|block| block.values[channel].is_finite())?.t;
    let mut tried: [Option<(f64, Fit)>; TAUS] = [None; TAUS];
    for (slot, tau) in tried.iter_mut().zip(taus()) {
        *slot = fit(blocks, channel, tau).filter(|fit| fit.squares.is_finite()).map(|fit| (tau, fit));
    }
    let fits = || tried.iter().flatten();
    let (best_tau, best) = fits().min_by(|a, b| a.1.squares.total_cmp(&b.1.squares))?;
    if best.squares <= 0.0 {
        // Nothing moves, to the last digit.
        return Some(Approach { low: t0, median: t0, high: t0, likely_from: 0.0 });
    }
    let nu = freedom(blocks, channel, *best_tau, best);
    // (settling time, weight) for each τ.
    let mut weighed = [(0.0, 0.0); TAUS];
    let (mut count, mut likely_from, mut total) = (0, f64::INFINITY, 0.0);
    for (slot, (tau, fit)) in weighed.iter_mut().zip(fits()) {
        let excess = fit.amplitude.abs() * (1.0 - (-hold_s / tau).exp()) / band;
        let settles_at = t0 + if excess > 1.0 { tau * excess.ln() } else { 0.0 };
        let misfit = nu * (fit.squares / best.squares - 1.0);
        if misfit < LIKELY_99 {
            likely_from = likely_from.min(settles_at);
        }
        // A prior, flat in log τ, that fades beyond ten minutes.
        let weight = (-0.5 * misfit).exp() / (1.0 + tau / 600.0);
        *slot = (settles_at, weight);
        total += weight;
        count += 1;
    }
    let weighed = weighed.get_mut(..count)?;
    weighed.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let quantile = |probability: f64| {
        let mut sum = 0.0;
        weighed.iter().find(|(_, weight)| {
            sum += weight / total;
            sum >= probability
        })
    };
    let last = weighed.last().map_or(t0, |(at, _)| *at);
    let [low, median, high] = [0.025, 0.5, 0.975].map(|p| quantile(p).map_or(last, |(at, _)| *at));
    let (low, high) = (t0 + (low - t0) * (1.0 - GRAIN), t0 + (high - t0) * (1.0 + GRAIN));
    Some(Approach { low, median, high, likely_from })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_exponential_approach_is_foretold() {
        let (tau, amplitude, band, hold_s) = (120.0_f64, 10.0, 0.5, 60.0);
        let mut blocks = Blocks::new();
        for t in 0..200_u32 {
            let t_s = f64::from(t);
            let y = 100.0 - amplitude * (-t_s / tau).exp() + 0.01 * (t_s * 12.9898).sin();
            blocks.add(&Reading { t_s, y, uv: [f64::NAN; 2] });
        }
        let truth = tau * (amplitude * (1.0 - (-hold_s / tau).exp()) / band).ln();
        let Foretold { forecast, .. } = blocks.foretell((0.0, 199.0), hold_s, [band, 0.0005, 0.0005]);
        assert!(forecast.low_s <= truth && truth <= forecast.high_s, "{truth} not in {forecast:?}");
        assert!((forecast.settles_at_s - truth).abs() < 0.2 * truth, "{truth} is not {forecast:?}");
    }
}
