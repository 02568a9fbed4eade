//! A stretch of readings, and all that it comes to.

use settled_protocol::statistics::{Deviation, Difference, Noise, Series, WithTemperature};

use super::bins::Bins;
use super::blocks::{self, Blocks};
use super::difference::{Figure, difference};
use super::moments::Moments;
use super::rate::{self, Rate};
use super::{ABSURD, HOUR_S, day, freedom, mean, noise, quantile, rate_of, told, warmth};

/// Blocks that the correlation with the temperature rests on at most: means, so that noise doesn't hide it.
const PAIRED: usize = 256;

/// One reading.
#[derive(Clone, Copy, Debug, Default)]
pub struct Taken {
    /// When, in s since the first.
    pub elapsed_s: f64,
    /// The amount of light.
    pub value: f64,
    /// u′ and v′, where there is a chromaticity.
    pub uv: Option<[f64; 2]>,
    /// The meter's own temperature in °C.
    pub temperature_c: Option<f64>,
}

/// What thinning has left of some readings.
#[derive(Clone, Copy, Debug)]
pub struct Left {
    /// When they were on average, in s since the first.
    pub elapsed_s: f64,
    /// Their amounts of light.
    pub value: Moments,
    /// How many told a colour, and u′ and v′ of their mean.
    pub uv: Option<(u64, [f64; 2])>,
    /// How many told a temperature, and the mean of those in °C.
    pub temperature_c: Option<(u64, f64)>,
}

/// Takes the readings of a stretch, in the order in which they came, in bounded memory: 200 kB, and up to 4 MB for each quantity's
/// Allan deviation.
#[derive(Clone, Debug)]
pub struct Night {
    bin_s: f64,
    value: Track,
    u_prime: Track,
    v_prime: Track,
    temperature: Track,
    /// The value and the temperature, where both are known.
    both: Blocks<2>,
}

/// What a stretch comes to.
#[derive(Clone, Debug)]
pub struct Figures {
    /// The amount of light.
    pub value: Option<Quantity>,
    /// u′.
    pub u_prime: Option<Quantity>,
    /// v′.
    pub v_prime: Option<Quantity>,
    /// The meter's temperature.
    pub temperature_c: Option<Quantity>,
    /// How the amount of light goes with it.
    pub with_temperature: Option<WithTemperature>,
}

/// What one quantity comes to, and what comparing it takes.
#[derive(Clone, Debug)]
pub struct Quantity {
    /// As it is told.
    pub series: Series,
    mean: Option<Figure>,
    rate: Option<Figure>,
}

/// One quantity.
#[derive(Clone, Debug)]
struct Track {
    moments: Moments,
    blocks: Blocks<1>,
    bins: Bins,
}

impl Night {
    /// Of no readings yet, with bins of so many seconds for the Allan deviation.
    #[must_use]
    pub fn new(bin_s: f64) -> Self {
        let track = Track { moments: Moments::default(), blocks: Blocks::default(), bins: Bins::new(bin_s) };
        Self {
            bin_s,
            value: track.clone(),
            u_prime: track.clone(),
            v_prime: track.clone(),
            temperature: track,
            both: Blocks::default(),
        }
    }

    /// Takes a reading. What isn't a number of this world is passed over.
    pub fn push(&mut self, taken: &Taken) {
        let Taken { elapsed_s, value, uv, temperature_c } = *taken;
        self.value.push(elapsed_s, value);
        if let Some([u, v]) = uv {
            self.u_prime.push(elapsed_s, u);
            self.v_prime.push(elapsed_s, v);
        }
        if let Some(temperature_c) = temperature_c {
            self.temperature.push(elapsed_s, temperature_c);
            self.pair(elapsed_s, value, temperature_c, 1.0);
        }
    }

    /// Takes what is left of some readings: it counts in mean, range and drift, not in the Allan deviation.
    pub fn push_left(&mut self, left: &Left) {
        let Left { elapsed_s, value, uv, temperature_c } = *left;
        self.value.push_left(elapsed_s, &value);
        let of = |count: u64, mean: f64| Moments { count, ..Moments::of(mean) };
        if let Some((count, [u, v])) = uv {
            self.u_prime.push_left(elapsed_s, &of(count, u));
            self.v_prime.push_left(elapsed_s, &of(count, v));
        }
        if let Some((count, temperature_c)) = temperature_c {
            self.temperature.push_left(elapsed_s, &of(count, temperature_c));
            self.pair(elapsed_s, value.mean, temperature_c, count as f64);
        }
    }

