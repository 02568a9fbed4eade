//! How often a stability run's verdict is right, of runs that were simulated: one noisy reading a point, as who asks for no burst has it.

use settled_protocol::time::Timestamp;

use super::super::series::normal::Normal;
use super::*;

/// Runs of each kind.
const RUNS: u64 = 400;

/// Points of a run: half a minute of an exposure of 0.2 s.
const POINTS: usize = 140;

/// What noise does from one point to the next.
#[derive(Clone, Copy)]
enum Noise {
    White,
    /// Alike: each has so much of the one before.
    Alike(f64),
}

/// The share of runs that say that the light left its bands, of light that moves as said beside where it began, from 0 to 1 of its time.
fn moved(confidence: f64, noise: Noise, at: impl Fn(f64) -> f64) -> f64 {
    let criteria = Criteria { confidence, ..Criteria::default() };
    let found = (1..=RUNS).filter(|seed| {
        let mut random = Normal::seeded(*seed);
        let mut series = Series::default();
        let (mut first, mut last) = (None, 0.0);
        for index in 0..POINTS {
            last = match noise {
                Noise::White => random.next(),
                Noise::Alike(share) => share * last + (1.0 - share * share).sqrt() * random.next(),
            };
            // Noise of 0.2 %: that of two readings takes most of the band of 0.5 %.
            let light = 300.0 * (1.0 + at(index as f64 / (POINTS - 1) as f64)) * (1.0 + 0.002 * last);
            series.push(0.22 * index as f64, light, None);
            first.get_or_insert(light);
        }
        let reference =
            RunPoint { at: Timestamp::from_unix_ns(0), value: first.unwrap(), chromaticity: None, count: 1 };
        super::verdict(RunKind::Stability, &series, Some(&reference), &criteria, 0.0).verdict
            == RunVerdict::Beyond
    });
    found.count() as f64 / RUNS as f64
}

#[test]
fn still_light_is_hardly_ever_called_moved_however_noisy_its_readings_are() {
    for noise in [Noise::White, Noise::Alike(0.5), Noise::Alike(0.8)] {
        let called = moved(0.95, noise, |_| 0.0);
        assert!(called < 0.01, "{called}");
    }
}

#[test]
fn light_that_moved_by_twice_its_band_is_mostly_called_so_though_its_first_reading_is_noisy() {
    let courses: [fn(f64) -> f64; 3] =
        [|at| 0.01 * at, |at| -0.01 * at, |at| if at < 0.5 { 0.0 } else { 0.01 }];
    for (which, course) in courses.into_iter().enumerate() {
        let called = moved(0.99, Noise::White, course);
        assert!(called >= 0.94, "{which}: {called}");
    }
}

#[test]
fn light_at_the_edge_of_its_band_is_called_moved_no_more_often_than_its_confidence_allows() {
    let courses: [fn(f64) -> f64; 5] = [
        |at| 0.005 * at,
        |at| if at < 0.5 { 0.0 } else { 0.005 },
        // As one that settles, as one that dips as it begins and comes back, and as one that swings.
        |at| 0.005 * (1.0 - (-5.0 * at).exp()),
        |at| if at < 0.15 { -0.005 * (at / 0.15) } else { -0.005 + 0.01 * (at - 0.15) / 0.85 },
        |at| 0.005 * (20.0 * at).sin(),
    ];
    for (which, course) in courses.into_iter().enumerate() {
        let called = moved(0.95, Noise::White, course);
        assert!(called <= 0.05, "{which}: {called}");
    }
}
