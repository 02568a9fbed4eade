use ratatui_core::buffer::Buffer;
use ratatui_core::layout::Rect;
use ratatui_core::style::Color;
use serde_json::json;
use settled_protocol::meter::Meter;
use settled_protocol::settling::Criteria;

use super::super::pen::Means;
use super::super::state::{News, State};
use super::super::view::{Tone, View};
use super::draw;
use crate::live::keys::Key;

const RICH: Means = Means { colour: true, ascii: false };
const POOR: Means = Means { colour: false, ascii: true };
const SIZES: [(u16, u16); 5] = [(60, 20), (80, 24), (132, 43), (200, 50), (250, 60)];

mod room;

fn meter(id: &str, more: serde_json::Value) -> Meter {
    let mut text = json!({"id": id, "driver": "simulated", "simulated": true, "state": "ready", "faults": 0,
        "instrument": {"model": "a made-up colorimeter", "serial": "0042", "kind": "colorimeter", "quantities": ["luminance", "xyz"]}});
    for (name, value) in more.as_object().unwrap() {
        text[name] = value.clone();
    }
    serde_json::from_value(text).unwrap()
}

/// Two meters, the second of them leased; the first has seen so many seconds of light, two readings in each.
fn state(seconds: u32, light: impl Fn(f64) -> f64) -> State {
    let holder = json!({"client": "profile-it", "pid": 4711, "purpose": "batch 7", "since": "2026-11-27T18:00:00Z", "expires_at": "2026-11-27T18:05:00Z"});
    let meters =
        vec![meter("bench", json!({})), meter("spectro", json!({"lease": holder, "simulated": false}))];
    let mut state = State::new(Criteria::default(), meters, None);
    lit(&mut state, 1..=2 * seconds, light);
    let event = json!({"sequence": 1, "at": "2026-11-27T18:00:00Z", "t_s": 1.0, "boot": "b", "kind": "meter_ready", "meter": "bench", "detail": "bench was opened"});
    state.take(News::Events(vec![serde_json::from_value(event).unwrap()]), 0.0);
    state
}

/// Half seconds of light on the first meter, of six o'clock.
fn lit(state: &mut State, halves: std::ops::RangeInclusive<u32>, light: impl Fn(f64) -> f64) {
    for index in halves {
        let t_s = 0.5 * f64::from(index);
        // A noise that is the same each time.
        let noise = 0.02 * (f64::from(index) * 12.9898).sin();
        let text = json!({
            "sequence": index, "meter": "bench", "at": "2026-11-27T18:00:00Z", "t_s": t_s, "began_s": t_s - 0.4, "boot": "b",
            "integration_s": 0.4, "luminance_cd_m2": light(t_s) + noise,
            "chromaticity": {"x": 0.3127, "y": 0.329, "u_prime": 0.197_830_006_642_836_8, "v_prime": 0.468_319_994_939_424_9},
            "flags": ["simulated"],
        });
        let reading = serde_json::from_value(text).unwrap();
        state.take(News::Reading(Box::new(reading), Some(t_s)), t_s);
    }
}

fn drawn(state: &State, (width, height): (u16, u16), now_s: f64, means: Means) -> Buffer {
    let mut buffer = Buffer::empty(Rect::new(0, 0, width, height));
    let zone = jiff::tz::TimeZone::UTC;
    draw(&mut buffer, &View::of(state, now_s, &zone, means.ascii), means);
    buffer
}

fn text(buffer: &Buffer) -> String {
    let rows = buffer.content().chunks(usize::from(buffer.area().width));
    rows.map(|row| row.iter().map(|cell| cell.symbol()).collect::<String>().trim_end().to_owned() + "\n")
        .collect()
}

fn at_all_sizes(state: &State, now_s: f64, expected: &[&str]) {
    for size in SIZES {
        for means in [RICH, POOR] {
            let text = text(&drawn(state, size, now_s, means));
            for words in expected {
                let words =
                    if means.ascii { super::super::pen::in_ascii(words) } else { (*words).to_owned() };
                assert!(text.contains(&words), "{size:?} {means:?}: no {words} in\n{text}");
            }
            assert!(!means.ascii || text.is_ascii(), "{text}");
        }
    }
}