    fn pair(&mut self, elapsed_s: f64, value: f64, temperature_c: f64, count: f64) {
        if [elapsed_s, value, temperature_c].iter().all(|number| number.abs() < ABSURD) {
            self.both.push(elapsed_s, [value, temperature_c], count);
        }
    }

    /// What it comes to. `midnight_s` is how long after some UTC midnight the first reading was. Where the readings are not on one
    /// `scale`, only counts, means and ranges are told.
    #[must_use]
    pub fn finish(self, midnight_s: f64, scale: bool) -> Figures {
        let told = |track: Track| track.finish(self.bin_s, midnight_s, scale);
        let paired = || self.both.coarse(PAIRED, &vec![false; self.both.all().len()]).0;
        Figures {
            with_temperature: if scale { warmth::correlation(&paired()) } else { None },
            value: told(self.value),
            u_prime: told(self.u_prime),
            v_prime: told(self.v_prime),
            temperature_c: told(self.temperature),
        }
    }
}

impl Track {
    fn push(&mut self, elapsed_s: f64, y: f64) {
        if [elapsed_s, y].iter().all(|number| number.abs() < ABSURD) {
            self.moments.add(&Moments::of(y));
            self.blocks.push(elapsed_s, [y], 1.0);
            self.bins.push(elapsed_s, y);
        }
    }

    fn push_left(&mut self, elapsed_s: f64, left: &Moments) {
        if [elapsed_s, left.mean].iter().all(|number| number.abs() < ABSURD) && left.count > 0 {
            self.moments.add(left);
            self.blocks.push(elapsed_s, [left.mean], left.count as f64);
        }
    }

    fn finish(self, bin_s: f64, midnight_s: f64, scale: bool) -> Option<Quantity> {
        let Moments { count, mean: average, squares: _, min, max } = self.moments;
        if count == 0 {
            return None;
        }
        let mut series = Series {
            count,
            mean: average,
            sd: self.moments.sd(),
            min,
            max,
            uncertainty: None,
            drift: None,
            day: None,
            allan: Vec::new(),
        };
        if !scale {
            return Some(Quantity { series, mean: None, rate: None });
        }
        let all = self.blocks.all().len();
        let (even, _) = self.blocks.coarse(blocks::MOST, &vec![false; all]);
        let uncertainty = mean::uncertainty(&even, 0);
        let rate = rate_of(&self.blocks);
        let (sane, length_s) = self.blocks.coarse(blocks::MOST, &super::wild::wild(self.blocks.all()));
        series.uncertainty = uncertainty.map(|uncertainty| uncertainty.error);
        series.drift = rate.as_ref().map(told);
        series.day = day::cycle(&sane, length_s, midnight_s);
        series.allan = deviations(self.bins, bin_s, rate.as_ref());
        let figure = |value, error, freedom| Figure { value, error, freedom };
        Some(Quantity {
            series,
            mean: uncertainty.map(|told| figure(average, told.error, told.freedom)),
            rate: rate.map(|rate| figure(HOUR_S * rate.per_s, HOUR_S * rate.error, rate.freedom)),
        })
    }
}

/// Allan deviations with their intervals and kinds of noise.
fn deviations(bins: Bins, bin_s: f64, rate: Option<&Rate>) -> Vec<Deviation> {
    let averaged = bins.finish();
    let alphas = noise::alphas(&averaged);
    averaged
        .iter()
        .zip(alphas)
        .map(|(averaged, alpha)| {
            let tau_s = averaged.m as f64 * bin_s;
            let (low, high) = quantile::deviation(freedom::freedom(averaged.m, averaged.count, alpha));
            // A steady drift has the deviation b·τ/√2 (SP 1065, 5.2.16).
            let drift = rate.map_or(0.0, |rate| rate.per_s * tau_s / std::f64::consts::SQRT_2);
            let drifts = 2.0 * drift * drift >= averaged.deviation * averaged.deviation && drift != 0.0;
            Deviation {
                tau_s,
                deviation: averaged.deviation,
                low: averaged.deviation * low,
                high: averaged.deviation * high,
                count: averaged.count,
                noise: if drifts { Noise::Drift } else { noise::kind(alpha) },
            }
        })
        .collect()
}

impl Quantity {
    /// The difference of the means: the other less this one; nothing where an uncertainty isn't known.
    #[must_use]
    pub fn means(&self, other: &Self) -> Option<Difference> {
        Some(difference(self.mean?, other.mean?))
    }

    /// The difference of the drifts, an hour.
    #[must_use]
    pub fn rates(&self, other: &Self) -> Option<Difference> {
        Some(difference(self.rate?, other.rate?))
    }
}

/// Rates rest on this many blocks at most.
const _: () = assert!(rate::MOST <= PAIRED && PAIRED <= blocks::MOST);
