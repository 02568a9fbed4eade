//! What holds of every series: what scaling, shifting, noise, outliers and steps may and may not change.

use proptest::prelude::*;

use super::tests::{Noise, coloured, grey, verdicts};
use super::*;

/// Light drawn by a property. Changes are in bands at the level.
#[derive(Clone, Debug)]
struct Scene {
    criteria: Criteria,
    level: f64,
    /// Drift, a hold.
    drift: f64,
    /// How far from its limit it starts, and the time constant in holds.
    approach: (f64, f64),
    /// Standard deviation.
    noise: f64,
    /// 64ths of a hold between readings, so that times are exact in binary.
    interval: u8,
    coloured: bool,
    seed: u64,
}

impl Scene {
    /// Flat light without noise, otherwise the same.
    fn still(&self) -> Self {
        Self { drift: 0.0, approach: (0.0, 1.0), noise: 0.0, ..self.clone() }
    }

    fn band(&self) -> f64 {
        self.criteria.luminance_band(self.level)
    }

    fn times(&self, holds: u32) -> impl Iterator<Item = f64> + use<> {
        let interval = self.criteria.hold_s * f64::from(self.interval) / 64.0;
        (0..holds * 64 / u32::from(self.interval)).map(move |index| f64::from(index) * interval)
    }

    fn readings(&self, holds: u32) -> Vec<Observation> {
        let mut noise = Noise(self.seed);
        let (distance, constant) = self.approach;
        let reading = |t: f64| {
            let held = t / self.criteria.hold_s;
            let bands = self.drift * held + distance * (-held / constant).exp() + self.noise * noise.normal();
            let y = self.level + bands * self.band();
            if self.coloured { coloured(t, y) } else { grey(t, y) }
        };
        self.times(holds).map(reading).collect()
    }
}

fn scene() -> impl Strategy<Value = Scene> {
    let criteria = (1e-3..1e-2, 0.0..5e-3, 0.0..2.0, prop_oneof![Just(30.0), Just(60.0), Just(64.0)]);
    let light = (0.1..1e3, -2.0..2.0, (-20.0..20.0, 0.1..4.0), prop_oneof![Just(0.0), 0.01..2.0]);
    let moves = (any::<bool>(), any::<bool>());
    (criteria, light, moves, (1_u8..5, any::<bool>(), 1_u64..1 << 40)).prop_map(
        |((luminance, floor, knee, hold_s), (level, drift, approach, noise), (drifts, nears), rest)| {
            let (interval, coloured, seed) = rest;
            let criteria = Criteria {
                luminance,
                luminance_floor_cd_m2: floor * level,
                chromaticity_knee_cd_m2: knee * level,
                hold_s,
                ..Criteria::default()
            };
            let drift = if drifts { drift } else { 0.0 };
            let approach = if nears { approach } else { (0.0, 1.0) };
            Scene { criteria, level, drift, approach, noise, interval, coloured, seed }
        },
    )
}

fn run(criteria: Criteria, started_s: f64, readings: &[Observation]) -> Vec<Change> {
    let mut engine = Engine::new(criteria, None, started_s);
    readings.iter().filter_map(|reading| engine.push(*reading)).collect()
}

/// When it is first said to have settled.
fn settles(scene: &Scene, holds: u32) -> Option<f64> {
    let mut engine = Engine::new(scene.criteria, None, 0.0);
    let mut changes = scene.readings(holds).into_iter().filter_map(|reading| engine.push(reading));
    changes.find(|change| change.verdict == Verdict::Settled).map(|change| change.t_s)
}

/// Cases of each property.
const CASES: u32 = 48;

