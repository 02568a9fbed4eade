use serde_json::{Value, json};

use super::*;
use crate::report::html::html;
use crate::report::rows;

fn series(mean: f64, drift: Option<Value>) -> Value {
    let mut series = json!({
        "count": 90, "mean": mean, "sd": 0.02 * mean, "min": 0.9 * mean, "max": 1.1 * mean, "uncertainty": 0.001 * mean,
    });
    if let Some(drift) = drift {
        series["drift"] = drift;
    }
    series
}

fn statistics() -> Value {
    let mut value = series(
        120.0,
        Some(
            json!({"per_h": -1.25, "low_per_h": -1.5, "high_per_h": -1.0, "caution": "it rests on 9 points alone"}),
        ),
    );
    value["allan"] = json!([
        {"tau_s": 60.0, "deviation": 0.4, "low": 0.35, "high": 0.47, "count": 80, "noise": "white"},
        {"tau_s": 120.0, "deviation": 0.3, "low": 0.25, "high": 0.38, "count": 70, "noise": "drift"},
    ]);
    json!({
        "meter": "bench", "quantity": "luminance", "count": 90, "thinned": 0, "first": 11, "last": 100,
        "since": "2026-11-26T18:00:00Z", "until": "2026-11-26T19:29:00Z", "span_s": 5340.0, "gaps": 1, "gap_s": 300.0, "bin_s": 60.0,
        "value": value, "u_prime": series(0.1978, None), "temperature_c": series(31.0, None),
        "flags": ["simulated", "shared"], "corrections": ["c1"], "message": "90 readings over 1.5 h. The light is simulated.",
    })
}

fn run() -> Value {
    json!({
        "run": 12, "plan": {"meter": "bench", "kind": "drift", "label": "<script>alert(1)</script> & \"monitor 4\"", "burst": 3},
        "state": "done", "created": "2026-11-26T17:30:00Z", "begins": "2026-11-26T18:00:00Z", "ends": "2026-11-26T19:30:00Z",
        "elapsed_s": 5400.0, "points": 30, "readings": 90, "missed": 4, "first": 11, "last": 100, "gaps": 1, "gap_s": 300.0,
        "quantity": "luminance", "alerts": 1, "flags": ["simulated"], "verdict": "beyond", "statistics": statistics(),
        "message": "The light left its bands: 30 points.",
    })
}

fn night() -> Night {
    let bin = |index: u32| {
        json!({
            "at": format!("2026-11-26T{:02}:{:02}:00Z", 18 + index / 60, index % 60), "span_s": 60.0, "quantity": "luminance", "count": 1,
            "first": 11 + index, "last": 11 + index, "mean": 121.0 - 0.02 * f64::from(index), "min": 119.0, "max": 122.0,
            "flags": ["simulated"],
        })
    };
    let event = |sequence: u64, kind: &str, detail: &str| json!({"sequence": sequence, "at": "2026-11-26T18:30:00Z", "t_s": 1.0, "boot": "b", "kind": kind, "run": 12, "detail": detail});
    let read = |value: Value| serde_json::from_value(value).unwrap();
    Night {
        run: serde_json::from_value(run()).unwrap(),
        statistics: serde_json::from_value(statistics()).unwrap(),
        course: Course {
            name: "run 12".to_owned(),
            bins: (0..90)
                .filter(|index| !(30..35).contains(index))
                .map(|index| serde_json::from_value(bin(index)).unwrap())
                .collect(),
            events: vec![
                read(event(1, "run_gap", "no readings for 5m")),
                read(event(2, "alert", "</style><img src=x onerror=alert(1)>")),
            ],
            more_events: false,
            settled: None,
            ends_s: None,
        },
        meter: None,
        daemon: "settled 0.1.0".to_owned(),
        against: None,
        zone: Zone::utc(),
    }
}

#[test]
fn a_night_has_its_verdict_pictures_figures_and_what_happened() {
    let document = night().document().unwrap();
    assert_eq!(document.marks, ["SIMULATED"]);
    assert!(
        document.subtitle.starts_with("90 readings from 2026-11-26 18:00 UTC to 2026-11-26 19:29 UTC; done"),
        "{}",
        document.subtitle
    );
    let first = &document.summary[0];
    assert_eq!((first.tone, first.verdict.as_str()), (Tone::Bad, "beyond"));
    assert_eq!(
        first.tolerance,
        "luminance within ±0.5 %, chromaticity within 0.0005 in u′v′; wider near black"
    );
    let verdicts: Vec<&str> = document.summary.iter().map(|statement| statement.verdict.as_str()).collect();
    assert_eq!(verdicts, ["beyond", "told", "gaps", "alerts"]);
    let names: Vec<&str> = document.plots().map(|plot| plot.name.as_str()).collect();
    assert_eq!(names, ["light", "drift", "allan-deviation"]);
    for plot in document.plots() {
        let told = &plot.scene.description;
        assert!(told.starts_with("SIMULATED data") && !plot.caption.is_empty(), "{}: {told}", plot.name);
    }
    let headings: Vec<&str> = document.sections.iter().map(|section| section.heading.as_str()).collect();
    assert_eq!(headings, ["Light", "Drift", "Steadiness", "What happened"]);
    let drifts = &document.sections[1].tables[0].rows;
    assert_eq!(drifts[0][..3], ["luminance, cd/m²", "-1.25 ± 0.25", "-1.04 ± 0.21"].map(str::to_owned));
    assert!(document.sections[1].words[0].contains("it rests on 9 points alone"));
}

