use serde_json::{Value, json};

use super::super::bar::line;
use super::super::table::Table;
use super::*;

/// A drift run after a third of its night.
fn members() -> Value {
    json!({
        "run": 12, "plan": {
            "meter": "bench", "kind": "drift", "label": "monitor 4, night 1", "interval_s": 60.0, "burst": 5,
            "alert": {"luminance": 0.02},
        },
        "state": "running", "created": "2026-11-27T17:00:00Z", "begins": "2026-11-27T17:00:00Z",
        "ends": "2026-11-28T07:00:00Z", "elapsed_s": 16_800.0, "left_s": 33_600.0, "points": 280, "readings": 1400, "missed": 2,
        "first": 7, "last": 1406, "gaps": 1, "gap_s": 180.0, "quantity": "luminance",
        "reference": {"at": "2026-11-27T17:00:02Z", "value": 200.0, "count": 5,
            "chromaticity": {"x": 0.3127, "y": 0.329, "u_prime": 0.1978300066428368, "v_prime": 0.468319994938791}},
        "latest": {"at": "2026-11-27T21:40:02Z", "value": 199.0, "count": 5,
            "chromaticity": {"x": 0.3127, "y": 0.329, "u_prime": 0.1978300066428368, "v_prime": 0.468319994938791}},
        "alerts": 1, "flags": ["simulated"], "drift": {"per_h": -0.21, "low_per_h": -0.24, "high_per_h": -0.18},
        "message": "Luminance drifts by -0.105 % an hour.",
    })
}

fn with(changes: Value) -> Run {
    let mut all = members();
    let (Value::Object(all_members), Value::Object(changes)) = (&mut all, changes) else { panic!("objects") };
    all_members.extend(changes);
    serde_json::from_value(all).unwrap()
}

/// Without colours.
fn plain(lines: &[String]) -> Vec<String> {
    lines.iter().map(|line| anstream::adapter::strip_str(line).to_string()).collect()
}

#[test]
fn a_run_that_is_waited_for_ends_as_its_verdict_and_its_alerts_say() {
    let ended = |state: &str, verdict: Option<&str>, alerts: u64| {
        let mut changes = json!({ "state": state, "alerts": alerts });
        if let Some(verdict) = verdict {
            changes["verdict"] = verdict.into();
        }
        exit(&with(changes)).status()
    };
    assert_eq!([ended("done", Some("settled"), 0), ended("done", Some("within"), 0)], [0, 0]);
    assert_eq!([ended("done", Some("settled"), 1), ended("stopped", Some("within"), 3)], [4, 4]);
    for verdict in ["not_settled", "beyond", "undecided", "of_a_later_version"] {
        assert_eq!([ended("done", Some(verdict), 0), ended("done", Some(verdict), 2)], [3, 3], "{verdict}");
    }
    assert_eq!(
        [ended("stopped", None, 0), ended("failed", None, 0), ended("failed", Some("within"), 0)],
        [3, 1, 1]
    );
}

#[test]
fn a_run_stays_within_one_line_of_a_terminal() {
    let zone = TimeZone::UTC;
    let label = json!({ "plan": {"meter": "bench", "kind": "drift", "label": "unit 4"} });
    let told = line(&with(label.clone()), true, false, &zone);
    assert_eq!(told, " 12 bench  ━━╌╌╌╌╌╌  33 %, 9.3 h left  199.00 cd/m²  -0.105 ± 0.015 %/h  unit 4");
    assert!(told.chars().count() <= 80);
    let ascii = line(&with(label), true, true, &zone);
    assert!(ascii.contains("##......") && !ascii.contains('━'), "{ascii}");
    let soon = line(&with(json!({ "left_s": 0.0 })), true, false, &zone);
    assert!(soon.contains("about to end") && !soon.contains("100 %"), "{soon}");
    let nearly = line(&with(json!({ "left_s": 1.0 })), true, false, &zone);
    assert!(nearly.contains("99 %, 1.0 s left"), "{nearly}");
    let planned = with(json!({ "state": "planned", "begins": "2026-11-28T17:00:00Z" }));
    assert!(line(&planned, true, false, &zone).contains("planned: begins 2026-11-28 17:00:00 UTC"));
}

