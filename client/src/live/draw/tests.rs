use ratatui_core::buffer::Buffer;
use ratatui_core::layout::Rect;
use ratatui_core::style::Color;
use serde_json::json;
use settled_protocol::meter::Meter;
use settled_protocol::settling::Criteria;

use super::super::pen::Means;
use super::super::state::{News, State};
use super::super::view::View;
use super::draw;
use crate::live::keys::Key;

const RICH: Means = Means { colour: true, ascii: false };
const POOR: Means = Means { colour: false, ascii: true };
const SIZES: [(u16, u16); 5] = [(60, 20), (80, 24), (132, 43), (200, 50), (250, 60)];

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
    for index in 1..=2 * seconds {
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
    let event = json!({"sequence": 1, "at": "2026-11-27T18:00:00Z", "t_s": 1.0, "boot": "b", "kind": "meter_ready", "meter": "bench", "detail": "bench was opened"});
    state.take(News::Events(vec![serde_json::from_value(event).unwrap()]), 0.0);
    state
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
    let text = text(&drawn(&state, (132, 43), 75.0, RICH));
    assert!(text.contains("goes to ") && text.contains("══"), "{text}");
}

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