/// A meter's temperature comes in steps: one that went up by a few has a line that is level for sure.
#[test]
fn a_line_that_is_level_for_sure_is_no_drift_of_nothing_give_or_take_nothing() {
    let mut night = night();
    let still = json!({"per_h": 0.0, "low_per_h": -1e-10, "high_per_h": 1e-10});
    let mut warmth = series(28.9, Some(still));
    (warmth["sd"], warmth["min"], warmth["max"]) = (json!(0.08), json!(28.751), json!(29.0));
    night.statistics.temperature_c = serde_json::from_value(warmth).unwrap();
    let document = night.document().unwrap();
    let row = document.sections[1].tables[0].rows.last().unwrap();
    assert_eq!(row[..2], ["meter's temperature, °C", "none to be seen"].map(str::to_owned));
}

#[test]
fn the_tolerance_of_dark_light_is_as_wide_as_the_verdict_had_it() {
    let mut night = night();
    let mut run = run();
    run["reference"] = json!({
        "at": "2026-11-26T18:00:02Z", "value": 0.199, "count": 3,
        "chromaticity": {"x": 0.3127, "y": 0.329, "u_prime": 0.1978300066428368, "v_prime": 0.468319994938791},
    });
    night.run = serde_json::from_value(run.clone()).unwrap();
    let told = |night: &Night| night.document().unwrap().summary[0].tolerance.clone();
    assert_eq!(told(&night), "luminance within ±0.5 %, chromaticity within 0.00251 in u′v′");
    run["reference"].as_object_mut().unwrap().remove("chromaticity");
    night.run = serde_json::from_value(run).unwrap();
    assert_eq!(told(&night), "luminance within ±0.5 %");
}

#[test]
fn whatever_a_label_or_an_event_says_is_text() {
    let page = html(&night().document().unwrap());
    assert!(page.contains("&lt;script&gt;alert(1)&lt;/script&gt;") && page.contains("&lt;img src=x"));
    assert!(!page.contains("<script") && !page.contains("<img") && page.matches("</style>").count() == 1);
}

#[test]
fn figures_are_the_same_in_json_and_in_csv() {
    let night = night();
    let json = serde_json::to_value(night.figures()).unwrap();
    assert_eq!(
        (&json["night"], &json["run"]["run"], &json["bins"][84]["count"]),
        (&json!(1), &json!(12), &json!(1))
    );
    let value = &json["run"]["statistics"]["value"];
    let rows = night.rows();
    let row = |patch: &str, quantity: &str| {
        rows.iter()
            .find(|row| row.patch == patch && row.quantity == quantity)
            .unwrap_or_else(|| panic!("{patch} {quantity}: {rows:?}"))
    };
    assert_eq!(row("value", "mean").value, value["mean"].as_f64());
    assert_eq!(row("value", "mean_standard_uncertainty").value, value["uncertainty"].as_f64());
    let drift = row("value", "drift_per_h");
    assert_eq!(
        (drift.value, drift.low, drift.high, drift.u95),
        (Some(-1.25), Some(-1.5), Some(-1.0), Some(0.25))
    );
    assert_eq!((drift.unit.as_str(), drift.coverage), ("cd/m²/h", Some(0.95)));
    assert_eq!(row("value, averaged over 120 s", "allan_deviation").value, Some(0.3));
    assert_eq!((row("", "verdict").value, row("", "verdict").verdict.as_str()), (None, "beyond"));
    assert_eq!((row("", "missed").value, row("", "gap_s").value), (Some(4.0), Some(300.0)));
    let csv = String::from_utf8(rows::csv(&rows).unwrap()).unwrap();
    assert!(
        csv.lines().count() == rows.len() + 1 && csv.contains("run 12,drift,value,mean,120.0,cd/m²"),
        "{csv}"
    );
}

#[test]
fn of_a_night_without_pause_a_gap_is_told_by_its_length_and_no_count_of_points_is_made_up() {
    let night = night();
    let mut run = night.run.clone();
    (run.plan.interval_s, run.missed) = (Some(0.0), 0);
    let night = Night { run, ..night };
    let rows = night.rows();
    assert!(
        rows.iter().all(|row| row.quantity != "missed") && rows.iter().any(|row| row.quantity == "gap_s")
    );
    let gap = night.summary().into_iter().find(|said| said.verdict == "gaps").unwrap();
    assert_eq!(gap.words, "1 stretch without readings, 5 min in all.");
}