#[test]
fn settled_light_is_told_with_its_value_uncertainty_and_why_at_every_size() {
    let state = state(120, |_| 203.4);
    let expected = [
        "203.40 ",
        "± 0.",
        " cd/m²",
        "x 0.3127  y 0.3290",
        "u′ 0.19783  v′ 0.46832",
        "95 %, of ",
        " readings over ",
        "SETTLED",
        "stays so for 60 s",
        "Settled: over the last",
        "SIMULATED",
        "watching: causes no exposure",
        "bench",
        "spectro",
        "LEASED by",
        "bench was opened",
        "none goes on",
        "latest",
    ];
    at_all_sizes(&state, 60.0, &expected);
}

#[test]
fn light_that_comes_nearer_to_its_limit_is_told_to_and_when_it_may_settle() {
    let state = state(150, |t_s| 200.0 - 30.0 * (-t_s / 120.0).exp());
    at_all_sizes(&state, 75.0, &["NOT SETTLED YET", "settles ", "luminance drifts"]);
    // It is a good way off, and told in words: what was seen makes the scale.
    let far = text(&drawn(&state, (132, 43), 75.0, RICH));
    assert!(far.contains("goes to ") && !far.contains("══"), "{far}");
    let light = |t_s: f64| 200.0 - 30.0 * (-t_s / 120.0).exp();
    let drawn_at =
        |second: u32| text(&drawn(&self::state(second, light), (132, 43), f64::from(second), RICH));
    let found = (150..600).step_by(25).map(drawn_at).find(|text| text.contains("══ goes to "));
    assert!(found.is_some(), "as it comes near, it is drawn");
}

#[test]
fn a_forecast_that_tells_nothing_is_neither_told_nor_drawn_and_makes_no_scale() {
    // A straight line: where it ends nobody knows.
    for seconds in [20, 35, 60] {
        let state = state(seconds, |t_s| 275.0 + 0.12 * t_s);
        let view = View::of(&state, f64::from(seconds), &jiff::tz::TimeZone::UTC, false);
        let focus = view.focus.unwrap();
        let (ahead, picture) = (focus.ruling.ahead, focus.picture.unwrap());
        assert!(!ahead.contains(" h;") && !ahead.contains("within"), "{ahead}");
        assert_eq!((picture.limit, picture.settles), (None, None), "{ahead}");
        let (low, high) = picture.values;
        assert!(low > 260.0 && high < 295.0, "{low} to {high}");
        let text = text(&drawn(&state, (80, 24), f64::from(seconds), RICH));
        assert!(!text.contains("goes to") && !text.contains('▼'), "{text}");
    }
    let state = state(60, |t_s| 275.0 + 0.12 * t_s);
    at_all_sizes(&state, 60.0, &["when it settles can't be foreseen yet"]);
}

/// A run that goes on.
#[test]
fn what_is_old_is_called_stale_and_loses_its_verdict() {
    let mut state = state(120, |_| 203.4);
    at_all_sizes(&state, 120.0 + 300.0, &["STALE: was settled", "last reading 5 min ago"]);
    state.take(News::Lost, 121.0);
    at_all_sizes(
        &state,
        125.0,
        &["NO DAEMON since 4 s: all here is stale", "STALE: was settled", "stale", "last reading 5 s ago"],
    );
}

