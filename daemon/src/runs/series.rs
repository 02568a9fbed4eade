//! The points of a run in bounded memory, and the line through them. Pure.
//!
//! Points are averaged into at most [`MOST`] bins of equal number; where there are more, neighbours are put together. A line by least
//! squares tells the drift. Neighbouring bins may be alike: the variance of the slope is (1 + ρ)/(1 − ρ) times that of independent ones,
//! with ρ the correlation of neighbouring residuals (common practice for a first-order autoregression; as in daemon/SETTLING.md).

use settled_protocol::statistics::Drift;

use crate::settle::student;

/// Bins that are kept: 24 kB a run.
const MOST: usize = 512;

/// The highest correlation that is counted: beyond it there is next to no evidence at all.
const MOST_ALIKE: f64 = 0.97;

/// Bins that a line takes: two would fit without saying anything.
const LEAST: usize = 3;

/// Independent bins below which an interval is not to be trusted.
const FEW: f64 = 6.0;

/// One point.
#[derive(Clone, Copy, Debug)]
pub(super) struct Observed {
    /// At its middle, in s from the run's beginning.
    pub(super) t_s: f64,
    /// Luminance or illuminance.
    pub(super) y: f64,
    /// u′ and v′.
    pub(super) uv: Option<[f64; 2]>,
}

/// Points put together: sums.
#[derive(Clone, Copy, Debug, Default)]
struct Bin {
    count: f64,
    t_s: f64,
    y: f64,
    coloured: f64,
    uv: [f64; 2],
}

impl Bin {
    fn add(&mut self, other: &Self) {
        self.count += other.count;
        self.t_s += other.t_s;
        self.y += other.y;
        self.coloured += other.coloured;
        for (sum, part) in self.uv.iter_mut().zip(other.uv) {
            *sum += part;
        }
    }
}

/// A quantity of a point.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Of {
    /// Luminance or illuminance.
    Value,
    /// u′.
    U,
    /// v′.
    V,
}

impl Of {
    fn bin(self, bin: &Bin) -> Option<Mean> {
        let (count, sum) = match self {
            Self::Value => (bin.count, bin.y),
            Self::U => (bin.coloured, bin.uv[0]),
            Self::V => (bin.coloured, bin.uv[1]),
        };
        (count > 0.0).then(|| Mean { t_s: bin.t_s / bin.count, mean: sum / count, count })
    }

    fn point(self, point: &Observed) -> Option<f64> {
        match self {
            Self::Value => Some(point.y),
            Self::U => point.uv.map(|[u, _]| u),
            Self::V => point.uv.map(|[_, v]| v),
        }
    }
}

/// The mean of one bin.
#[derive(Clone, Copy, Debug)]
pub(super) struct Mean {
    /// Its middle, in s.
    pub(super) t_s: f64,
    /// The mean.
    pub(super) mean: f64,
    /// Points that it is of.
    pub(super) count: f64,
}

/// A rate of change, and how sure it is.
#[derive(Clone, Copy, Debug)]
pub(super) struct Slope {
    /// A second.
    pub(super) per_s: f64,
    /// Its standard error.
    pub(super) error: f64,
    /// Degrees of freedom of that.
    pub(super) freedom: f64,
}

impl Slope {
    /// Half of the interval that holds the rate with a one-sided confidence.
    pub(super) fn half(&self, confidence: f64) -> f64 {
        quantile(confidence, self.freedom) * self.error
    }
}

/// The quantile of Student's t, with degrees of freedom rounded down.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "held to what there is")]
pub(super) fn quantile(probability: f64, freedom: f64) -> f64 {
    /// From here on the normal's within 0.1 %.
    const MOST: f64 = 1000.0;
    student::quantile(freedom.clamp(1.0, MOST) as usize, probability.clamp(0.5, 1.0 - 1e-9))
}