#[test]
fn a_run_without_an_end_shows_how_long_it_goes_on_already() {
    let endless = with(json!({ "left_s": null, "ends": null }));
    let told = line(&endless, true, false, &TimeZone::UTC);
    assert!(told.starts_with(" 12 bench  4.7 h  199.00") && !told.contains("left"), "{told}");
    assert!(
        plain(&whole(&endless, &Events::default()))
            .iter()
            .any(|line| line.ends_with("when somebody stops it"))
    );
}

#[test]
fn a_meter_that_is_away_is_told_in_place_of_light_that_is_old() {
    let waiting = json!({"code": -32001, "message": "bench: no port", "data": {"kind": "meter_absent"}});
    let standing = json!([{"kind": "meter_lost", "at": "2026-11-27T21:41:00Z", "message": "bench is lost."}]);
    let run = with(json!({ "waiting": waiting, "standing": standing }));
    let told = line(&run, false, false, &TimeZone::UTC);
    assert!(told.contains("the meter is absent  ALERT: meter lost") && !told.contains("199"), "{told}");
    let lines = plain(&whole(&run, &Events::default())).join("\n");
    assert!(
        lines.contains("waiting     bench: no port") && lines.contains("ALERT       bench is lost."),
        "{lines}"
    );
}

#[test]
fn all_there_is_to_know_is_told_and_what_is_simulated_says_so() {
    let event = json!({
        "sequence": 3, "at": "2026-11-27T19:00:00Z", "t_s": 1.0, "boot": "b", "kind": "run_gap", "run": 12,
        "detail": "No readings for 3 min.",
    });
    let mut events = Events::default();
    events.take(vec![serde_json::from_value(event).unwrap()]);
    let lines = plain(&whole(&with(json!({})), &events)).join("\n");
    for words in [
        "Run 12: drift of bench, monitor 4, night 1",
        "state       running, 33 %, 9.3 h left",
        "takes       5 readings each 60 s",
        "within      ±0.5 % of its first point, and 0.0005 in u′v′",
        "alarmed by  luminance beyond 2 %; no reading for 60 s longer than planned; the\n              log's disk low",
        "points      280 points of 1400 readings, numbers 7 to 1406; 2 points could not\n              be taken",
        "gaps        1 gap, 3 min in all",
        "change      -0.500 %, 0.00000 in u′v′",
        "No readings for 3 min.",
        "verdict     none yet",
        "Luminance drifts by -0.105 % an hour.",
        "SIMULATED",
    ] {
        assert!(lines.contains(words), "{words:?} is not in\n{lines}");
    }
}

#[test]
fn the_bands_are_those_of_the_verdict_however_dark_the_light_is() {
    let within = |changes: Value| {
        let lines = plain(&whole(&with(changes), &Events::default()));
        lines.into_iter().find(|line| line.trim_start().starts_with("within")).unwrap()
    };
    let point = |value: f64| json!({"at": "2026-11-27T17:00:02Z", "value": value, "count": 5});
    let mut black = point(0.199);
    black["chromaticity"] =
        json!({"x": 0.3127, "y": 0.329, "u_prime": 0.1978300066428368, "v_prime": 0.468319994938791});
    let words = "  within      ±0.5 % of its first point, and 0.00251 in u′v′";
    assert_eq!(within(json!({ "reference": black })), words);
    let words = "  within      ±1 % of its first point";
    assert_eq!(within(json!({ "reference": point(0.05) })), words);
    let words = "  within      ±0.5 % of its first point, and 0.0005 in u′v′; wider near black";
    assert_eq!(within(json!({ "reference": null })), words);
}

