//! The figures of a night: how light drifts, how its noise behaves, what comes again each day.
//!
//! Pure: readings and their times go in, figures come out. It reads no clock, does no I/O and cannot fail; its memory is bounded,
//! however long the stretch. `STATISTICS.md` says what each figure means and where its formula comes from.
//!
//! | module | idea |
//! |---|---|
//! | [`axis`] | one line of time across steps of UTC and reboots |
//! | [`night`] | a stretch of readings, and all that it comes to |
//! | [`moments`] | count, mean, spread and range |
//! | `blocks` | a stretch of any length in a bounded number of means |
//! | `mean` | how sure a mean is |
//! | `rate` | the rate of a drift with its interval |
//! | `wild`, `steps`, `wander` | readings far off, levels that change at once, random walks |
//! | [`bins`] | readings averaged into equal bins |
//! | [`allan`], `short`, `long`, `lags`, `noise`, `freedom` | the Allan deviation, the kind of noise, and how sure it is |
//! | `day`, `warmth` | what comes again each day, what goes with the temperature |
//! | `difference` | night against night |
//! | `order`, `quantile` | medians, and quantiles of distributions |
//! | [`words`] | all that in plain sentences |

pub mod allan;
pub mod axis;
pub mod bins;
mod blocks;
mod day;
mod difference;
mod freedom;
mod lags;
mod long;
mod mean;
pub mod moments;
pub mod night;
mod noise;
mod order;
mod quantile;
mod rate;
mod short;
mod steps;
mod wander;
mod warmth;
mod wild;
pub mod words;

use settled_protocol::statistics::Drift;

use blocks::Blocks;
use rate::Rate;

/// Seconds in an hour.
const HOUR_S: f64 = 3600.0;

/// Numbers above this are neither light nor times.
const ABSURD: f64 = 1e15;

/// A drift while it is under way: readings go in one by one, in at most 40 kB.
#[derive(Clone, Debug, Default)]
pub struct Running {
    blocks: Blocks<1>,
    /// When the first and the latest were, in s.
    span: Option<(f64, f64)>,
}

/// How far light went from its first reading to its last, by the line through all of them.
#[derive(Clone, Copy, Debug)]
pub struct Went {
    /// The drift over the time, and what steps changed for good.
    pub by: f64,
    /// Its standard error.
    pub error: f64,
    /// Degrees of freedom of that.
    pub freedom: f64,
}

impl Running {
    /// Of no readings yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes a reading: its time in s, never earlier than the one before, on an axis that nothing bends (the boot clock's within one
    /// boot), and its value. What isn't a number of this world is passed over.
    pub fn push(&mut self, t_s: f64, y: f64) {
        self.push_mean(t_s, y, 1.0);
    }

    /// Takes the mean of `count` readings.
    pub fn push_mean(&mut self, t_s: f64, y: f64, count: f64) {
        if [t_s, y].iter().all(|number| number.abs() < ABSURD) && count >= 1.0 {
            self.span = Some((self.span.map_or(t_s, |(first_s, _)| first_s), t_s));
            self.blocks.push(t_s, [y], count);
        }
    }

    /// The drift so far, with the interval that holds its rate with 95 %; nothing for fewer than five readings.
    #[must_use]
    pub fn drift(&self) -> Option<Drift> {
        rate_of(&self.blocks).map(|rate| told(&rate))
    }

    /// How far it went so far; nothing for fewer than five readings.
    #[must_use]
    pub fn went(&self) -> Option<Went> {
        let (first_s, last_s) = self.span?;
        rate_of(&self.blocks).map(|rate| rate.went(last_s - first_s))
    }

    /// Means over equal spans of time, and how many readings each is of.
    pub(crate) fn means(&self) -> impl Iterator<Item = (f64, f64)> {
        self.blocks.all().iter().map(|block| (block.y[0], block.count))
    }
}

/// The rate of what blocks hold, without the wild ones.
fn rate_of(blocks: &Blocks<1>) -> Option<Rate> {
    let (blocks, length_s) = blocks.coarse_and_close(rate::MOST, &wild::wild(blocks.all()));
    rate::rate(&blocks, length_s)
}

/// A rate as it is told.
fn told(rate: &Rate) -> Drift {
    let half = quantile::student(rate.freedom) * rate.error;
    Drift {
        per_h: HOUR_S * rate.per_s,
        low_per_h: HOUR_S * (rate.per_s - half),
        high_per_h: HOUR_S * (rate.per_s + half),
        caution: caution(rate),
    }
}

/// Why the interval should not be trusted.
fn caution(rate: &Rate) -> Option<String> {
    let mut reasons = Vec::new();
    if rate.wanders {
        reasons.push(
            "it wanders as a random walk does, which can't be told from a drift within one stretch: the interval is that of the walk"
                .to_owned(),
        );
    }
    match rate.steps {
        0 => {}
        1 => reasons.push(
            "it changes its level at once in one place: the rate is that of the time before and after"
                .to_owned(),
        ),
        many => reasons.push(format!(
            "it changes its level at once in {many} places: the rate is that of the times between"
        )),
    }
    if rate.count < FEW {
        reasons.push(format!("it rests on {} points alone", rate.count));
    }
    (!reasons.is_empty()).then(|| reasons.join("; "))
}

/// Points that a rate rests on without a word of caution.
const FEW: usize = 16;
