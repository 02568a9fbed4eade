use proptest::prelude::*;

use super::*;

/// White noise with a standard deviation of 1: SplitMix64's finaliser, then Box and Muller 1958.
fn noise(seed: u64, index: u64) -> f64 {
    let mix = |mut bits: u64| {
        bits = (bits ^ (bits >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        bits = (bits ^ (bits >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        bits ^ (bits >> 31)
    };
    let uniform = |bits: u64| ((bits >> 11) as f64 + 0.5) / (1_u64 << 53) as f64;
    let key = mix(mix(seed + 1) ^ (index + 1).wrapping_mul(0x9e37_79b9_7f4a_7c15));
    (-2.0 * uniform(key).ln()).sqrt() * (std::f64::consts::TAU * uniform(mix(key ^ seed))).cos()
}

fn observation(t_s: f64, y: f64) -> Observation {
    Observation { t_s, integration_s: None, y, uv: Some([0.1978, 0.4683]) }
}

/// The verdicts of a series of one reading a second, with their times.
fn verdicts(criteria: Criteria, seconds: u32, y: impl Fn(f64, u64) -> f64) -> Vec<(f64, Verdict)> {
    let mut engine = Engine::new(criteria, None, 0.0);
    let pushed = (0..seconds).filter_map(|index| {
        let t_s = f64::from(index);
        engine.push(observation(t_s, y(t_s, u64::from(index)))).map(|verdict| (t_s, verdict))
    });
    pushed.collect()
}

#[test]
fn a_steady_light_settles_within_a_hold() {
    let found = verdicts(Criteria::default(), 600, |_, index| 100.0 + 0.02 * noise(1, index));
    assert_eq!(found.len(), 1, "{found:?}");
    assert!(matches!(found[0], (t_s, Verdict::Settled) if t_s <= 60.0), "{found:?}");
}

#[test]
fn a_ramp_above_the_band_never_settles_and_is_called_so() {
    // Two bands a hold, for ever.
    let found = verdicts(Criteria::default(), 3600, |t, index| 100.0 + t / 60.0 + 0.02 * noise(2, index));
    assert!(matches!(found.as_slice(), [(_, Verdict::WontSettle)]), "{found:?}");
}

#[test]
fn a_drift_below_the_band_is_settled() {
    let found =
        verdicts(Criteria::default(), 900, |t, index| 100.0 + 0.5 * 0.5 * t / 60.0 + 0.02 * noise(3, index));
    assert!(matches!(found.first(), Some((_, Verdict::Settled))), "{found:?}");
}

#[test]
fn a_step_is_noticed_within_seconds_and_an_outlier_is_not_a_step() {
    let step = verdicts(
        Criteria::default(),
        400,
        |t, index| if t < 200.0 { 100.0 } else { 90.0 } + 0.02 * noise(4, index),
    );
    let kinds: Vec<Verdict> = step.iter().map(|(_, verdict)| *verdict).collect();
    assert_eq!(kinds, [Verdict::Settled, Verdict::Lost, Verdict::Settled]);
    assert!((200.0..210.0).contains(&step[1].0), "{step:?}");
    let outlier = verdicts(
        Criteria::default(),
        400,
        |t, index| if t == 200.0 { 50.0 } else { 100.0 } + 0.02 * noise(5, index),
    );
    assert_eq!(outlier.len(), 1);
}

#[test]
fn noise_that_hides_the_answer_is_said_to() {
    let found = verdicts(Criteria::default(), 3600, |_, index| 0.01 + 0.02 * noise(6, index));
    assert!(matches!(found.as_slice(), [(_, Verdict::NoiseLimited), ..]), "{found:?}");
}

#[test]
fn a_drift_of_chromaticity_alone_keeps_it_from_settling() {
    let mut engine = Engine::new(Criteria::default(), None, 0.0);
    for index in 0..900_u32 {
        let t_s = f64::from(index);
        let drift = 0.001 * t_s / 60.0;
        let uv = Some([0.1978 + drift + 1e-5 * noise(7, u64::from(index)), 0.4683]);
        let verdict = engine.push(Observation {
            t_s,
            integration_s: None,
            y: 100.0 + 0.01 * noise(8, u64::from(index)),
            uv,
        });
        assert_ne!(verdict, Some(Verdict::Settled));
    }
    assert!(engine.standing().evidence.failing.contains(&Test::ChromaticityDrift));
}

#[test]
fn light_without_colour_is_judged_on_luminance_and_says_so() {
    let mut engine = Engine::new(Criteria::default(), None, 0.0);
    let settled = (0..120_u32).any(|index| {
        let y = 100.0 + 0.02 * noise(9, u64::from(index));
        engine.push(Observation { t_s: f64::from(index), integration_s: None, y, uv: None })
            == Some(Verdict::Settled)
    });
    let Standing { value, evidence, verdict } = engine.standing();
    assert!(settled && evidence.chromaticity_drift.is_none() && value.unwrap().chromaticity.is_none());
    let words = sentence(verdict.unwrap(), &evidence, value.as_ref(), &Criteria::default(), "cd/m²");
    assert!(words.contains("no chromaticity"), "{words}");
}

#[test]
fn the_shortest_wait_is_kept() {
    let criteria = Criteria { min_wait_s: 300.0, ..Criteria::default() };
    let found = verdicts(criteria, 600, |_, index| 100.0 + 0.02 * noise(10, index));
    assert!(
        matches!(found.as_slice(), [(t_s, Verdict::Settled)] if (300.0..=302.0).contains(t_s)),
        "{found:?}"
    );
}

#[test]
fn stated_intervals_cover_the_truth() {
    // An approach to 100 with a time constant of 40 s; the measurand is the trend at the moment of the verdict.
    let (runs, mut settled, mut covered, mut kept) = (400_u64, 0, 0, 0);
    let trend = |t: f64| 100.0 - 6.0 * (-t / 40.0).exp();
    for run in 0..runs {
        let mut engine = Engine::new(Criteria::default(), None, 0.0);
        for index in 0..900_u32 {
            let t_s = f64::from(index);
            let y = trend(t_s) + 0.05 * noise(1000 + run, u64::from(index));
            if engine.push(observation(t_s, y)) == Some(Verdict::Settled) {
                let value = engine.standing().value.unwrap();
                settled += 1;
                covered += u32::from((value.y - trend(t_s)).abs() <= value.y_u95);
                kept += u32::from(trend(t_s + 60.0) - trend(t_s) <= 0.005 * trend(t_s));
                break;
            }
        }
    }
    assert_eq!(u64::from(settled), runs);
    assert!(kept >= settled - 2, "{kept} of {settled} kept the promise");
    // 95 % of 400 less four standard errors of a binomial.
    assert!(covered >= 362, "{covered} of {settled} covered");
}

#[test]
fn a_verdict_depends_on_differences_of_time_alone() {
    let run = |offset: f64| {
        let mut engine = Engine::new(Criteria::default(), None, offset);
        (0..300_u32)
            .filter_map(|index| {
                let y = 100.0 + 0.02 * noise(11, u64::from(index));
                engine.push(observation(offset + f64::from(index), y)).map(|verdict| (index, verdict))
            })
            .collect::<Vec<_>>()
    };
    assert_eq!(run(0.0), run(1_048_576.0));
}

fn is_finite(standing: &Standing) -> bool {
    serde_json::to_value(&standing.evidence).is_ok_and(|value| !value.to_string().contains("null"))
        && serde_json::to_value(standing.value)
            .is_ok_and(|value| value.is_null() || !value.to_string().contains("null"))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn nothing_makes_it_panic_or_say_what_is_not_finite(
        readings in proptest::collection::vec((-5.0..100.0_f64, prop_oneof![Just(0.0), -1.0..1e4_f64, Just(1e300), Just(-1e300), Just(f64::NAN), Just(1e-300)], proptest::option::of((-1.0..2.0_f64, -1.0..2.0_f64))), 0..400),
        hold_s in 0.5..100.0_f64,
    ) {
        let criteria = Criteria { hold_s, max_wait_s: 100.0, ..Criteria::default() };
        let mut engine = Engine::new(criteria, None, 0.0);
        let mut t_s = 0.0;
        for (step, y, uv) in readings {
            t_s += step;
            engine.push(Observation { t_s, integration_s: None, y, uv: uv.map(|(u, v)| [u, v]) });
            prop_assert!(is_finite(&engine.standing()));
        }
    }

    #[test]
    fn a_constant_settles_and_a_steep_ramp_never_does(level in 0.1..5000.0_f64, slope in 1.5..10.0_f64) {
        let constant = verdicts(Criteria::default(), 200, |_, _| level);
        prop_assert!(matches!(constant.first(), Some((_, Verdict::Settled))));
        let ramp = verdicts(Criteria::default(), 400, |t, _| level * (1.0 + 0.005 * slope * t / 60.0));
        prop_assert!(ramp.iter().all(|(_, verdict)| *verdict != Verdict::Settled), "{:?}", ramp);
    }
}
