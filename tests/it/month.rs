//! A month of one reading a minute, under a clock that is quick: memory, size of the log, and what comes out.

use std::time::{Duration, Instant};

use serde_json::{Value, json};

use crate::support::daemon::Daemon;

/// Times faster than the machine's clock: a month in about a minute.
const SPEED: f64 = 40_000.0;

const DAY_S: f64 = 86_400.0;
const MONTH_S: f64 = 30.0 * DAY_S;

/// The display: this much when warm, a share more when cold, and how long that takes to go, in s.
const WARM: f64 = 300.0;
const COLD: f64 = 0.02;
const COLD_S: f64 = 10.0 * DAY_S;

/// How long the month may take, in real time: the machine may have other things to do.
const PATIENCE: Duration = Duration::from_secs(300);

/// Memory that the daemon may gain over the month, in bytes. What it has learnt of a month is no more than what it has of a day.
const MOST_MEMORY: f64 = 2.0 * 1024.0 * 1024.0;

/// Bytes of the log that a reading and a gap take, as `daemon/RUNS.md` says.
const READING_BYTES: f64 = 190.0;
const GAP_BYTES: f64 = 165.0;

/// The light so long after the display was switched on: x' = (target - x)/tau, as `drivers/SIMULATED.md` has it.
fn light(t_s: f64) -> f64 {
    WARM * (1.0 + COLD * (-t_s / COLD_S).exp())
}

/// The slope of the line by least squares through these, and nothing else.
fn slope(points: &[(f64, f64)]) -> f64 {
    let count = points.len() as f64;
    let mean = |of: fn(&(f64, f64)) -> f64| points.iter().map(of).sum::<f64>() / count;
    let (x, y) = (mean(|point| point.0), mean(|point| point.1));
    let along: f64 = points.iter().map(|point| (point.0 - x) * (point.1 - y)).sum();
    along / points.iter().map(|point| (point.0 - x).powi(2)).sum::<f64>()
}

/// Memory that a process has, in bytes (proc(5), VmRSS).
fn memory(pid: u32) -> f64 {
    let status = std::fs::read_to_string(format!("/proc/{pid}/status")).unwrap();
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).unwrap();
    1024.0 * line.trim().trim_end_matches(" kB").parse::<f64>().unwrap()
}

#[test]
fn a_month_takes_no_memory_and_no_more_of_the_log_than_is_said_and_tells_the_drift_of_the_display() {
    let folder = tempfile::tempdir().unwrap();
    let told = folder.path().join("told");
    let config = format!(
        "[clock]\nspeed = {SPEED}\n[log]\npath = \"log.sqlite\"\nsurvives = \"crash\"\n\
         [runs]\nalert_command = [\"/bin/sh\", \"-c\", \"cat >> \\\"$0\\\"\", \"{}\"]\n\
         [[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\nfilter_error = 0\ndark_cd_m2 = 0\n\
         peak_cd_m2 = {WARM}\ncold = [{COLD}, 0]\ncold_s = [{COLD_S}, 900]\ncold_white = [0, 0]\nsag = 0\nretention = 0\n",
        told.display()
    );
    let daemon = Daemon::start(&config);
    let mut client = daemon.client();
    client.wait_for_state("m", "ready");
    let plan = json!({"meter": "m", "kind": "drift", "duration_s": MONTH_S,
                      "alert": {"luminance": 0.01, "lost_s": 86_400.0}});
    let run = client.call("runs.start", &plan)["run"].clone();
    let (mut samples, begun) = (Vec::new(), Instant::now());
    let done = loop {
        let now = client.call("runs.list", &json!({"limit": 1}))["runs"][0].take();
        if now["state"] != "running" {
            break now;
        }
        samples.push((now["elapsed_s"].as_f64().unwrap() / DAY_S, memory(daemon.pid())));
        assert!(begun.elapsed() < PATIENCE, "{now}");
        std::thread::park_timeout(Duration::from_millis(250));
    };
    assert_eq!(done["state"], "done", "{done}");
    let (points, missed) = (done["points"].as_f64().unwrap(), done["missed"].as_f64().unwrap());
    // A machine with other things to do comes too late for some, which are counted; on an idle one there are hardly any.
    assert!(points > 2_000.0, "{points} points, {missed} missed");
    // Too late by less than what counts as a gap, some are neither.
    assert!((40_000.0..=43_201.0).contains(&(points + missed)), "{points} points, {missed} missed");

    // Its caches fill in the first days.
    samples.retain(|(day, _)| *day > 6.0);
    let gained = slope(&samples);
    eprintln!("{points} readings in {:?}; memory: {gained:+.0} bytes a day", begun.elapsed());
    assert!(30.0 * gained < MOST_MEMORY, "{gained} bytes a day: {samples:?}");

    let size = client.call("daemon.status", &json!({}))["log"]["bytes"].as_f64().unwrap();
    let predicted = READING_BYTES * points + GAP_BYTES * done["gaps"].as_f64().unwrap();
    eprintln!("the log takes {size} bytes, {:.3} of what is predicted", size / predicted);
    assert!((0.75..1.25).contains(&(size / predicted)), "{size} bytes, not {predicted}: {done}");

    // What the line through the display's own light would be, at an even beat.
    let truth: Vec<(f64, f64)> =
        (0..43_200).map(|minute| f64::from(minute) * 60.0).map(|t_s| (t_s / 3600.0, light(t_s))).collect();
    let (truth, found) = (slope(&truth), done["drift"]["per_h"].as_f64().unwrap());
    // Where the machine came too late for many minutes, those that it saw lie unevenly along a curve.
    assert!((found / truth - 1.0).abs() < 0.1, "{found} an hour, not {truth}");
    // A reading of this light is noisy by 0.26 cd/m² (0.015·√(300 cd/m² · 1 s)): within five of that.
    for (point, t_s) in [("reference", 0.0), ("latest", MONTH_S)] {
        let value = done[point]["value"].as_f64().unwrap();
        assert!((value - light(t_s)).abs() < 1.3, "{point}: {value}, not {}", light(t_s));
    }
    assert_eq!((&done["verdict"], &done["alerts"]), (&json!("beyond"), &json!(1)), "{done}");
    let line = std::fs::read_to_string(&told).unwrap();
    let alert: Value = serde_json::from_str(&line).unwrap();
    assert_eq!((&alert["alert"]["kind"], &alert["run"]["run"]), (&json!("luminance"), &run));
}