proptest! {
    #![proptest_config(ProptestConfig { cases: CASES, max_global_rejects: 4 * CASES, ..ProptestConfig::default() })]

    /// Luminance in another unit, by a power of two, that is without rounding: only the unit of the value changes.
    ///
    /// Bands of at most 1 %: wider ones meet the allowance for a meter's own wander, which has a part in cd/m².
    #[test]
    fn the_unit_of_luminance_changes_nothing_but_the_unit_of_the_value(scene in scene(), power in -10..=10) {
        let factor = 2_f64.powi(power);
        let readings = scene.readings(12);
        let scaled: Vec<_> = readings.iter().map(|at| Observation { y: factor * at.y, ..*at }).collect();
        let criteria = Criteria {
            luminance_floor_cd_m2: factor * scene.criteria.luminance_floor_cd_m2,
            chromaticity_knee_cd_m2: factor * scene.criteria.chromaticity_knee_cd_m2,
            ..scene.criteria
        };
        let (plain, other) = (run(scene.criteria, 0.0, &readings), run(criteria, 0.0, &scaled));
        prop_assert_eq!(plain.len(), other.len());
        for (a, b) in plain.iter().zip(&other) {
            prop_assert_eq!((a.verdict, a.t_s), (b.verdict, b.t_s));
            let of = |change: &Change| change.value.map(|value| [value.y, value.y_u95, value.y_standard]);
            prop_assert_eq!(of(a).map(|numbers| numbers.map(|number| factor * number)), of(b));
            prop_assert_eq!(&a.evidence.luminance_drift, &b.evidence.luminance_drift);
            prop_assert_eq!(&a.evidence.failing, &b.evidence.failing);
        }
    }

    /// A clock that started earlier, by whole seconds: the verdicts come as much later.
    #[test]
    fn when_the_clock_began_changes_nothing_but_times(scene in scene(), shift in 0_u32..100_000_000) {
        let shift = f64::from(shift);
        let readings = scene.readings(12);
        let later: Vec<_> = readings.iter().map(|at| Observation { t_s: at.t_s + shift, ..*at }).collect();
        let (plain, other) = (run(scene.criteria, 0.0, &readings), run(scene.criteria, shift, &later));
        prop_assert_eq!(plain.len(), other.len());
        for (a, b) in plain.iter().zip(&other) {
            prop_assert_eq!((a.verdict, a.t_s + shift), (b.verdict, b.t_s));
            let (Some(a), Some(b)) = (a.value, b.value) else { continue };
            prop_assert!((a.y - b.y).abs() <= 1e-6 * a.y_u95 + 1e-12 * a.y.abs(), "{a:?} {b:?}");
            prop_assert!((a.y_u95 - b.y_u95).abs() <= 1e-6 * a.y_u95, "{a:?} {b:?}");
        }
    }

    #[test]
    fn nothing_settles_sooner_than_a_constant(scene in scene()) {
        let constant = settles(&scene.still(), 12).unwrap();
        let other = settles(&scene, 12);
        prop_assert!(other.is_none_or(|other| other >= constant), "{other:?} before {constant}");
    }

    /// Two requests on one meter: whatever the order in which they are given its readings, each decides as if alone.
    #[test]
    fn requests_that_take_turns_decide_as_if_alone(scene in scene(), hold_s in 10.0..120.0, turns in any::<u64>()) {
        let readings = scene.readings(12);
        let others = Criteria { hold_s, luminance: 0.002, ..scene.criteria };
        let alone = [run(scene.criteria, 0.0, &readings), run(others, 0.0, &readings)];
        let mut engines = [Engine::new(scene.criteria, None, 0.0), Engine::new(others, None, 0.0)];
        let mut changes = [Vec::new(), Vec::new()];
        let mut next = [0_usize; 2];
        let mut turn = turns;
        while next.iter().any(|&index| index < readings.len()) {
            turn = turn.rotate_left(7).wrapping_mul(0x9e37_79b9_7f4a_7c15);
            let which = usize::from(turn & 1 == 1);
            let which = if next[which] < readings.len() { which } else { 1 - which };
            changes[which].extend(engines[which].push(readings[next[which]]));
            next[which] += 1;
        }
        prop_assert_eq!(changes, alone);
    }

    /// Light whose noise is a third of a band at most: louder light is lost now and then without any outlier.
    #[test]
    fn an_outlier_among_settled_readings_changes_no_verdict(
        scene in scene(), at in 0.5..1.0, off in prop_oneof![-5.0..5.0, -1e3..1e3, -1e9..1e9]
    ) {
        let scene = Scene { drift: 0.3 * scene.drift, approach: (0.0, 1.0), noise: scene.noise.min(0.3), ..scene };
        let mut readings = scene.readings(12);
        let plain = run(scene.criteria, 0.0, &readings);
        prop_assume!(verdicts(&plain) == [Verdict::Settled]);
        let index = (at * (readings.len() - 1) as f64) as usize;
        prop_assume!(plain[0].t_s < readings[index].t_s);
        readings[index].y += off * scene.band();
        prop_assert_eq!(verdicts(&run(scene.criteria, 0.0, &readings)), [Verdict::Settled]);
    }

    /// Steps from twice as far as a band and six sigma, which the gate can't take for noise. Smaller ones are seen by their mean,
    /// later, and not always: see below.
    #[test]
    fn a_step_of_twice_a_band_and_six_sigma_is_lost_within_a_hold(
        scene in scene(), at in 0.5..0.9, more in prop_oneof![2.0..2.2, 2.0..20.0], up in any::<bool>()
    ) {
        let scene = Scene { drift: 0.0, approach: (0.0, 1.0), noise: scene.noise.min(0.3), ..scene };
        let mut readings = scene.readings(12);
        let plain = run(scene.criteria, 0.0, &readings);
        let from = at * 12.0 * scene.criteria.hold_s;
        prop_assume!(verdicts(&plain) == [Verdict::Settled] && plain[0].t_s < from);
        let size: f64 = more * (1.0 + 6.0 * scene.noise) * scene.band();
        for reading in readings.iter_mut().filter(|reading| reading.t_s >= from) {
            reading.y += if up { size } else { -size };
        }
        let changes = run(scene.criteria, 0.0, &readings);
        let lost = changes.iter().find(|change| change.verdict == Verdict::Lost).map(|change| change.t_s - from);
        prop_assert!(lost.is_some_and(|after| after > 0.0 && after <= scene.criteria.hold_s), "{lost:?}");
    }
}

