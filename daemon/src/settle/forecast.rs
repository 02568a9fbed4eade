//! When will it settle? An exponential approach fitted to block means, for every time constant that may be. The median is that of
//! the best fit between the grid's time constants where the grid's own is beside it; the interval and what is called
//! hopeless stay with the grid, whose coarseness stands for models that don't hold.

use settled_protocol::settling::Forecast;

use super::approach::{Approach, Channel, Decay};
use super::blocks::Block;

/// Time constants tried.
const CONSTANTS: usize = 40;
/// The shortest and the longest time constant, in s.
const RANGE_S: (f64, f64) = (4.0, 14_400.0);
/// Long time constants are less likely beforehand: weight 1/(1 + τ/600 s).
const LIKELY_S: f64 = 600.0;
/// −2 ln of the likelihood ratio at the edge of a 99 % region of one parameter: the chi-square quantile.
const REGION_99: f64 = 6.6;

/// Where the light goes, by the fits of exponential approaches: in the unit of the readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limit {
    /// By the best fit.
    pub value: f64,
    /// The low end of the 95 % interval.
    pub low: f64,
    /// The high end of the 95 % interval: as wide as all that long time constants allow, for light of which little has been seen.
    pub high: f64,
}

impl Limit {
    /// What two looks at the same light say: the value is the other's, which looked at the later part.
    fn and(self, other: Self) -> Self {
        Self { value: other.value, low: self.low.min(other.low), high: self.high.max(other.high) }
    }
}

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
    /// The best fit of luminance: where it goes, and how fast.
    pub(super) approach: Option<Approach>,
    /// Where luminance goes, and how surely.
    pub(super) limit: Option<Limit>,
}

impl Outlook {
    /// Settled already.
    const NOW: Self = Self { median: 0.0, low: 0.0, high: 0.0, earliest: 0.0, approach: None, limit: None };
    /// The fit says nothing.
    const OPEN: Self = Self { median: 0.0, low: 0.0, high: 1e9, earliest: 0.0, approach: None, limit: None };

    /// The later of two channels: the light has settled when both have.
    fn and(self, other: Self) -> Self {
        Self {
            median: self.median.max(other.median),
            low: self.low.max(other.low),
            high: self.high.max(other.high),
            earliest: self.earliest.max(other.earliest),
            approach: self.approach.or(other.approach),
            // Luminance comes first.
            limit: self.limit.or(other.limit),
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
        approach: whole.approach,
        limit: whole.limit.zip(half.limit).map(|(whole, half)| whole.and(half)),
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
        Some(Profile::new(blocks, 0, luminance)),
        coloured.then(|| Profile::new(blocks, 1, chromaticity)),
        coloured.then(|| Profile::new(blocks, 2, chromaticity)),
    ];
    for row in 0..CONSTANTS {
        let decay = Decay::new(blocks, constant(row));
        for channel in channels.iter_mut().flatten() {
            channel.fit(&decay, row, hold);
        }
    }
    channels.iter().flatten().fold(Outlook::NOW, |all, channel| all.and(channel.outlook(hold)))
}

/// The time constant of a row of the grid, in s.
fn constant(row: usize) -> f64 {
    let (shortest, longest) = RANGE_S;
    shortest * (longest / shortest).powf(row as f64 / (CONSTANTS - 1) as f64)
}

/// A fit, and when it would be within the band for a hold, in s.
#[derive(Clone, Copy)]
struct Fit {
    approach: Approach,
    settles: f64,
}

/// The fits of one channel, for every time constant of the grid.
struct Profile<'a> {
    channel: Channel<'a>,
    band: f64,
    first: f64,
    fits: [Option<Fit>; CONSTANTS],
}

impl<'a> Profile<'a> {
    fn new(blocks: &'a [Block], index: usize, band: f64) -> Self {
        let first = blocks.first().map_or(0.0, |block| block.time);
        Self { channel: Channel::new(blocks, index), band, first, fits: [None; CONSTANTS] }
    }

    fn fit(&mut self, decay: &Decay, row: usize, hold: f64) {
        let fit = self.channel.fit(decay).and_then(|approach| self.timed(approach, hold));
        if let Some(slot) = self.fits.get_mut(row) {
            *slot = fit;
        }
    }

    /// When an approach is within the band for a hold: |A| e^(−t/τ) (1 − e^(−hold/τ)) is the band then.
    fn timed(&self, approach: Approach, hold: f64) -> Option<Fit> {
        let Approach { amplitude, constant, .. } = approach;
        let over = amplitude.abs() * -(-hold / constant).exp_m1() / self.band;
        let settles = self.first + if over > 1.0 { constant * over.ln() } else { 0.0 };
        settles.is_finite().then_some(Fit { approach, settles })
    }