/// Noise of single points, from the differences of neighbours (von Neumann 1941): a drift hardly counts in it.
#[derive(Clone, Copy, Debug, Default)]
struct Noise {
    last: Option<f64>,
    squares: f64,
    count: f64,
}

impl Noise {
    fn push(&mut self, value: f64) {
        if let Some(last) = self.last.replace(value) {
            self.squares += (value - last) * (value - last);
            self.count += 1.0;
        }
    }
}

/// The points of one run.
#[derive(Clone, Debug)]
pub(super) struct Series {
    bins: Vec<Bin>,
    /// Points that a bin takes.
    each: f64,
    span: Option<(f64, f64)>,
    noise: [Noise; 3],
}

impl Default for Series {
    fn default() -> Self {
        Self { bins: Vec::new(), each: 1.0, span: None, noise: [Noise::default(); 3] }
    }
}

impl Series {
    pub(super) fn push(&mut self, point: Observed) {
        for (noise, of) in self.noise.iter_mut().zip([Of::Value, Of::U, Of::V]) {
            if let Some(value) = of.point(&point) {
                noise.push(value);
            }
        }
        self.span = Some((self.span.map_or(point.t_s, |(first_s, _)| first_s), point.t_s));
        let coloured = if point.uv.is_some() { 1.0 } else { 0.0 };
        let one = Bin { count: 1.0, t_s: point.t_s, y: point.y, coloured, uv: point.uv.unwrap_or_default() };
        match self.bins.last_mut() {
            Some(last) if last.count < self.each => last.add(&one),
            _ => {
                if self.bins.len() == MOST {
                    self.halve();
                }
                self.bins.push(one);
            }
        }
    }

    fn halve(&mut self) {
        let pairs = self.bins.chunks(2).map(|pair| {
            let mut sum = Bin::default();
            pair.iter().for_each(|bin| sum.add(bin));
            sum
        });
        self.bins = pairs.collect();
        self.each *= 2.0;
    }

    /// From the first point to the last, in s.
    pub(super) fn span_s(&self) -> f64 {
        self.span.map_or(0.0, |(first_s, last_s)| last_s - first_s)
    }

    /// The means of the bins that have the quantity.
    pub(super) fn means(&self, of: Of) -> Vec<Mean> {
        self.bins.iter().filter_map(|bin| of.bin(bin)).collect()
    }

    /// Standard deviation of single points, and its degrees of freedom; nothing for a single one.
    pub(super) fn noise(&self, of: Of) -> Option<(f64, f64)> {
        let [value, u, v] = &self.noise;
        let noise = match of {
            Of::Value => value,
            Of::U => u,
            Of::V => v,
        };
        // Differences of neighbours share points: some two thirds of them count (von Neumann's statistic has 2/3 of the efficiency).
        (noise.count > 0.0)
            .then(|| ((noise.squares / (2.0 * noise.count)).sqrt(), (noise.count * 2.0 / 3.0).max(1.0)))
    }

    /// The line through a quantity; nothing where there are too few points.
    pub(super) fn slope(&self, of: Of) -> Option<Slope> {
        let means = self.means(of);
        if means.len() < LEAST {
            return None;
        }
        let total: f64 = means.iter().map(|bin| bin.count).sum();
        let weigh =
            |value: fn(&Mean) -> f64| means.iter().map(|bin| bin.count * value(bin)).sum::<f64>() / total;
        let (t_s, mean) = (weigh(|bin| bin.t_s), weigh(|bin| bin.mean));
        let spread: f64 = means.iter().map(|bin| bin.count * (bin.t_s - t_s).powi(2)).sum();
        let along: f64 = means.iter().map(|bin| bin.count * (bin.t_s - t_s) * (bin.mean - mean)).sum();
        let per_s = along / spread;
        let rests: Vec<f64> = means.iter().map(|bin| bin.mean - mean - per_s * (bin.t_s - t_s)).collect();
        let squares: f64 = rests.iter().map(|rest| rest * rest).sum();
        let neighbours: f64 = rests.iter().zip(rests.iter().skip(1)).map(|(one, next)| one * next).sum();
        let alike = (neighbours / squares).clamp(0.0, MOST_ALIKE);
        let alike = if alike.is_finite() { alike } else { 0.0 };
        let variance: f64 = means.iter().zip(&rests).map(|(bin, rest)| bin.count * rest * rest).sum::<f64>()
            / (means.len() as f64 - 2.0);
        let error = (variance / spread * (1.0 + alike) / (1.0 - alike)).sqrt();
        let freedom = (means.len() as f64 * (1.0 - alike) / (1.0 + alike) - 2.0).max(1.0);
        (per_s.is_finite() && error.is_finite()).then_some(Slope { per_s, error, freedom })
    }

