//! What there is room for on screens narrow and wide, and how what there is none for is had.

use super::*;

fn run(number: u64, meter: &str, label: &str) -> News {
    let text = json!({
        "run": number, "plan": {"kind": "drift", "meter": meter, "label": label}, "state": "running", "created": "2026-11-27T18:00:00Z",
        "begins": "2026-11-27T18:00:00Z", "elapsed_s": 60, "left_s": 540, "points": 9, "readings": 9, "missed": 0, "gaps": 0, "gap_s": 0,
        "alerts": 0, "flags": [], "message": "m", "quantity": "luminance",
        "latest": {"at": "2026-11-27T18:00:00Z", "t_s": 1.0, "value": 754.2, "count": 1},
    });
    News::Run(Box::new(serde_json::from_value(text).unwrap()))
}

#[test]
fn an_absent_meter_says_that_it_is_absent_and_not_that_nobody_measures_it() {
    let mut state = state(0, |_| 0.0);
    let away = json!({ "state": "absent", "reason": "127.0.0.1:9 refuses" });
    state.take(News::Meter(Box::new(meter("bench", away))), 0.0);
    at_all_sizes(
        &state,
        0.0,
        &["ABSENT", "The meter is absent: nothing can be read.", "127.0.0.1:9 refuses"],
    );
    let text = text(&drawn(&state, (80, 24), 0.0, RICH));
    assert!(!text.contains("Nobody takes readings"), "{text}");
    // Of one that is there and that a run measures, nobody says so either.
    state.take(News::Meter(Box::new(meter("bench", json!({})))), 0.0);
    state.take(run(7, "bench", "a night"), 0.0);
    at_all_sizes(&state, 0.0, &["Waiting for the first reading: run 7 takes some."]);
}

#[test]
fn of_runs_for_which_there_is_no_room_the_chosen_meters_is_shown_and_cut_off_between_its_parts() {
    let mut state = state(0, |_| 0.0);
    state.take(run(1, "bench", "a label that is rather long, for a line"), 0.0);
    state.take(run(2, "spectro", "another"), 0.0);
    for width in 60..=100 {
        let text = text(&drawn(&state, (width, 20), 0.0, RICH));
        let line = text.lines().find(|line| line.starts_with("runs")).unwrap().to_owned();
        assert!(line.contains("1 bench") && line.ends_with(" and 1 more"), "{width}: {line}");
        let shown = line.trim_end_matches(" and 1 more").trim_end();
        let is_whole = shown.ends_with('…') || shown.ends_with("line");
        assert!(is_whole && (!shown.contains("754.") || shown.contains("754.20 cd/m²")), "{width}: {line}");
    }
    state.press(Key::Down);
    let text = text(&drawn(&state, (60, 20), 0.0, RICH));
    assert!(text.contains("2 spectro  "), "{text}");
}

#[test]
fn a_wide_screen_tells_runs_and_events_in_full() {
    let mut state = state(0, |_| 0.0);
    let label = "a label that goes on for longer than a line of the right half of a wide screen has columns, which is some ninety";
    state.take(run(1, "bench", label), 0.0);
    let detail = "bench: opened: a made-up colorimeter at the display of a made-up workshop, whose name is longer than any line has columns, END";
    let event = json!({"sequence": 2, "at": "2026-11-27T18:00:00Z", "t_s": 1.0, "boot": "b", "kind": "meter_ready", "meter": "bench", "detail": detail});
    state.take(News::Events(vec![serde_json::from_value(event).unwrap()]), 0.0);
    let text = text(&drawn(&state, (200, 50), 0.0, RICH));
    assert!(text.contains("some ninety") && text.contains("END"), "{text}");
}

