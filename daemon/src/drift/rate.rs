//! The rate of a drift with its interval: a robust line through block means, whose noise may be alike from one to the next.
//!
//! Huber's M-estimate (Huber, Ann. Math. Stat. 35, 73, 1964) from Theil and Sen's line on, a level of its own for each segment
//! between steps. Its standard error is that of AR(1) noise: the variance is (1+ρ)/(1−ρ) times that of white noise (Bartlett 1946),
//! ρ corrected for the bias of a short series from which a line was taken (Marriott & Pope 1954); where it wanders, that of a
//! random walk as strong. Papers cited from memory.

use super::blocks::Block;
use super::order::{median, spread};
use super::steps::steps;
use super::{Went, wander};

/// Blocks that a line is laid through at most: so few that what goes up and down within minutes is averaged out of a night.
pub(super) const MOST: usize = 64;

/// Blocks that a rate needs at least.
const FEWEST: usize = 5;

/// Residuals beyond so many standard deviations count as this many: 95 % of least squares' efficiency where noise is normal (Huber).
const WILD: f64 = 1.345;

/// Rounds of reweighting: each brings it some ten times nearer.
const ROUNDS: usize = 20;

/// Residuals more alike than this from one block to the next are taken as this alike.
const MOST_ALIKE: f64 = 0.9;

/// A rate of change.
#[derive(Clone, Debug)]
pub(super) struct Rate {
    /// A second.
    pub(super) per_s: f64,
    /// Its standard error.
    pub(super) error: f64,
    /// Degrees of freedom of that.
    pub(super) freedom: f64,
    /// Whether what is left of it wanders as a random walk does.
    pub(super) wanders: bool,
    /// Steps that it leaves out, by number.
    pub(super) steps: usize,
    /// Blocks that it rests on.
    pub(super) count: usize,
    /// What the steps changed for good.
    stepped: Stepped,
}

/// From the first segment to the last.
#[derive(Clone, Copy, Debug, Default)]
struct Stepped {
    /// How much higher the last one's line lies.
    by: f64,
    /// The standard error of that where the slope is known.
    error: f64,
    /// How far their middles are apart, in s.
    apart_s: f64,
}

impl Rate {
    /// How far it went over so many s: the drift, and what steps changed. An error of the slope moves the line about the middles of the
    /// segments, so that it counts for the time beside what is between those.
    pub(super) fn went(&self, span_s: f64) -> Went {
        let Stepped { by, error, apart_s } = self.stepped;
        Went {
            by: self.per_s * span_s + by,
            error: (self.error * (span_s - apart_s)).hypot(error),
            freedom: self.freedom,
        }
    }
}

/// A point of the line: where, how high above its segment's level, and in which segment.
#[derive(Clone, Copy, Debug)]
struct Point {
    index: u64,
    t: f64,
    y: f64,
    segment: usize,
}

/// The rate of a series of block means of the given length; nothing for too few of them, or too short a time.
pub(super) fn rate(blocks: &[Block<1>], length_s: f64) -> Option<Rate> {
    let first = blocks.first()?;
    let steps = steps(blocks);
    let points: Vec<Point> = blocks
        .iter()
        .enumerate()
        .map(|(place, block)| Point {
            index: block.index,
            t: block.t_s - first.t_s,
            y: block.y[0] - first.y[0],
            segment: steps.iter().filter(|step| step.at <= place).count(),
        })
        .collect();
    let segments = steps.len() + 1;
    if points.len() < FEWEST.max(3 * segments) {
        return None;
    }
    let start = theil_sen(&points)?;
    let line = huber(&points, segments, start)?;
    let mut rate = line.rate(&points, length_s)?;
    rate.steps = steps.len();
    Some(rate)
}

/// The median of the slopes between any two points of the same segment.
fn theil_sen(points: &[Point]) -> Option<f64> {
    let mut slopes = Vec::with_capacity(points.len() * points.len() / 2);
    for (place, a) in points.iter().enumerate() {
        let later = points.iter().skip(place + 1).filter(|b| b.segment == a.segment && b.t > a.t);
        slopes.extend(later.map(|b| (b.y - a.y) / (b.t - a.t)));
    }
    median(&mut slopes)
}

/// A line and what is left of the points.
struct Line {
    slope: f64,
    /// Σ (t − mean of its segment)².
    extent: f64,
    residuals: Vec<f64>,
    /// Beyond this a residual counts as this.
    clip: f64,
    segments: usize,
    /// How much higher the last segment's line lies than the first one's, and how far their middles are apart, in s.
    stepped: (f64, f64),
}

/// Weighted least squares, each segment about a level of its own, the weights those of Huber, from a slope on.
fn huber(points: &[Point], segments: usize, start: f64) -> Option<Line> {
    let mut weights = vec![1.0; points.len()];
    let mut slope = start;
    let mut residuals = levelled(points, segments, slope);
    let clip = WILD * spread(residuals.iter().copied());
    for _ in 0..ROUNDS {
        if clip > 0.0 {
            for (weight, residual) in weights.iter_mut().zip(&residuals) {
                *weight = (clip / residual.abs()).min(1.0);
            }
        }
        let (fitted, left) = fit(points, &weights, segments)?;
        residuals = left;
        let moved = (fitted - slope).abs();
        slope = fitted;
        if moved <= 1e-12 * slope.abs() {
            break;
        }
    }
    let (levels, _) = centred(points, &weights, segments, |point| point.y - slope * point.t);
    let (middles, extent) = centred(points, &vec![1.0; points.len()], segments, |point| point.t);
    let extent = extent.iter().map(|t| t * t).sum::<f64>();
    let change = |means: &[f64]| means.last().zip(means.first()).map_or(0.0, |(last, first)| last - first);
    let stepped = (change(&levels), change(&middles));
    (extent > 0.0).then_some(Line { slope, extent, residuals, clip, segments, stepped })
}