    /// The drift of luminance, with the interval that holds it with 95 %.
    pub(super) fn drift(&self) -> Option<Drift> {
        const HOUR_S: f64 = 3600.0;
        let slope = self.slope(Of::Value)?;
        let half = slope.half(0.975);
        let few = "neighbouring points are so alike, or so few, that the interval can't be trusted";
        Some(Drift {
            per_h: slope.per_s * HOUR_S,
            low_per_h: (slope.per_s - half) * HOUR_S,
            high_per_h: (slope.per_s + half) * HOUR_S,
            caution: (slope.freedom < FEW).then(|| few.to_owned()),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Normal deviates: Box and Muller's (1958), from Marsaglia's xorshift64 (2003).
    struct Normal(u64);

    impl Normal {
        fn uniform(&mut self) -> f64 {
            self.0 ^= self.0 << 13;
            self.0 ^= self.0 >> 7;
            self.0 ^= self.0 << 17;
            ((self.0 >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
        }

        fn next(&mut self) -> f64 {
            (-2.0 * self.uniform().ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
        }
    }

    fn series(count: usize, of: impl Fn(f64) -> f64) -> Series {
        let mut series = Series::default();
        for index in 0..count {
            let t_s = 60.0 * index as f64;
            series.push(Observed { t_s, y: of(t_s), uv: None });
        }
        series
    }

    #[test]
    fn a_line_comes_out_as_it_went_in_however_many_points_there_are() {
        for count in [3, 511, 512, 513, 43_200] {
            let series = series(count, |t_s| 100.0 - t_s / 3600.0);
            let drift = series.drift().unwrap();
            assert!((drift.per_h + 1.0).abs() < 1e-6, "{count}: {drift:?}");
            assert!(
                series.bins.len() <= MOST && (series.span_s() - 60.0 * (count as f64 - 1.0)).abs() < 1e-6
            );
        }
        assert!(series(2, |t_s| t_s).drift().is_none());
    }

    #[test]
    fn the_interval_holds_the_rate_about_as_often_as_it_says_though_neighbours_are_alike() {
        let mut random = Normal(7);
        let held = (0..400)
            .filter(|_| {
                let (mut wander, mut series) = (0.0, Series::default());
                for index in 0..400 {
                    wander = 0.6 * wander + random.next();
                    let t_s = 60.0 * f64::from(index);
                    series.push(Observed { t_s, y: 100.0 + t_s / 3600.0 + wander, uv: None });
                }
                let drift = series.drift().unwrap();
                (drift.low_per_h..drift.high_per_h).contains(&1.0)
            })
            .count();
        // 95 % of 400 is 380; the correlation is estimated a little low, so it holds a little less often.
        assert!((360..=396).contains(&held), "{held} of 400");
    }

    #[test]
    fn a_drift_hardly_counts_as_noise() {
        let mut random = Normal(3);
        let mut series = Series::default();
        for index in 0..2000 {
            let y = 0.05 * f64::from(index) + random.next();
            series.push(Observed { t_s: f64::from(index), y, uv: None });
        }
        let (noise, _) = series.noise(Of::Value).unwrap();
        assert!((noise - 1.0).abs() < 0.06, "{noise}");
    }
}
