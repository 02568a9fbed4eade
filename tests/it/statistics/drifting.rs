//! Drifts whose rate is known, in noise of every kind: how often the interval holds it, and how often two nights that are alike are
//! called different. Seeds are fixed; a share of 400 is known to a few per cent.

use rand_distr::{Distribution, Normal, Uniform};
use rand_pcg::Pcg64;
use settled::drift::Running;
use settled::drift::night::{Figures, Night, Taken};
use settled_protocol::statistics::Drift;

/// Nights of a kind.
const NIGHTS: u64 = 200;

/// A night, in s, and the drift in it, a second.
const NIGHT_S: f64 = 28_800.0;
const RATE: f64 = 2e-6;

/// Noise of a meter: 0.1 % of its reading.
const NOISE: f64 = 0.1;

/// Kinds of noise beside the meter's own.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Kind {
    None,
    /// As large again, and alike over two minutes.
    Alike,
    /// The room's heating: a sine of twenty minutes.
    Heating,
    /// A random walk of 0.01 from reading to reading.
    Walk,
    /// One reading of a hundred is twice what it should be.
    Wild,
    /// In the middle of the night the light is put up by 1.
    Step,
}

/// Readings some five seconds apart.
fn readings(kind: Kind, seed: u64) -> Vec<(f64, f64)> {
    let mut random = Pcg64::new(u128::from(seed), 7);
    let normal = Normal::new(0.0, 1.0).unwrap();
    let even = Uniform::new(0.0, 1.0).unwrap();
    let phase = std::f64::consts::TAU * even.sample(&mut random);
    let (mut t_s, mut alike, mut walk) = (0.0, 0.0, 0.0);
    let mut found = Vec::new();
    loop {
        let jitter: f64 = normal.sample(&mut random);
        let passed = 5.0 * (0.1 * jitter).exp();
        t_s += passed;
        if t_s > NIGHT_S {
            return found;
        }
        let noise = |random: &mut Pcg64| -> f64 { normal.sample(random) };
        let mut value = 100.0 + RATE * t_s + NOISE * noise(&mut random);
        match kind {
            Kind::None => {}
            Kind::Alike => {
                let kept = (-passed / 120.0).exp();
                alike = kept * alike + NOISE * (1.0 - kept * kept).sqrt() * noise(&mut random);
                value += alike;
            }
            Kind::Heating => value += NOISE * (std::f64::consts::TAU * t_s / 1200.0 + phase).sin(),
            Kind::Walk => {
                walk += 0.01 * noise(&mut random);
                value += walk;
            }
            Kind::Wild if even.sample(&mut random) < 0.01 => value *= 2.0,
            Kind::Wild => {}
            Kind::Step => value += if t_s > NIGHT_S / 2.0 { 1.0 } else { 0.0 },
        }
        found.push((t_s, value));
    }
}

/// Ten readings in a row each quarter of an hour, as a night is measured that spares the panel or the meter.
fn bursts(kind: Kind, seed: u64) -> Vec<(f64, f64)> {
    let in_burst = |(t_s, _): &(f64, f64)| t_s % 900.0 < 50.0;
    readings(kind, seed).into_iter().filter(in_burst).collect()
}

/// A night as the log's statistics take it.
fn summed(kind: Kind, seed: u64) -> Figures {
    of(readings(kind, seed))
}

fn of(readings: Vec<(f64, f64)>) -> Figures {
    let mut night = Night::new(10.0);
    for (elapsed_s, value) in readings {
        night.push(&Taken { elapsed_s, value, ..Taken::default() });
    }
    night.finish(0.0, true)
}

/// Shares of nights whose interval holds the rate, which give a caution, and which are told apart from another of their kind; and the
/// median of half of the interval, an hour.
fn scored(kind: Kind) -> (f64, f64, f64, f64) {
    let (held, cautioned, differ, halves) = scored_all(|seed| summed(kind, seed));
    (held, cautioned, differ, halves[halves.len() / 2])
}

/// The same, with half of each interval, the smallest first.
fn scored_all(night: impl Fn(u64) -> Figures) -> (f64, f64, f64, Vec<f64>) {
    let nights: Vec<_> = (0..NIGHTS).map(|seed| night(seed).value.unwrap()).collect();
    let drifts: Vec<&Drift> = nights.iter().map(|night| night.series.drift.as_ref().unwrap()).collect();
    let share = |count: usize, of: usize| count as f64 / of as f64;
    let holds = |drift: &&&Drift| (drift.low_per_h..=drift.high_per_h).contains(&(3600.0 * RATE));
    let held = share(drifts.iter().filter(holds).count(), drifts.len());
    let cautioned = share(drifts.iter().filter(|drift| drift.caution.is_some()).count(), drifts.len());
    let pairs: Vec<bool> = nights.windows(2).map(|two| two[0].rates(&two[1]).unwrap().differs).collect();
    let differ = share(pairs.iter().filter(|differs| **differs).count(), pairs.len());
    let mut halves: Vec<f64> =
        drifts.iter().map(|drift| (drift.high_per_h - drift.low_per_h) / 2.0).collect();
    halves.sort_by(f64::total_cmp);
    (held, cautioned, differ, halves)
}