/// Residuals of a slope, each segment about its median.
fn levelled(points: &[Point], segments: usize, slope: f64) -> Vec<f64> {
    let above = |point: &Point| point.y - slope * point.t;
    let level = |segment: usize| {
        let mut values: Vec<f64> =
            points.iter().filter(|point| point.segment == segment).map(above).collect();
        median(&mut values).unwrap_or_default()
    };
    let levels: Vec<f64> = (0..segments).map(level).collect();
    points.iter().map(|point| above(point) - levels.get(point.segment).copied().unwrap_or_default()).collect()
}

/// Means of each segment, and every point's distance from that of its own.
fn centred(
    points: &[Point],
    weights: &[f64],
    segments: usize,
    value: impl Fn(&Point) -> f64,
) -> (Vec<f64>, Vec<f64>) {
    let mut sums = vec![(0.0, 0.0); segments];
    for (point, weight) in points.iter().zip(weights) {
        if let Some((sum, total)) = sums.get_mut(point.segment) {
            *sum += weight * value(point);
            *total += weight;
        }
    }
    let means: Vec<f64> = sums.iter().map(|(sum, total)| sum / total.max(f64::MIN_POSITIVE)).collect();
    let mean = |point: &Point| means.get(point.segment).copied().unwrap_or_default();
    let distances = points.iter().map(|point| value(point) - mean(point)).collect();
    (means, distances)
}

/// The weighted least-squares slope and its residuals.
fn fit(points: &[Point], weights: &[f64], segments: usize) -> Option<(f64, Vec<f64>)> {
    let (_, t) = centred(points, weights, segments, |point| point.t);
    let (_, y) = centred(points, weights, segments, |point| point.y);
    let products =
        |a: &[f64], b: &[f64]| a.iter().zip(b).zip(weights).map(|((a, b), w)| w * a * b).sum::<f64>();
    let extent = products(&t, &t);
    if extent <= 0.0 {
        return None;
    }
    let slope = products(&t, &y) / extent;
    Some((slope, y.iter().zip(&t).map(|(y, t)| y - slope * t).collect()))
}

impl Line {
    fn rate(&self, points: &[Point], length_s: f64) -> Option<Rate> {
        let count = points.len() as f64;
        let lost = self.segments as f64 + 1.0;
        let clipped: Vec<f64> = match self.clip {
            clip if clip > 0.0 => self.residuals.iter().map(|e| e.clamp(-clip, clip)).collect(),
            _ => self.residuals.clone(),
        };
        let wild = self.residuals.iter().zip(&clipped).filter(|(whole, part)| whole != part).count();
        let squares = clipped.iter().map(|e| e * e).sum::<f64>();
        let alike = self.alike(points, &clipped, squares);
        let inflation = (1.0 + alike) / (1.0 - alike);
        let within = 1.0 - wild as f64 / count;
        let hidden = (count - lost * inflation).max(1.0);
        let variance = squares / hidden / (within * within).max(0.25);
        let mut freedom = (count / inflation - lost).max(1.0);
        let wander = wander::of(points.iter().map(|point| (point.index, point.segment)), &self.residuals);
        let span = points.last()?.t - points.first()?.t;
        let mut error = (variance * inflation / self.extent).sqrt();
        if wander.wanders {
            // Its differences are nearly independent; the longer ones, which move the slope, are few.
            freedom = freedom.max(count / 4.0 - lost);
            error = error.max(wander.slope_error(length_s, span));
        }
        Some(Rate {
            per_s: self.slope,
            error,
            freedom,
            wanders: wander.wanders,
            steps: 0,
            count: points.len(),
            stepped: self.stepped(points, variance * inflation),
        })
    }

    /// What steps changed, where the variance of a block, as far as it is like its neighbours, is known.
    fn stepped(&self, points: &[Point], variance: f64) -> Stepped {
        if self.segments < 2 {
            return Stepped::default();
        }
        let count = |segment: usize| points.iter().filter(|point| point.segment == segment).count() as f64;
        let share = 1.0 / count(0).max(1.0) + 1.0 / count(self.segments - 1).max(1.0);
        let (by, apart_s) = self.stepped;
        Stepped { by, error: (variance * share).sqrt(), apart_s }
    }

    /// Lag-1 autocorrelation of neighbouring residuals, corrected for bias, from 0 to [`MOST_ALIKE`].
    fn alike(&self, points: &[Point], residuals: &[f64], squares: f64) -> f64 {
        let count = points.len() as f64;
        let neighbours = points.windows(2).zip(residuals.windows(2));
        let mut pairs = 0.0;
        let mut lagged = 0.0;
        for (points, residuals) in neighbours {
            if let ([a, b], [e, f]) = (points, residuals)
                && b.index == a.index + 1
                && b.segment == a.segment
            {
                pairs += 1.0;
                lagged += e * f;
            }
        }
        if squares <= 0.0 || pairs < 1.0 {
            return 0.0;
        }
        let lag = lagged / squares * (count - 1.0) / pairs;
        (lag + (2.0 + 4.0 * lag) / count).clamp(0.0, MOST_ALIKE)
    }
}