#[test]
fn between_two_readings_a_forecast_is_counted_down_in_steps_and_never_stands_when_it_has_passed() {
    let ahead = |state: &State, now_s: f64| {
        let view = View::of(state, now_s, &jiff::tz::TimeZone::UTC, false);
        view.focus.unwrap().ruling.ahead.split(';').next().unwrap().to_owned()
    };
    let seconds = |words: &str| -> Option<u32> { words.split(' ').rev().find_map(|word| word.parse().ok()) };
    // The first that is expected to settle while this reading is fresh.
    let found = (20..200).find_map(|second| {
        let state = state(second, |t_s| 200.0 - 30.0 * (-t_s / 40.0).exp());
        let words = ahead(&state, f64::from(second));
        let is_near = words.ends_with(" s") && seconds(&words).is_some_and(|end| (20..=50).contains(&end));
        (words.starts_with("settles ") && is_near).then_some((state, f64::from(second)))
    });
    let (state, at_s) = found.unwrap();
    // Each second until a hold is over.
    let mut told: Vec<String> = (0..=60).map(|second| ahead(&state, at_s + f64::from(second))).collect();
    told.dedup();
    let passed = told.iter().position(|words| words == "should have settled by now").unwrap();
    assert!(passed > 1 && passed + 1 == told.len() && passed <= 16, "{told:?}");
    let ends: Vec<u32> = told[..passed].iter().map(|words| seconds(words).unwrap()).collect();
    assert!(told[..passed].iter().all(|words| words.starts_with("settles ")), "{told:?}");
    assert!(ends.windows(2).all(|pair| pair[0] >= pair[1]), "{told:?}");
}

#[test]
fn what_a_meter_read_before_it_was_zeroed_is_not_shown_as_fresh_nor_as_if_there_was_nothing() {
    let mut state = state(120, |_| 203.4);
    let zero = json!({"needed": false, "at": "2026-11-27T18:02:00Z"});
    state.take(News::Meter(Box::new(meter("bench", json!({ "zero": zero })))), 120.0);
    at_all_sizes(&state, 121.0, &["NOT JUDGED YET", "last reading now", "The meter was zeroed since"]);
    let text = text(&drawn(&state, (80, 24), 121.0, RICH));
    assert!(!text.contains("Nobody takes readings") && !text.contains("no reading yet"), "{text}");
    let view = View::of(&state, 121.0, &jiff::tz::TimeZone::UTC, false);
    assert!(!view.focus.unwrap().value.fresh && view.meters[0].light.0 == Tone::Faint);
    // Another reading counts again.
    let after = json!({"sequence": 900, "meter": "bench", "at": "2026-11-27T18:02:05Z", "t_s": 125.0, "began_s": 124.6, "boot": "b",
        "luminance_cd_m2": 203.4, "flags": ["simulated"]});
    state.take(News::Reading(Box::new(serde_json::from_value(after).unwrap()), Some(125.0)), 125.0);
    assert!(View::of(&state, 125.0, &jiff::tz::TimeZone::UTC, false).focus.unwrap().value.fresh);
}

#[test]
fn what_was_read_before_a_zeroing_is_not_judged_though_it_is_told_after_it() {
    let zeroed = || meter("bench", json!({"zero": {"needed": false, "at": "2026-11-27T18:02:00Z"}}));
    // Who looks only now knows the zeroing before the log's readings; who comes back knows those of before as well.
    let opened = State::new(Criteria::default(), vec![zeroed()], None);
    let mut back = state(60, |_| 203.4);
    back.take(News::Lost, 60.0);
    let (meters, runs) = (vec![zeroed()], Vec::new());
    back.take(News::Joined { meters, runs, anew: false, other_log: false, speed: 1.0 }, 121.0);
    for mut state in [opened, back] {
        lit(&mut state, 121..=240, |_| 203.4);
        at_all_sizes(&state, 121.0, &["NOT JUDGED YET", "The meter was zeroed since"]);
        let focus = |state: &State| View::of(state, 121.0, &jiff::tz::TimeZone::UTC, false).focus.unwrap();
        let told = focus(&state);
        assert!(!told.value.fresh && told.picture.unwrap().band.is_none());
        assert!(state.gauge("bench").unwrap().judging.changes().iter().all(|(t_s, _)| *t_s <= 60.0));
        // What was read afterwards counts, though UTC is set back behind the zeroing meanwhile.
        for (sequence, at) in [(900, "2026-11-27T18:02:05Z"), (901, "2026-11-27T17:00:00Z")] {
            let t_s = f64::from(sequence) - 775.0;
            let after = json!({"sequence": sequence, "meter": "bench", "at": at, "t_s": t_s, "began_s": t_s - 0.4, "boot": "b",
                "luminance_cd_m2": 210.0, "flags": ["simulated"]});
            state.take(News::Reading(Box::new(serde_json::from_value(after).unwrap()), Some(121.0)), 121.0);
            let told = focus(&state);
            assert!(told.value.fresh && told.ruling.verdict.1 == "NOT SETTLED YET", "{told:?}");
            let since_s = state.gauge("bench").unwrap().judging.since_s();
            assert!((since_s - 124.6).abs() < 1e-9, "{at}: {since_s}");
        }
    }
}

