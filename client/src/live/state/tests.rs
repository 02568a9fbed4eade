use serde_json::json;

use super::*;

fn meter(id: &str) -> Meter {
    let text = json!({"id": id, "driver": "simulated", "simulated": true, "state": "ready", "faults": 0});
    serde_json::from_value(text).unwrap()
}

fn reading(meter: &str, sequence: u64, boot: &str, t_s: f64, y: f64) -> Box<Reading> {
    let text = json!({
        "sequence": sequence, "meter": meter, "at": "2026-11-27T18:00:00Z", "t_s": t_s, "began_s": t_s - 0.5, "boot": boot,
        "luminance_cd_m2": y, "flags": ["simulated"],
    });
    Box::new(serde_json::from_value(text).unwrap())
}

fn run(number: u64, state: &str) -> Box<Run> {
    let text = json!({
        "run": number, "plan": {"kind": "drift", "meter": "a"}, "state": state, "created": "2026-11-27T18:00:00Z",
        "begins": "2026-11-27T18:00:00Z", "elapsed_s": 1, "points": 0, "readings": 0, "missed": 0, "gaps": 0, "gap_s": 0,
        "alerts": 0, "flags": [], "message": "m",
    });
    Box::new(serde_json::from_value(text).unwrap())
}

fn state() -> State {
    State::new(Criteria::default(), vec![meter("a"), meter("b"), meter("c")], None)
}

fn joined(meters: &[&str], other_log: bool) -> News {
    News::Joined {
        meters: meters.iter().map(|id| meter(id)).collect(),
        runs: Vec::new(),
        anew: other_log,
        other_log,
        speed: 1.0,
    }
}

#[test]
fn a_meter_is_chosen_by_arrows_and_numbers_and_never_one_that_is_not_there() {
    let mut state = state();
    let mut press = |key| {
        assert_eq!(state.press(key), None);
        state.index()
    };
    let keys = [
        Key::Up,
        Key::Down,
        Key::Down,
        Key::Down,
        Key::Sign('1'),
        Key::Sign('3'),
        Key::Sign('9'),
        Key::Sign('k'),
    ];
    assert_eq!(keys.map(&mut press), [0, 1, 2, 2, 0, 2, 2, 1]);
    // The config was changed: the chosen one is gone, or at another place.
    state.take(joined(&["c", "b"], false), 0.0);
    assert_eq!((state.index(), state.gauges().len()), (1, 2));
    state.take(joined(&["c"], false), 0.0);
    assert_eq!(state.index(), 0);
    state.take(joined(&[], false), 0.0);
    assert!(
        state.gauges().is_empty()
            && state.press(Key::Sign('m')).is_none()
            && state.press(Key::Down).is_none()
    );
}

#[test]
fn nothing_is_measured_unless_somebody_says_so_and_only_the_chosen_meter() {
    let mut state = state();
    assert!(state.gauges().iter().all(|gauge| !gauge.measuring));
    state.press(Key::Down);
    let wish = |meter: &str, on| Some(Wish::Measure { meter: meter.to_owned(), on });
    assert_eq!(state.press(Key::Sign('m')), wish("b", true));
    let measuring: Vec<bool> = state.gauges().iter().map(|gauge| gauge.measuring).collect();
    assert_eq!(measuring, [false, true, false]);
    // A restart of the daemon ends nothing.
    state.take(News::Lost, 1.0);
    state.take(joined(&["a", "b", "c"], false), 2.0);
    assert!(state.gauge("b").unwrap().measuring);
    assert_eq!(state.press(Key::Sign('m')), wish("b", false));
    state.press(Key::Sign('m'));
    state.take(News::Unmeasured("b".to_owned(), "not permitted".to_owned()), 3.0);
    assert!(!state.gauge("b").unwrap().measuring);
}

#[test]
fn a_reading_counts_once_whichever_way_it_comes_and_numbers_of_another_log_begin_anew() {
    let mut state = state();
    let take = |state: &mut State, sequence, boot: &str, t_s| {
        state.take(News::Reading(reading("a", sequence, boot, t_s, 100.0), Some(t_s)), t_s);
        state.gauge("a").unwrap().curve.since(f64::MIN).len()
    };
    assert_eq!(
        [4, 5, 5, 3, 6].map(|sequence| take(&mut state, sequence, "b", sequence as f64)),
        [1, 2, 2, 2, 3]
    );
    state.take(joined(&["a"], false), 7.0);
    assert_eq!(take(&mut state, 1, "b", 8.0), 3, "the same log: told before");
    state.take(joined(&["a"], true), 9.0);
    assert_eq!(take(&mut state, 1, "b", 10.0), 4);
    // Times of another boot have nothing to do with those of this one.
    assert_eq!(take(&mut state, 2, "another", 1.0), 1);
}

