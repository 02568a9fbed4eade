//! What a stretch of the log comes to: from the real daemon, and against published numbers and a library that isn't ours.

mod allan;
mod drifting;

use std::process::Command;

use serde_json::{Value, json};

use crate::outside::python;
use crate::support::daemon::Daemon;

const CONFIG: &str = "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\n";

/// Two nights of ten-second readings in the log of a daemon that isn't running. In the first, UTC is set a day forward at one in the
/// morning and back again at two; the second is an hour late and brighter by 0.5. Both fall by 0.06 an hour, the noise is that of a
/// generator that is always the same, and goes to the ninth power of ten and back.
const NIGHTS: &str = r#"
import sqlite3, sys
log = sqlite3.connect(sys.argv[1])
log.execute("INSERT INTO boots (name) VALUES ('of another machine')")
boot, = log.execute("SELECT id FROM boots WHERE name = 'of another machine'").fetchone()
meter, = log.execute("SELECT id FROM meters WHERE name = 'm'").fetchone()
state = 1234567890
def noise():
    global state
    total = 0
    for _ in range(12):
        state = state * 16807 % 2147483647
        total += state / 2147483647
    return total - 6
day = 86400
for night in range(2):
    start = 1767225600 + 18 * 3600 + night * (day + 3600)
    run, = log.execute("INSERT INTO runs (meter, state, document) VALUES (?, 'done', '{}') RETURNING run", (meter,)).fetchone()
    for step in range(2880):
        t = 10.0 * step
        utc = start + t + (day if night == 0 and 7 * 3600 <= t < 8 * 3600 else 0)
        value = 120 + 0.5 * night - 0.06 * t / 3600 + 0.05 * noise()
        row = log.execute("""INSERT INTO readings (meter, boot, at_ns, t_s, began_s, illuminance, value, coloured, temperature_c, flags)
            VALUES (?, ?, ?, ?, ?, 0, ?, 0, ?, 'simulated')""",
            (meter, boot, int(utc * 1e9), 5000 + night * (day + 3600) + t, 5000 + t, value, 31 + 0.001 * noise()))
        log.execute("INSERT INTO run_readings (run, sequence, at_ns) VALUES (?, ?, ?)", (run, row.lastrowid, int(utc * 1e9)))
log.commit()
"#;

fn with_nights() -> Daemon {
    let mut daemon = Daemon::start(CONFIG);
    daemon.client().call("meter.read", &json!({"meter": "m"}));
    daemon.signal(nix::sys::signal::Signal::SIGTERM);
    daemon.ended();
    let made = Command::new(python()).args(["-c", NIGHTS]).arg(daemon.path("log.sqlite")).output().unwrap();
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    daemon.launch();
    daemon
}

fn number(value: &Value, path: &str) -> f64 {
    value.pointer(path).and_then(Value::as_f64).unwrap_or_else(|| panic!("no {path} in {value}"))
}

#[test]
fn a_night_in_the_log_comes_to_the_figures_of_the_process_that_made_it_though_utc_was_set_by_a_day() {
    let daemon = with_nights();
    let told = daemon.client().call("log.statistics", &json!({"run": 1}));
    assert_eq!(told["count"], 2880);
    assert_eq!(
        (number(&told, "/span_s"), &told["gaps"], &told["bin_s"]),
        (28_790.0, &json!(0), &json!(20.0))
    );
    assert!((number(&told, "/value/mean") - 119.76).abs() < 0.005, "{told}");
    assert!(
        (number(&told, "/value/drift/low_per_h")..number(&told, "/value/drift/high_per_h")).contains(&-0.06)
    );
    assert!(number(&told, "/value/drift/high_per_h") - number(&told, "/value/drift/low_per_h") < 0.01);
    assert_eq!(told["value"]["drift"].get("caution"), None);
    let message = told["message"].as_str().unwrap();
    assert!(
        message.contains("falls by 0.05")
            && message.contains(" % an hour, or 0.06")
            && message.contains("simulated"),
        "{message}"
    );
    // Two readings a bin of white noise of 0.05.
    assert!((number(&told, "/value/allan/0/deviation") / (0.05 / 2_f64.sqrt()) - 1.0).abs() < 0.05);
    assert_eq!(told["value"]["allan"][0]["noise"], "white");
    let second = daemon.client().call("log.statistics", &json!({"run": 2}));
    assert_eq!((&second["count"], &second["meter"]), (&json!(2880), &json!("m")));
}

#[test]
fn a_night_differs_from_another_by_what_it_was_made_to() {
    let daemon = with_nights();
    let told = daemon.client().call("log.compare", &json!({"one": {"run": 1}, "other": {"run": 2}}));
    assert_eq!(told["mean"]["differs"], true);
    assert!((number(&told, "/mean/value") - 0.5).abs() < 0.01, "{told}");
    assert_eq!(told["drift_per_h"]["differs"], false, "{told}");
    assert!((number(&told, "/drift_per_h/low")..number(&told, "/drift_per_h/high")).contains(&0.0));
    assert!(told["message"].as_str().unwrap().starts_with("The mean of the other is higher by 0.5"));
}

#[test]
fn a_stretch_that_makes_no_sense_is_refused_with_what_there_is() {
    let daemon = with_nights();
    let mut client = daemon.client();
    let mut refused = |params: &Value| {
        let asked = client.ask("log.statistics", params);
        let error = client.answer(asked)["error"].take();
        (error["data"]["kind"].as_str().unwrap().to_owned(), error["message"].as_str().unwrap().to_owned())
    };
    for (params, kind, part) in [
        (json!({}), "invalid_params", "one of params.meter and params.run"),
        (json!({"meter": "n"}), "invalid_params", "it knows [\"m\"]"),
        (
            json!({"meter": "m", "until": "2001-01-01T00:00:00Z"}),
            "invalid_params",
            "the log has some from 2026-01-01T18",
        ),
        (json!({"meter": "m", "bin_s": 0.0}), "invalid_params", "params.bin_s must be"),
        (json!({"meter": "n", "run": 1}), "invalid_params", "run 1 is of meter \"m\""),
        (json!({"run": 7}), "no_such_run", "there is no run 7"),
    ] {
        let (found, message) = refused(&params);
        assert_eq!(found, kind, "{params}: {message}");
        assert!(message.contains(part), "{params}: {message}");
    }
}