#[test]
fn a_reading_whose_age_nobody_can_tell_says_which_time_it_has() {
    let mut state = State::new(Criteria::default(), vec![meter("bench", json!({}))], None);
    let logged = json!({"sequence": 1, "meter": "bench", "at": "2026-11-27T18:02:05Z", "t_s": 125.0, "began_s": 124.6, "boot": "b",
        "luminance_cd_m2": 203.4, "flags": ["simulated"]});
    state.take(News::Reading(Box::new(serde_json::from_value(logged).unwrap()), None), 0.0);
    at_all_sizes(&state, 1.0, &["18:02:05 ", "last reading of 11-27 18:02:05"]);
}

#[test]
fn measuring_leases_and_what_keeps_a_meter_are_told_in_words() {
    let mut state = state(0, |_| 0.0);
    at_all_sizes(&state, 0.0, &["no reading yet", "Nobody takes readings of this meter"]);
    state.press(Key::Down);
    state.press(Key::Sign('m'));
    at_all_sizes(
        &state,
        0.0,
        &["MEASURING without pause", "leased by profile-it (process 4711) for \"batch 7\""],
    );
}

#[test]
fn without_colour_there_is_none_and_the_words_are_the_same() {
    let state = state(120, |_| 203.4);
    for size in SIZES {
        let (with, without) = (
            drawn(&state, size, 60.0, RICH),
            drawn(&state, size, 60.0, Means { colour: false, ascii: false }),
        );
        assert_eq!(text(&with), text(&without));
        assert!(with.content().iter().any(|cell| cell.fg == Color::Green));
        assert!(without.content().iter().all(|cell| cell.fg == Color::Reset));
    }
}

#[test]
fn a_screen_that_is_too_small_is_told_what_it_takes_and_none_is_too_small_to_draw_on() {
    let state = state(120, |_| 203.4);
    let small = text(&drawn(&state, (59, 20), 60.0, RICH));
    assert!(small.contains("needs 60 columns and 16 lines"), "{small}");
    for width in 0..=70 {
        for height in 0..=24 {
            drawn(&state, (width, height), 60.0, RICH);
        }
    }
}

#[test]
fn the_keys_are_shown_when_asked_for() {
    let mut state = state(0, |_| 0.0);
    state.press(Key::Sign('?'));
    at_all_sizes(&state, 0.0, &["another meter", "measure: ask for readings", "Watching causes no exposure"]);
    for (width, height) in [(60, 16), (80, 24), (100, 16), (160, 50)] {
        let told = text(&drawn(&state, (width, height), 60.0, RICH));
        assert!(told.contains("? or Esc: back") && !told.contains("q end"), "{told}");
        assert!(!told.contains('…'), "nothing is cut:\n{told}");
    }
}

#[test]
fn another_reading_moves_no_words() {
    // What stands where: letters of the picture, digits as #, without the curve.
    let shape = |seconds: u32| {
        let text = text(&drawn(&state(seconds, |_| 203.4), (80, 24), f64::from(seconds) / 2.0, RICH));
        let plain = |line: &str| line.replace(|letter: char| letter.is_ascii_digit(), "#");
        text.lines().take(8).map(plain).collect::<Vec<_>>()
    };
    let (one, other) = (shape(120), shape(121));
    assert_eq!(one[..5], other[..5]);
}