#[test]
fn runs_that_go_on_come_first_and_what_happened_is_kept_within_bounds() {
    let mut state = state();
    for number in 1..=200 {
        state.take(News::Run(run(number, if number == 190 { "running" } else { "done" })), 0.0);
    }
    let runs: Vec<u64> = state.runs().iter().map(|run| run.run).collect();
    assert_eq!((runs.len(), &runs[..3]), (50, &[190, 200, 199][..]));
    state.take(News::Run(run(190, "done")), 0.0);
    assert_eq!(state.runs()[0].run, 200);
    let event = |sequence: u64| {
        let text = json!({"sequence": sequence, "at": "2026-11-27T18:00:00Z", "t_s": 1.0, "boot": "b", "kind": "meter_ready", "detail": "d"});
        serde_json::from_value(text).unwrap()
    };
    state.take(News::Events((1..=1000).map(event).collect()), 0.0);
    assert_eq!(state.events().len(), 100);
    assert_eq!(state.events().back().map(|event: &Event| event.sequence), Some(1000));
}

#[test]
fn a_run_whose_end_nobody_told_is_shown_as_it_ended_and_one_that_was_never_seen_is_not() {
    let told = |state: &State| -> Vec<String> {
        state.runs().iter().map(|run| format!("{} {:?}", run.run, run.state)).collect()
    };
    let runs = |all: &[(u64, &str)]| all.iter().map(|(number, state)| *run(*number, state)).collect();
    let again = |all: &[(u64, &str)]| News::Joined {
        meters: vec![meter("a")],
        runs: runs(all),
        anew: false,
        other_log: false,
        speed: 1.0,
    };
    let mut state = state();
    state.take(again(&[(1, "done"), (2, "running"), (3, "planned")]), 0.0);
    assert_eq!(told(&state), ["3 Planned", "2 Running"]);
    // It ended while there was no line.
    state.take(News::Lost, 1.0);
    state.take(again(&[(1, "done"), (2, "done"), (3, "running"), (4, "stopped")]), 2.0);
    assert_eq!(told(&state), ["3 Running", "2 Done"]);
    // It ended, and that was missed.
    state.take(News::Runs(runs(&[(3, "failed"), (5, "running")])), 3.0);
    assert_eq!(told(&state), ["5 Running", "3 Failed", "2 Done"], "2 is too old to be told of");
    // Another log has other runs.
    state.take(joined(&["a"], true), 4.0);
    assert!(state.runs().is_empty());
}

#[test]
fn keys_of_the_help_end_the_help_and_not_the_program() {
    let mut state = state();
    state.press(Key::Sign('?'));
    assert!(state.help());
    assert_eq!((state.press(Key::Sign('q')), state.help()), (None, false));
    assert_eq!(state.press(Key::Sign('q')), Some(Wish::End));
    assert_eq!(state.press(Key::Interrupt), Some(Wish::Interrupt));
}

#[test]
fn how_long_the_daemon_is_gone_is_counted_from_its_end_whatever_attempts_come_to() {
    let mut state = state();
    state.take(News::Lost, 5.0);
    state.take(News::Tried("refused".to_owned()), 9.0);
    assert_eq!(*state.link(), Link::Lost { since_s: 5.0, why: Some("refused".to_owned()) });
    state.take(joined(&["a"], false), 10.0);
    assert_eq!(*state.link(), Link::Up);
}

#[test]
fn the_picture_spans_what_was_asked_for_and_no_key_leads_beyond() {
    let mut state = state();
    assert!((state.span_s() - 600.0).abs() < 1e-9);
    let mut spans = Vec::new();
    for key in ['-', '-', '-', '-', '+', '+', '+', '+', '+', '+', '+'] {
        state.press(Key::Sign(key));
        spans.push(state.span_s());
    }
    assert!(spans.iter().all(|span| (120.0..=36_000.0).contains(span)), "{spans:?}");
}

#[test]
fn light_that_was_simulated_stays_so_though_the_meter_is_a_real_one_by_now() {
    let mut state = state();
    let mut real = meter("a");
    real.simulated = false;
    state.take(News::Meter(Box::new(real)), 0.0);
    state.take(News::Reading(reading("a", 1, "b", 10.0, 100.0), Some(0.0)), 0.0);
    let view = crate::live::view::View::of(&state, 1.0, &jiff::tz::TimeZone::UTC, false);
    let unreal = view.focus.map(|focus| focus.unreal);
    assert!(format!("{unreal:?}").contains("SIMULATED"), "{unreal:?}");
}

#[test]
fn while_the_keys_are_shown_nothing_behind_them_is_changed() {
    let mut state = state();
    state.press(Key::Sign('?'));
    for key in [Key::Down, Key::Sign('3'), Key::Sign('m'), Key::Sign('i'), Key::Sign('-')] {
        assert_eq!(state.press(key), None, "{key:?}");
    }
    assert_eq!((state.help(), state.index(), state.whole()), (true, 0, None));
    assert!(state.gauges().iter().all(|gauge| !gauge.measuring));
    assert_eq!(state.press(Key::Interrupt), Some(Wish::Interrupt));
    assert_eq!(state.press(Key::Escape), None);
    assert!(!state.help());
    state.press(Key::Down);
    assert_eq!(state.index(), 1);
}