#[test]
fn the_latest_events_are_shown_and_the_others_counted() {
    let event = |sequence: u64| -> settled_protocol::log::Event {
        let members = json!({
            "sequence": sequence, "at": "2026-11-27T19:00:00Z", "t_s": 1.0, "boot": "b", "kind": "alert", "detail": format!("no {sequence}"),
        });
        serde_json::from_value(members).unwrap()
    };
    let mut events = Events::default();
    events.take((1..=25).map(event).collect());
    let lines = plain(&whole(&with(json!({})), &events)).join("\n");
    assert!(lines.lines().all(|line| line.chars().count() <= 80), "{lines}");
    assert!(lines.contains("5 more before: settle log events --run 12"), "{lines}");
    assert!(lines.contains("no 25") && lines.contains("no 6") && !lines.contains("no 5\n"), "{lines}");
}

#[test]
fn what_to_type_next_is_said_at_once() {
    let lines = plain(&started(&with(
        json!({ "plan": {"meter": "bench", "kind": "warm_up", "nightly": {"at": "18:00", "nights": 5}} }),
    )));
    let all = lines.join("\n");
    assert!(lines[0] == "Run 12 has begun: warm-up of bench", "{all}");
    assert!(all.contains("once the light has settled, or at 2026-11-28"), "{all}");
    assert!(all.contains("each day at 18:00, 5 times in all") && !all.contains("takes"), "{all}");
    for command in ["settle runs watch 12", "settle runs show 12", "settle runs stop 12"] {
        assert!(all.contains(command), "{all}");
    }
}

#[test]
fn a_warm_up_says_what_its_settled_is_worth_and_how_to_have_a_warm_display() {
    let words = "The light has settled: over the last 60 s luminance moves by +0.02 ± 0.10 % per 60 s.";
    let warm_up = |hold_s: f64| {
        let plan = json!({"meter": "bench", "kind": "warm_up", "criteria": {"hold_s": hold_s}});
        with(json!({ "plan": plan, "state": "done", "verdict": "settled", "message": words, "alerts": 0 }))
    };
    let short = plain(&whole(&warm_up(60.0), &Events::default())).join("\n");
    let flat = short.split_whitespace().collect::<Vec<_>>().join(" ");
    let next = "settled is a promise for the next 60 s; for a display that is warm: settle run warm-up bench --hold 20min";
    assert!(flat.contains(next), "{short}");
    assert!(plain(&started(&warm_up(60.0))).join(" ").contains("--hold 20min"));
    let long = plain(&whole(&warm_up(1200.0), &Events::default())).join("\n");
    assert!(
        !long.contains("--hold") && !plain(&started(&warm_up(1200.0))).join(" ").contains("--hold"),
        "{long}"
    );
    // Settled is said once.
    assert_eq!(plain(&[ended(&warm_up(60.0))]), [format!("Run 12, warm-up of bench: done: {words}")]);
}

#[test]
fn the_table_of_runs_fits_a_terminal() {
    let runs = [
        with(json!({ "plan": {"meter": "bench", "kind": "stability", "label": "monitor 4"} })),
        with(
            json!({ "run": 3, "state": "done", "verdict": "not_settled", "plan": {"meter": "bench", "kind": "warm_up"}, "alerts": 0 }),
        ),
    ];
    let lines = plain(&Table::of(Some(80)).lines(&runs));
    assert_eq!(lines.len(), 3);
    assert!(
        lines[0].starts_with("run  kind       meter  state    since        progress          verdict"),
        "{lines:#?}"
    );
    assert!(
        lines[1].starts_with(" 12  stability  bench  running  ")
            && lines[1].contains("1 alert      mon")
            && lines[1].ends_with('…'),
        "{lines:#?}"
    );
    assert!(lines[2].contains("4.7 h") && lines[2].ends_with("not settled"), "{lines:#?}");
    assert!(lines.iter().all(|line| line.chars().count() <= 80), "{lines:#?}");
    let uncut = plain(&Table::of(None).lines(&runs));
    assert!(uncut[1].ends_with("monitor 4") && uncut[2] == lines[2], "{uncut:#?}");
}

#[test]
fn an_end_is_one_sentence() {
    let done = with(
        json!({ "state": "done", "verdict": "within", "alerts": 1, "message": "It stayed within 0.5 %." }),
    );
    assert_eq!(
        plain(&[ended(&done)]),
        ["Run 12, drift of bench, monitor 4, night 1: done, within, 1 alert: It stayed within 0.5 %."]
    );
}