#[test]
fn the_interval_of_a_drift_holds_its_rate_and_nights_that_are_alike_are_called_so() {
    let (held, cautioned, differ, plain) = scored(Kind::None);
    assert!(held >= 0.93 && differ <= 0.06 && cautioned <= 0.02, "white: {held} {differ} {cautioned}");
    let (held, cautioned, differ, _) = scored(Kind::Alike);
    assert!(held >= 0.93 && differ <= 0.06 && cautioned <= 0.05, "AR(1): {held} {differ} {cautioned}");
    // What comes and goes makes it careful: wider, and never wrong.
    let (held, _, differ, _) = scored(Kind::Heating);
    assert!(held >= 0.99 && differ <= 0.01, "heating: {held} {differ}");
    // One wild reading in a hundred costs a tenth of the precision at most, where least squares lose all of it.
    let (held, _, differ, half) = scored(Kind::Wild);
    assert!(held >= 0.93 && differ <= 0.06 && half < 1.1 * plain, "wild: {held} {differ} {half} {plain}");
}

#[test]
fn a_night_of_bursts_is_known_as_well_as_its_readings_allow_and_a_walk_is_mostly_seen_in_it() {
    let (held, cautioned, differ, halves) = scored_all(|seed| of(bursts(Kind::None, seed)));
    assert!(held >= 0.93 && differ <= 0.08 && cautioned <= 0.02, "white: {held} {differ} {cautioned}");
    // Neighbours that are alike by chance widen an interval, but by no orders of magnitude.
    let (usual, widest) = (halves[halves.len() / 2], halves[halves.len() - 1]);
    assert!(widest < 6.0 * usual, "{usual} {widest}");
    let (held, cautioned, _, _) = scored_all(|seed| of(bursts(Kind::Walk, seed)));
    // Thirty-two points don't always show one.
    assert!(held >= 0.80 && cautioned >= 0.65, "a walk: {held} {cautioned}");
}

#[test]
fn a_random_walk_is_said_to_be_none_that_can_be_told_from_a_drift() {
    let (held, cautioned, differ, _) = scored(Kind::Walk);
    assert!(cautioned >= 0.95, "{cautioned}");
    // Its interval is that of a walk, so that it holds all the same.
    assert!(held >= 0.90 && differ <= 0.09, "{held} {differ}");
    let drift = summed(Kind::Walk, 1).value.unwrap().series.drift.unwrap();
    assert!(drift.caution.unwrap().contains("random walk"));
}

#[test]
fn a_step_in_the_night_is_no_drift() {
    let (held, cautioned, differ, half) = scored(Kind::Step);
    assert!(held >= 0.93 && differ <= 0.06, "{held} {differ}");
    assert_eq!(cautioned, 1.0);
    // A line through it all would rise by 1.5 in the night, 0.19 an hour.
    assert!(half < 0.01, "{half}");
}

#[test]
fn a_drift_so_far_is_the_drift_of_the_whole() {
    let mut running = Running::new();
    assert_eq!(running.drift(), None);
    for (t_s, value) in readings(Kind::None, 3) {
        running.push(t_s, value);
        running.push(f64::NAN, value);
        running.push(t_s, f64::INFINITY);
    }
    let whole = summed(Kind::None, 3).value.unwrap().series.drift;
    assert_eq!(running.drift(), whole);
}

/// Readings a minute apart for some days: level, drift, a sine of a day, noise, and a temperature that moves the light.
fn days(days: f64, amplitude: f64, seed: u64) -> Figures {
    let mut random = Pcg64::new(u128::from(seed), 9);
    let normal = Normal::new(0.0, 1.0).unwrap();
    let mut noise = || -> f64 { normal.sample(&mut random) };
    let mut night = Night::new(60.0);
    let mut minute = 0.0;
    while minute < days * 1440.0 {
        let elapsed_s = 60.0 * minute;
        let warmer = (std::f64::consts::TAU * elapsed_s / 7200.0).sin() + 0.1 * noise();
        // Highest six hours after the beginning.
        let day = amplitude * (std::f64::consts::TAU * (elapsed_s / 86_400.0 - 0.25)).cos();
        let value = 100.0 + 1e-7 * elapsed_s + day - 0.05 * warmer + 0.1 * noise();
        night.push(&Taken { elapsed_s, value, uv: None, temperature_c: Some(31.0 + warmer) });
        minute += 1.0;
    }
    // The first reading was at 20:30 UTC.
    night.finish(20.5 * 3600.0, true)
}

#[test]
fn what_comes_again_each_day_is_told_from_two_days_on_with_its_interval() {
    assert_eq!(days(1.9, 0.3, 1).value.unwrap().series.day, None);
    let (mut held, mut found) = (0, 0);
    for seed in 0..40 {
        let day = days(3.0, 0.3, seed).value.unwrap().series.day.unwrap();
        held += usize::from((day.low..=day.high).contains(&0.3));
        assert!((day.crest_h - 2.5).abs() < 0.5, "{day:?}");
        found += usize::from(days(2.0, 0.0, seed).value.unwrap().series.day.unwrap().low > 0.0);
    }
    assert!(held >= 36, "{held} of 40");
    assert!(found <= 4, "{found} of 40 where there is none");
}

#[test]
fn how_the_light_goes_with_the_meters_temperature_is_told_with_its_interval() {
    let mut held = 0;
    for seed in 0..20 {
        let figures = days(1.0, 0.0, seed);
        let with = figures.with_temperature.unwrap();
        assert!((with.per_k + 0.05).abs() < 0.01, "{with:?}");
        assert!(with.low <= with.correlation && with.correlation <= with.high && with.high < 0.0, "{with:?}");
        held += usize::from(figures.temperature_c.unwrap().series.allan.len() > 5);
    }
    assert_eq!(held, 20);
}
