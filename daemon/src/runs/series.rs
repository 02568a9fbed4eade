//! What a run has seen, in bounded memory. Pure.
//!
//! Readings go into the drifts of `daemon/src/drift`, on the same axis and one by one, so that what a run tells of its drift is what
//! `log.statistics` tells of its readings. Points, the means of bursts, tell how noisy a point is.

use settled_protocol::reading::Reading;
use settled_protocol::statistics::Drift;

use crate::drift::axis::Axis;
use crate::drift::{Running, Went};
use crate::settle::student;

/// One point.
#[derive(Clone, Copy, Debug)]
pub(super) struct Observed {
    /// Luminance or illuminance.
    pub(super) y: f64,
    /// u′ and v′.
    pub(super) uv: Option<[f64; 2]>,
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

/// The mean of a stretch.
#[derive(Clone, Copy, Debug)]
pub(super) struct Mean {
    /// The mean.
    pub(super) mean: f64,
    /// Points that it is of, in parts of one where bursts are many readings.
    pub(super) count: f64,
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

    fn points(&self) -> f64 {
        self.count + if self.last.is_some() { 1.0 } else { 0.0 }
    }
}

/// One quantity: its readings, and the noise of its points.
#[derive(Clone, Debug, Default)]
struct Track {
    readings: Running,
    noise: Noise,
}

/// What one run has seen.
#[derive(Clone, Debug, Default)]
pub(super) struct Series {
    axis: Axis,
    /// The boot of the latest reading, and how many there were before it.
    boot: Option<String>,
    boots: i64,
    value: Track,
    u: Track,
    v: Track,
}

impl Series {
    /// Takes a reading of light; they come in the order in which they were taken.
    pub(super) fn take(&mut self, reading: &Reading) {
        if self.boot.as_ref() != Some(&reading.boot) {
            self.boot = Some(reading.boot.clone());
            self.boots += 1;
        }
        let t_s = self.axis.elapsed_s(self.boots, reading.t_s, reading.at.unix_ns());
        let uv = reading.light.chromaticity().map(|colour| [colour.u_prime(), colour.v_prime()]);
        self.saw(t_s, reading.light.value(), uv);
    }

    fn saw(&mut self, t_s: f64, y: f64, uv: Option<[f64; 2]>) {
        self.value.readings.push(t_s, y);
        if let Some([u, v]) = uv {
            self.u.readings.push(t_s, u);
            self.v.readings.push(t_s, v);
        }
    }

    /// Takes the point that a burst of readings comes to.
    pub(super) fn point(&mut self, Observed { y, uv }: Observed) {
        self.value.noise.push(y);
        if let Some([u, v]) = uv {
            self.u.noise.push(u);
            self.v.noise.push(v);
        }
    }

    fn of(&self, of: Of) -> &Track {
        match of {
            Of::Value => &self.value,
            Of::U => &self.u,
            Of::V => &self.v,
        }
    }

    /// Points that have the quantity.
    pub(super) fn points(&self, of: Of) -> f64 {
        self.of(of).noise.points()
    }

    /// Means over equal spans of time, those that have the quantity.
    pub(super) fn means(&self, of: Of) -> Vec<Mean> {
        let Track { readings, noise } = self.of(of);
        let total: f64 = readings.means().map(|(_, count)| count).sum();
        let share = noise.points() / total;
        readings.means().map(|(mean, count)| Mean { mean, count: count * share }).collect()
    }

    /// Standard deviation of single points, and its degrees of freedom; nothing for a single one.
    pub(super) fn noise(&self, of: Of) -> Option<(f64, f64)> {
        let Noise { squares, count, .. } = self.of(of).noise;
        // Differences of neighbours share points: some two thirds of them count (von Neumann's statistic has 2/3 of the efficiency).
        (count > 0.0).then(|| ((squares / (2.0 * count)).sqrt(), (count * 2.0 / 3.0).max(1.0)))
    }

    /// How far a quantity went from the first reading to the last, by the line through them; nothing where there are too few.
    pub(super) fn went(&self, of: Of) -> Option<Went> {
        self.of(of).readings.went()
    }

    /// The mean of all readings: what its drift is told as a share of. Nothing where there is none.
    pub(super) fn mean(&self) -> Option<f64> {
        let means = self.value.readings.means();
        let (sum, count) =
            means.fold((0.0, 0.0), |(sum, all), (mean, count)| (sum + mean * count, all + count));
        (count > 0.0).then(|| sum / count)
    }

    /// The drift of luminance, with the interval that holds it with 95 %.
    pub(super) fn drift(&self) -> Option<Drift> {
        self.value.readings.drift()
    }

    /// A point of one reading.
    #[cfg(test)]
    pub(super) fn push(&mut self, t_s: f64, y: f64, uv: Option<[f64; 2]>) {
        self.saw(t_s, y, uv);
        self.point(Observed { y, uv });
    }
}

#[cfg(test)]
pub(super) mod normal {
    //! Noise that is the same in every run of a test.

    /// Normal deviates: Box and Muller's (1958), from Marsaglia's xorshift64 (2003).
    pub(in crate::runs) struct Normal(u64);

    impl Normal {
        pub(in crate::runs) fn seeded(seed: u64) -> Self {
            Self(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1)
        }

        fn uniform(&mut self) -> f64 {
            self.0 ^= self.0 << 13;
            self.0 ^= self.0 >> 7;
            self.0 ^= self.0 << 17;
            ((self.0 >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
        }

        pub(in crate::runs) fn next(&mut self) -> f64 {
            (-2.0 * self.uniform().ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::normal::Normal;
    use super::*;

    fn series(count: usize, of: impl Fn(f64) -> f64) -> Series {
        let mut series = Series::default();
        for index in 0..count {
            let t_s = 60.0 * index as f64;
            series.push(t_s, of(t_s), None);
        }
        series
    }

    #[test]
    fn a_line_comes_out_as_it_went_in_however_many_points_there_are() {
        for count in [5, 1023, 1024, 1025, 43_200] {
            let series = series(count, |t_s| 100.0 - t_s / 3600.0);
            let drift = series.drift().unwrap();
            assert!((drift.per_h + 1.0).abs() < 1e-6, "{count}: {drift:?}");
            let middle = 100.0 - (count as f64 - 1.0) / 120.0;
            assert!((series.mean().unwrap() - middle).abs() < 1e-6, "{count}: {:?}", series.mean());
            let went = series.went(Of::Value).unwrap();
            assert!((went.by + (count as f64 - 1.0) / 60.0).abs() < 1e-6, "{count}: {went:?}");
        }
        assert!(series(4, |t_s| t_s).drift().is_none());
    }

    #[test]
    fn a_stretch_counts_as_many_points_as_its_readings_are_of() {
        let mut series = Series::default();
        for index in 0..50 {
            series.saw(f64::from(index), 100.0, None);
            if index % 5 == 4 {
                series.point(Observed { y: 100.0, uv: None });
            }
        }
        let counts: f64 = series.means(Of::Value).iter().map(|mean| mean.count).sum();
        assert!((counts - 10.0).abs() < 1e-9, "{counts}");
        assert!(series.means(Of::U).is_empty());
    }

    #[test]
    fn a_drift_hardly_counts_as_noise() {
        let mut random = Normal::seeded(3);
        let mut series = Series::default();
        for index in 0..2000 {
            series.push(f64::from(index), 0.05 * f64::from(index) + random.next(), None);
        }
        let (noise, _) = series.noise(Of::Value).unwrap();
        assert!((noise - 1.0).abs() < 0.06, "{noise}");
    }
}