    fn outlook(&self, hold: f64) -> Outlook {
        let Some((row, best)) = self.best() else {
            return Outlook::OPEN;
        };
        if best.approach.misfit <= 0.0 {
            return Outlook::NOW;
        }
        let freedom = self.channel.freedom(&best.approach);
        let mut weighed = [(f64::INFINITY, 0.0); CONSTANTS];
        let mut limits = weighed;
        let mut earliest = f64::INFINITY;
        let slots = weighed.iter_mut().zip(&mut limits);
        for ((row, fit), (slot, limit)) in self.fits.iter().enumerate().zip(slots) {
            let Some(fit) = fit else { continue };
            let worse = freedom * (fit.approach.misfit / best.approach.misfit - 1.0);
            let weight = (-0.5 * worse).exp() / (1.0 + constant(row) / LIKELY_S);
            (*slot, *limit) = ((fit.settles, weight), (fit.approach.limit, weight));
            if worse < REGION_99 {
                earliest = earliest.min(fit.settles);
            }
        }
        weighed.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
        let at = |share| quantile(&weighed, share);
        let (near, far) = self.between(&best, row, |fit| fit.settles);
        let refined = self.refined(row).and_then(|approach| self.timed(approach, hold));
        let approach = refined.unwrap_or(best).approach;
        let median = match refined {
            Some(fit) if self.is_beside(at(0.5), row) => fit.settles,
            _ => at(0.5),
        };
        Outlook {
            median,
            low: at(0.025).min(near).min(median),
            high: at(0.975).max(far).max(median),
            earliest,
            approach: Some(approach),
            limit: Some(self.limit(
                approach.limit,
                &mut limits,
                self.between(&best, row, |fit| fit.approach.limit),
            )),
        }
    }

    /// Where it goes: the best fit's limit, and what others that are nearly as good say.
    fn limit(&self, value: f64, limits: &mut [(f64, f64)], (near, far): (f64, f64)) -> Limit {
        limits.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
        let [low, high] = [0.025, 0.975].map(|share| quantile(limits, share));
        Limit { value, low: low.min(near).min(value), high: high.max(far).max(value) }
    }

    /// The best fit of the grid, and its row.
    fn best(&self) -> Option<(usize, Fit)> {
        let known = self.fits.iter().enumerate().filter_map(|(row, fit)| fit.map(|fit| (row, fit)));
        known.min_by(|a, b| a.1.approach.misfit.total_cmp(&b.1.approach.misfit))
    }

    /// The best fit between the rows beside a row.
    fn refined(&self, row: usize) -> Option<Approach> {
        self.channel.between(constant(row.checked_sub(1)?), constant(row + 1))
    }

    /// Whether a time is that of a row or of one beside it: the best fit between rows then stands for the grid's.
    fn is_beside(&self, settles: f64, row: usize) -> bool {
        let rows = self.fits.get(row.saturating_sub(1)..).unwrap_or_default();
        rows.iter().take(3).flatten().any(|fit| fit.settles == settles)
    }

    /// Half-way from the best fit to those beside it on the grid: precise data would otherwise be given to one row of it, and
    /// the interval would not hold what lies between rows.
    fn between(&self, best: &Fit, row: usize, of: fn(&Fit) -> f64) -> (f64, f64) {
        let beside = [row.checked_sub(1), Some(row + 1)].into_iter().flatten();
        let fits = beside.filter_map(|row| self.fits.get(row).copied().flatten());
        let at = of(best);
        fits.map(|fit| f64::midpoint(of(&fit), at))
            .fold((at, at), |(near, far), middle| (near.min(middle), far.max(middle)))
    }
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Where a decay of `amplitude` bands is within a band for a hold of a minute.
    fn settles(amplitude: f64, tau: f64) -> f64 {
        tau * (amplitude * -(-60.0 / tau).exp_m1()).ln()
    }

    fn clean(amplitude: f64, tau: f64) -> Vec<Block> {
        let block = |index: u32| {
            let time = 4.0 * f64::from(index);
            let y = 100.0 + amplitude * (-time / tau).exp();
            Block { time, values: [y, 0.0, 0.0], count: 4.0, coloured: false }
        };
        (0..40).map(block).collect()
    }

    #[test]
    fn a_clean_approach_is_forecast_to_a_hundredth_of_a_second_whatever_its_time_constant() {
        for tau in [47.0, 60.0, 83.0, 111.0, 150.0, 199.0, 260.0] {
            let blocks = clean(30.0, tau);
            let outlook = forecast(&blocks, 0.0, 160.0, 60.0, [1.0, 0.0]);
            let truth = settles(30.0, tau).max(160.0);
            assert!((outlook.median - truth).abs() < 0.01, "{tau}: {outlook:?}, {truth}");
            assert!((outlook.low..=outlook.high).contains(&truth), "{tau}: {outlook:?}");
            let approach = outlook.approach.unwrap();
            assert!((approach.limit - 100.0).abs() < 1e-5, "{approach:?}");
            assert!((approach.constant / tau - 1.0).abs() < 1e-6, "{approach:?}");
            let Limit { value, low, high } = outlook.limit.unwrap();
            assert!((value - 100.0).abs() < 1e-3 && low <= 100.0 && high >= 100.0, "{tau}: {outlook:?}");
            assert!(high - low < 30.0, "{tau}: {outlook:?}");
        }
    }

    #[test]
    fn no_approach_is_made_up_of_a_straight_line_or_of_nothing() {
        let line: Vec<_> = clean(0.0, 60.0)
            .into_iter()
            .map(|block| Block { values: [100.0 + block.time, 0.0, 0.0], ..block })
            .collect();
        // The longest time constant tried, as there is none between it and a longer one.
        let best = forecast(&line, 0.0, 160.0, 60.0, [1.0, 0.0]).approach.unwrap();
        assert_eq!(best.constant, constant(CONSTANTS - 1));
        let limit = forecast(&line, 0.0, 160.0, 60.0, [1.0, 0.0]).limit.unwrap();
        // 160 were seen of it.
        assert!(limit.high - limit.low > 1600.0, "{limit:?}");
        let flat = forecast(&clean(0.0, 60.0), 0.0, 160.0, 60.0, [1.0, 0.0]);
        assert_eq!((flat.median, flat.approach), (160.0, None));
    }
}
