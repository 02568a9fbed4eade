use std::sync::Arc;

use super::super::rig::{grey, luminance, near, stage, still};
use super::*;

const BOTH: [&str; 2] = ["display = \"self-emitting\"\n", "display = \"backlit\"\n"];

#[test]
fn one_step_of_eight_hours_ends_where_many_small_ones_do() {
    for toml in BOTH {
        let (big, small) = (stage(toml), stage(toml));
        for stage in [&big, &small] {
            stage.show(grey(900, 25.0), 10.0);
        }
        for step in 1..=28_800 {
            small.show(grey(900, 25.0), 10.0 + f64::from(step));
        }
        let [big, small]: [[f64; 3]; 2] = [big, small].map(|stage| stage.truth(28_810.0).unwrap().into());
        for (value, expected) in small.into_iter().zip(big) {
            near(value, expected, 1e-9);
        }
    }
}

#[test]
fn asking_changes_nothing() {
    let (asked, left_alone) = (stage(BOTH[0]), stage(BOTH[0]));
    left_alone.switch_on(0.0);
    for second in 0..1000 {
        luminance(&asked, f64::from(second));
    }
    assert_eq!(asked.truth(1000.5), left_alone.truth(1000.5));
}

#[test]
fn it_is_switched_on_at_the_first_moment_named() {
    let early = stage(BOTH[1]);
    early.switch_on(100.0);
    early.switch_on(500.0);
    let shown = stage(BOTH[1]);
    shown.show(Stimulus::peak_white(), 100.0);
    assert_eq!(early.truth(700.0), shown.truth(700.0));
    assert_eq!(early.truth(50.0), early.truth(100.0), "cold before it was switched on");
}

#[test]
fn the_past_can_still_be_asked_for_after_a_change() {
    let stage = stage(&still(BOTH[0]));
    stage.show(grey(0, 10.0), 10.0);
    stage.show(grey(1023, 10.0), 20.0);
    near(luminance(&stage, 9.9), 800.0, 1e-12);
    assert!(luminance(&stage, 10.0).abs() < 1e-12);
    near(luminance(&stage, 20.0), 800.0, 1e-12);
    near(stage.mean(5.0, 25.0)[1], 400.0, 1e-12);
    near(stage.mean(-10.0, 20.0)[1], 800.0 * 20.0 / 30.0, 1e-12);
}

#[test]
fn a_moment_before_the_last_change_counts_as_that_one() {
    let stage = stage(&still(BOTH[0]));
    stage.show(grey(0, 10.0), 10.0);
    stage.show(grey(1023, 10.0), 5.0);
    near(luminance(&stage, 7.0), 800.0, 1e-12);
    near(luminance(&stage, 10.0), 800.0, 1e-12);
}

#[test]
fn memory_is_bounded() {
    let stage = stage(BOTH[0]);
    for step in 0..5000 {
        stage.show(grey(512, 10.0), f64::from(step));
    }
    assert_eq!(stage.history_from(0.0).len(), REMEMBERED);
    assert!(luminance(&stage, 1.0) > 0.0);
}

#[test]
fn moments_that_are_no_numbers_do_no_harm() {
    for moment in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        let stage = stage(BOTH[0]);
        stage.truth(moment).unwrap();
        stage.show(grey(512, 10.0), moment);
        stage.truth(moment).unwrap();
        stage.show(grey(0, 10.0), 5.0);
        assert!(luminance(&stage, 5.0).abs() < 1e-12);
    }
}

#[test]
fn threads_may_share_it() {
    let stage: Arc<Stage> = stage(BOTH[0]);
    std::thread::scope(|scope| {
        for thread in 0..4_u16 {
            let stage = &stage;
            scope.spawn(move || {
                for step in 0..200_u16 {
                    stage.show(grey(step + thread, 10.0), f64::from(step));
                    stage.truth(f64::from(step)).unwrap();
                }
            });
        }
    });
}

/// The first second from which on luminance stays within 0.5 % for a minute.
fn settles_after_s(stage: &Stage) -> Option<u32> {
    let stays = |from: f64| {
        let first = luminance(stage, from);
        (1..=60).all(|step| (luminance(stage, from + f64::from(step)) / first - 1.0).abs() <= 0.005)
    };
    (0..7200).find(|second| stays(f64::from(*second)))
}

/// What the displays promise to whoever shows settling with them: minutes, not seconds, and not an hour.
#[test]
fn white_settles_in_a_few_minutes() {
    let [self_emitting, backlit] = BOTH.map(stage);
    assert_eq!(settles_after_s(&self_emitting), Some(193));
    assert_eq!(settles_after_s(&backlit), Some(237));
    let day_s = 86_400.0;
    near(luminance(&self_emitting, 0.0) / luminance(&self_emitting, day_s), 1.106, 1e-3);
    near(luminance(&backlit, 0.0) / luminance(&backlit, day_s), 0.930, 1e-3);
}

#[test]
fn an_ideal_display_gives_the_light_of_its_signal_at_any_time() {
    for toml in BOTH {
        let stage = stage(&still(&format!("{toml}black_cd_m2 = 0\neotf = \"power\"\n")));
        let peak = luminance(&stage, 0.0);
        for (step, code) in (0..=1000).step_by(100).enumerate() {
            let t_s = f64::from(u32::try_from(step).unwrap()) * 1000.0;
            stage.show(grey(code, 5.0), t_s);
            near(luminance(&stage, t_s + 500.0), peak * (f64::from(code) / 1023.0).powf(2.2), 1e-9);
        }
    }
}