/// A tenth more than a band and six sigma, at two hundred moments of the hold. It passes the gate, and where the confirmation of
/// once a hold comes soon after it, that may take a value half-way for the level, from which either half is within a band.
#[test]
fn a_step_of_little_more_than_a_band_and_six_sigma_is_lost_in_all_cases_but_one_in_a_hundred() {
    let (mut seen, mut missed) = (0, 0);
    for (noise, seed) in
        [0.02, 0.1, 0.3].into_iter().flat_map(|noise| (1..=200).map(move |seed| (noise, seed)))
    {
        let criteria = Criteria::default();
        let (drift, approach) = (0.0, (0.0, 1.0));
        let seed = 7919 * seed;
        let scene =
            Scene { criteria, level: 100.0, drift, approach, noise, interval: 4, coloured: false, seed };
        let mut readings = scene.readings(10);
        let from = criteria.hold_s * (5.0 + (seed % 97) as f64 / 97.0);
        for reading in readings.iter_mut().filter(|reading| reading.t_s >= from) {
            reading.y += 1.1 * (1.0 + 6.0 * noise) * scene.band();
        }
        let changes = run(criteria, 0.0, &readings);
        seen += 1;
        missed +=
            u32::from(!changes.iter().any(|change| change.verdict == Verdict::Lost && change.t_s > from));
    }
    assert_eq!(seen, 600);
    assert!(missed <= 6, "{missed} of {seen}");
}

/// Mean time to settle over forty seeds, the same for every noise: flat light, a drift of half a band and of most of one, approaches
/// with time constants of one and three holds.
///
/// From a fiftieth of a band on. With less, or with quicker approaches, the curve of an approach is most of what its line misses;
/// that is taken for noise with a long memory, and the light settles later than it would with a little more noise.
#[test]
fn more_noise_settles_no_sooner_on_average() {
    let lights =
        [(0.0, (0.0, 1.0)), (0.5, (0.0, 1.0)), (0.8, (0.0, 1.0)), (0.0, (10.0, 1.0)), (0.0, (-10.0, 3.0))];
    for (drift, approach) in lights {
        let mut before = 0.0;
        for noise in [0.02, 0.05, 0.1, 0.2, 0.4, 0.8, 1.6] {
            let scene = |seed: u64| Scene {
                criteria: Criteria::default(),
                level: 100.0,
                drift,
                approach,
                noise,
                interval: 2,
                coloured: false,
                seed: 7919 * seed,
            };
            let horizon = 40.0 * Criteria::default().hold_s;
            let sum: f64 = (1..=40_u64).map(|seed| settles(&scene(seed), 40).unwrap_or(horizon)).sum();
            assert!(
                sum >= before,
                "{drift} {approach:?} {noise}: {} s after {} s",
                sum / 40.0,
                before / 40.0
            );
            before = sum;
        }
    }
}