#[test]
fn that_a_meter_must_be_zeroed_and_how_is_cut_off_nowhere() {
    let mut state = state(120, |_| 203.4);
    let zero = json!({"needed": true, "why": "it is not known when it was last zeroed: the daemon was started anew"});
    state.take(News::Meter(Box::new(meter("bench", json!({ "zero": zero })))), 60.0);
    state.press(Key::Sign('m'));
    at_all_sizes(&state, 60.0, &["ZERO DUE", "ZERO DUE: cover it, then settle zero bench"]);
    let text = text(&drawn(&state, (60, 20), 60.0, RICH));
    assert!(text.lines().nth(1).unwrap().contains("ZERO DUE"), "{text}");
}

#[test]
fn in_full_nothing_is_said_twice_and_another_meter_that_is_measured_is_not_kept_back() {
    let mut state = state(0, |_| 0.0);
    let away = json!({ "state": "absent", "reason": "127.0.0.1:9 refuses" });
    state.take(News::Meter(Box::new(meter("bench", away))), 0.0);
    state.press(Key::Sign('m'));
    state.press(Key::Sign('i'));
    let whole = text(&drawn(&state, (100, 40), 0.0, RICH));
    for words in ["127.0.0.1:9 refuses", "MEASURING", "SIMULATED"] {
        assert_eq!(whole.matches(words).count(), 1, "{words}: {whole}");
    }
    state.press(Key::Sign('i'));
    state.press(Key::Down);
    at_all_sizes(&state, 0.0, &["watching this one; MEASURING bench"]);
    let other = text(&drawn(&state, (80, 24), 0.0, RICH));
    assert!(!other.contains("causes no exposure"), "{other}");
}

#[test]
fn a_meters_name_is_told_in_full_where_all_is_told() {
    let name = "the-one-on-the-bench-by-the-window";
    let mut state = State::new(Criteria::default(), vec![meter(name, json!({}))], None);
    state.press(Key::Sign('i'));
    at_all_sizes(&state, 0.0, &[name]);
}

#[test]
fn all_that_a_narrow_screen_cuts_off_can_be_had_in_full() {
    let reason = "the port /dev/serial/by-id/usb-made-up-0042 is there and may not be opened: who runs the daemon must be in its group, or a udev rule must give it to them";
    let mut state = state(120, |_| 203.4);
    state.take(News::Meter(Box::new(meter("bench", json!({ "state": "failed", "reason": reason })))), 120.0);
    let sentence = View::of(&state, 60.0, &jiff::tz::TimeZone::UTC, false).focus.unwrap().ruling.sentence;
    state.press(Key::Sign('i'));
    for size in SIZES {
        let mut words = String::new();
        for _ in 0..9 {
            let text = text(&drawn(&state, size, 60.0, RICH));
            let lines = text
                .lines()
                .skip(1)
                .filter(|line| !line.contains("i  back"))
                .map(|line| line.chars().skip(12).collect::<String>());
            words.push_str(&format!("{} ", lines.collect::<Vec<_>>().join(" ")));
            state.press(Key::Down);
        }
        let words = words.split_whitespace().collect::<Vec<_>>().join(" ");
        for expected in [reason, sentence.as_str(), "bench was opened", "a made-up colorimeter", "band ±"] {
            assert!(words.contains(expected), "{size:?}: no {expected:?} in {words}");
        }
    }
    assert_eq!((state.press(Key::Sign('q')), state.whole()), (None, None));
}

#[test]
fn a_tall_picture_has_more_numbers_on_its_scale_and_a_wide_one_more_times() {
    let state = state(150, |t_s| 200.0 - 30.0 * (-t_s / 120.0).exp());
    let of = |size| text(&drawn(&state, size, 75.0, RICH));
    let numbers = |text: &str| text.lines().filter(|line| line.contains('┤')).count();
    let (small, large) = (of((80, 24)), of((200, 50)));
    assert!(numbers(&large) >= 4 && numbers(&small) <= 1, "{large}");
    let times = |text: &str| {
        text.lines()
            .find(|line| line.contains("latest") && line.contains('+'))
            .map(|line| line.matches(" s").count())
    };
    assert!(times(&large) > times(&small), "{large}");
    assert!(large.contains("+ zooms in, - zooms out"), "{large}");
}
