//! The machine's clock set by a day, forwards and backwards, under the real daemon (libfaketime; the clocks that spans come from go on).

use std::path::PathBuf;

use serde_json::{Value, json};

use crate::support::daemon::{Daemon, wait_until};

const CONFIG: &str = "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"self-emitting\"\nintegration_s = [0.02, 5]\nautomatic_s = 0.05\nzero_at_start = false\n";

const DAY_S: f64 = 86_400.0;

/// What fakes the clock, wherever this architecture has its libraries.
fn library() -> PathBuf {
    let folders = std::fs::read_dir("/usr/lib").unwrap().map(|entry| entry.unwrap().path());
    let mut found =
        folders.map(|folder| folder.join("faketime/libfaketime.so.1")).filter(|path| path.exists());
    found.next().expect("libfaketime is missing: install faketime, or run tests/run")
}

fn seconds(reading: &Value, member: &str) -> f64 {
    reading[member].as_f64().unwrap()
}

/// UTC of a reading, in s since some moment of the same month.
fn utc_s(client: &mut crate::support::client::Client, sequence: u64) -> f64 {
    let page = client.call("log.readings", &json!({"after": sequence - 1, "limit": 1}));
    let at = page["readings"][0]["at"].as_str().unwrap().to_owned();
    let output = std::process::Command::new("date").args(["-u", "+%s.%N", "-d", &at]).output().unwrap();
    String::from_utf8(output.stdout).unwrap().trim().parse().unwrap()
}

#[test]
fn a_clock_that_is_set_by_a_day_either_way_bends_no_span_and_is_told() {
    let mut daemon = Daemon::configured(CONFIG);
    let (offset, next) = (daemon.path("offset"), daemon.path("next"));
    let set = |text: &str| {
        std::fs::write(&next, text).unwrap();
        std::fs::rename(&next, &offset).unwrap();
    };
    set("+0");
    let mut command = daemon.command();
    command
        .env("LD_PRELOAD", library())
        .env("FAKETIME_TIMESTAMP_FILE", &offset)
        .env("FAKETIME_NO_CACHE", "1");
    command.env("FAKETIME_DONT_FAKE_MONOTONIC", "1").env("DONT_FAKE_MONOTONIC", "1");
    daemon.launch_by(command);
    let (mut client, mut watcher) = (daemon.client(), daemon.client());
    client.wait_for_state("m", "ready");
    watcher.call("meter.observe", &json!({"meter": "m", "interval_s": 0.2}));
    let mut steps = Vec::new();
    let mut last = watcher.notice("reading")["reading"].take();
    for (text, step_s) in [("+1d", DAY_S), ("-1d", -2.0 * DAY_S), ("+0", DAY_S)] {
        let before = last["sequence"].as_u64().unwrap();
        let before_s = utc_s(&mut client, before);
        set(text);
        steps.push(step_s);
        wait_until("the step is an event", || {
            let events = client.call("log.events", &json!({}))["events"].take();
            let told: Vec<f64> = events
                .as_array()
                .unwrap()
                .iter()
                .filter(|event| event["kind"] == "clock_step")
                .map(|event| {
                    let detail = event["detail"].as_str().unwrap();
                    detail.trim_start_matches("UTC was set by ").trim_end_matches(" s").parse().unwrap()
                })
                .collect();
            told.len() == steps.len()
                && told.iter().zip(&steps).all(|(told, step_s): (&f64, _)| (told - step_s).abs() < 0.5)
        });
        // The beat goes on, and spans stay what they are.
        let t_s = seconds(&last, "t_s");
        for _ in 0..5 {
            let next = watcher.notice("reading")["reading"].take();
            let (sequence, span_s) =
                (next["sequence"].as_u64().unwrap(), seconds(&next, "t_s") - seconds(&last, "t_s"));
            assert!(
                sequence > last["sequence"].as_u64().unwrap() && (0.0..5.0).contains(&span_s),
                "{last} {next}"
            );
            last = next;
        }
        let (after, passed_s) = (last["sequence"].as_u64().unwrap(), seconds(&last, "t_s") - t_s);
        let moved_s = utc_s(&mut client, after) - before_s - passed_s;
        assert!((moved_s - step_s).abs() < 0.5, "UTC of readings moved by {moved_s} s, not {step_s} s");
    }
    // A lease that is good for half a minute is neither over nor any longer.
    let lease = client.call("meter.lease", &json!({"meter": "m", "ttl_s": 30}))["lease"].take();
    set("+1d");
    let renewed = client.call("meter.renew", &json!({"lease": lease}));
    assert_eq!(renewed["lease"], lease, "{renewed}");
}