#[test]
fn one_night_stands_beside_another() {
    let comparison = json!({
        "one": statistics(), "other": statistics(), "mean": {"value": 1.5, "low": 1.0, "high": 2.0, "differs": true},
        "drift_per_h": {"value": 0.1, "low": -0.1, "high": 0.3, "differs": false}, "message": "They differ.",
    });
    let comparison: Comparison = serde_json::from_value(comparison).unwrap();
    let other: Run = serde_json::from_value(run()).unwrap();
    let other = Run { run: 11, ..other };
    let night =
        Night { against: Some(Beside { run: other.clone(), comparison: comparison.clone() }), ..night() };
    assert_eq!(night.document().unwrap().first, Vec::<String>::new());
    let document = night.document().unwrap();
    let section = document.sections.iter().find(|section| section.heading == "Beside run 11").unwrap();
    let rows = &section.tables[0].rows;
    assert_eq!(rows[0], ["mean, cd/m²", "1.50 ± 0.50", "differs"].map(str::to_owned));
    assert_eq!(rows[1][2], "can't be told apart");
    assert!(document.summary.last().unwrap().words.contains("They differ."));
    let told = night.rows();
    let difference = told.iter().find(|row| row.quantity == "mean_difference").unwrap();
    assert_eq!((difference.patch.as_str(), difference.value), ("run 11", Some(1.5)));
    assert_eq!(serde_json::to_value(night.figures()).unwrap()["against"]["run"], 11);
}

#[test]
fn a_night_beside_one_of_another_kind_or_of_other_light_says_so_before_all_else() {
    let comparison = json!({ "one": statistics(), "other": statistics(), "message": "They differ." });
    let mut other = run();
    other["run"] = json!(7);
    other["plan"]["kind"] = json!("warm_up");
    other["plan"]["stimulus"] =
        json!({"colour": [1023, 1023, 1023], "background": [0, 0, 0], "bits": 10, "window_percent": 10.0});
    let beside = Beside {
        run: serde_json::from_value(other).unwrap(),
        comparison: serde_json::from_value(comparison).unwrap(),
    };
    let night = Night { against: Some(beside), ..night() };
    let first = night.document().unwrap().first;
    let told = first.join(". ");
    assert!(first.len() == 2 && told.contains("this run is of drift, run 7 of warm-up"), "{first:?}");
    assert!(!told.contains("other light") && told.contains("1023,1023,1023"), "{first:?}");
    assert!(told.contains("isn't known of this run"), "somebody else showed it: {first:?}");
    let json = serde_json::to_value(night.figures()).unwrap();
    assert_eq!(json["against"]["cautions"], json!(first));
    let mut this = run();
    this["plan"]["stimulus"] =
        json!({"colour": [512, 512, 512], "background": [0, 0, 0], "bits": 10, "window_percent": 10.0});
    let both = Night { run: serde_json::from_value(this).unwrap(), ..night };
    let told = both.document().unwrap().first.join(". ");
    assert!(
        told.contains("other light") && told.contains("512,512,512") && told.contains("1023,1023,1023"),
        "{told}"
    );
}

#[test]
fn a_run_that_is_over_without_a_verdict_has_none_and_is_not_waited_for() {
    let run: Run = serde_json::from_value(run()).unwrap();
    let of = |state| super::verdict(&Run { state, verdict: None, ..run.clone() }).1;
    let told =
        [RunState::Running, RunState::Done, RunState::Stopped, RunState::Failed, RunState::Unknown].map(of);
    assert_eq!(told, ["none yet", "none", "none", "failed", "none"]);
}

#[test]
fn a_warm_up_tells_what_it_settled_at_with_its_interval() {
    let mut told = run();
    told["plan"]["kind"] = json!("warm_up");
    told["verdict"] = json!("settled");
    told["settled"] = json!({
        "meter": "bench", "quantity": "luminance", "verdict": "settled", "waited_s": 5340.0, "flags": ["simulated"], "message": "m",
        "evidence": {"window_s": 60.0, "n": 60, "outliers": 0, "steps": 0, "failing": []},
        "value": {"y": 120.03, "y_u95": 0.25, "y_standard": 0.12, "coverage_factor": 2.0, "degrees_of_freedom": 60.0, "n_effective": 62.0},
    });
    let run: Run = serde_json::from_value(told).unwrap();
    let mut night = Night { run, ..night() };
    night.course.settled = crate::course::Level::of(&night.run);
    let told = &night.summary()[1];
    assert_eq!(told.words, "It settled at 120.03 ± 0.25 cd/m², with 95 %: repeatability alone.");
    let row = night.rows().into_iter().find(|row| row.quantity == "settled_at").unwrap();
    assert_eq!((row.value, row.low, row.high), (Some(120.03), Some(119.78), Some(120.28)));
    let document = night.document().unwrap();
    let light = document.plots().next().unwrap();
    assert!(light.scene.shapes.iter().any(|shape| shape.role == "settled"));
    // One that gave up has a value too, which it did not settle at.
    night.run.settled.as_mut().unwrap().verdict = settled_protocol::settling::Verdict::TimedOut;
    assert_eq!(crate::course::Level::of(&night.run), None);
}
