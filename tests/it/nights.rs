//! `settle run` and `settle runs`: a night that is typed, waited for, watched, and ended.

use std::fs::File;
use std::process::{Child, Output};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::{Value, json};

use crate::support::daemon::{Daemon, wait_until};

/// Light that holds still at once, and an hour that takes a few seconds.
const FAST: &str = "[log]\npath = \"log.sqlite\"\nsurvives = \"crash\"\n[clock]\nspeed = 1000\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\n";

/// The same, by the clock on the wall.
const REAL: &str = "[log]\npath = \"log.sqlite\"\nsurvives = \"crash\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\n";

fn words(output: &Output) -> (Option<i32>, String, String) {
    let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap();
    (output.status.code(), text(&output.stdout), text(&output.stderr))
}

/// The number of a run that was begun.
fn begun(daemon: &Daemon, arguments: &[&str]) -> u64 {
    let output = daemon.run_settle(&[&["--json", "run"], arguments].concat());
    assert!(output.status.success(), "{:?}", words(&output));
    let run: Value = serde_json::from_slice(&output.stdout).unwrap();
    run["run"].as_u64().unwrap()
}

fn run_of(daemon: &Daemon, number: u64) -> Value {
    daemon.client().call("runs.show", &json!({ "run": number }))
}

/// A program that goes on, and what it has said so far.
fn beside(daemon: &Daemon, arguments: &[&str]) -> Child {
    let (out, said) = (daemon.path("out"), daemon.path("said"));
    let mut settle = daemon.settle(arguments);
    settle.stdout(File::create(out).unwrap()).stderr(File::create(said).unwrap()).spawn().unwrap()
}

fn said(daemon: &Daemon, name: &str) -> String {
    std::fs::read_to_string(daemon.path(name)).unwrap()
}

fn status_of(mut child: Child) -> Option<i32> {
    let mut status = None;
    wait_until("settle ends", || {
        status = child.try_wait().unwrap();
        status.is_some()
    });
    status.and_then(|status| status.code())
}

#[test]
fn a_night_that_is_waited_for_ends_as_it_went() {
    let daemon = Daemon::start(FAST);
    let mut client = daemon.client();
    client.wait_for_state("m", "ready");
    wait_until("the display is warm", || {
        client.call("meter.read", &json!({"meter": "m"}))["t_s"].as_f64().unwrap() > 5400.0
    });
    // A busy machine must not make an alert of its own: a minute is little at this speed.
    let lost = ["--alert-lost", "24h"];
    let night =
        [&["run", "drift", "m", "--for", "20min", "--interval", "1min", "--wait", "--quiet"][..], &lost]
            .concat();
    let wide = ["--luminance", "50%", "--chromaticity", "0.1"];
    let good = words(&daemon.run_settle(&[&night[..], &wide].concat()));
    assert_eq!(good.0, Some(0), "{good:?}");
    assert!(good.1.contains("within") && good.1.contains("SIMULATED"), "{good:?}");
    let narrow = ["--luminance", "0.0001%", "--luminance-floor", "0", "--chromaticity", "0.000001"];
    let bad = words(&daemon.run_settle(&[&night[..], &narrow].concat()));
    assert_eq!(bad.0, Some(3), "{bad:?}");
    let file = daemon.path("alerts");
    let command = format!("cat >>'{}'", file.display());
    let alarming = ["--alert-luminance", "0.0001%", "--on-alert", &command];
    let alerted = words(&daemon.run_settle(&[&night[..], &wide, &alarming].concat()));
    assert_eq!(alerted.0, Some(4), "{alerted:?}");
    assert!(alerted.2.contains("ALERT, run 3"), "{alerted:?}");
    let told: Value = serde_json::from_str(said(&daemon, "alerts").lines().next().unwrap()).unwrap();
    assert_eq!((&told["run"]["run"], &told["alert"]["kind"]), (&json!(3), &json!("luminance")));
    // A caution about panels is for those that exist.
    assert!(!good.2.contains("caution") && !alerted.2.contains("caution"), "{good:?}");
}

#[test]
fn a_warm_up_that_is_waited_for_gives_one_object_that_has_settled() {
    let daemon = Daemon::start(FAST);
    daemon.client().wait_for_state("m", "ready");
    let output = daemon.run_settle(&[
        "run",
        "warm-up",
        "--label",
        "monitor 4",
        "--for",
        "1h",
        "--alert-lost",
        "24h",
        "--wait",
        "--json",
    ]);
    let (status, out, said) = words(&output);
    assert_eq!((status, out.lines().count()), (Some(0), 1), "{out}{said}");
    let run: settled_protocol::run::Run = serde_json::from_str(&out).unwrap();
    assert!(run.settled.is_some() && run.state.is_over(), "{out}");
    assert!(said.lines().all(|line| serde_json::from_str::<Value>(line).is_ok()), "{said}");
}

#[test]
fn a_run_goes_on_though_whoever_waits_for_it_is_interrupted() {
    let daemon = Daemon::start(REAL);
    daemon.client().wait_for_state("m", "ready");
    let waiting = beside(&daemon, &["run", "drift", "--interval", "100ms", "--wait"]);
    wait_until("the run is told", || said(&daemon, "said").contains("settle runs stop 1"));
    wait_until("it has points", || run_of(&daemon, 1)["points"].as_u64() > Some(2));
    kill(Pid::from_raw(i32::try_from(waiting.id()).unwrap()), Signal::SIGINT).unwrap();
    assert_eq!(status_of(waiting), Some(130));
    assert!(said(&daemon, "said").contains("interrupted: run 1 goes on"), "{}", said(&daemon, "said"));
    let points = run_of(&daemon, 1)["points"].as_u64();
    wait_until("it goes on", || run_of(&daemon, 1)["points"].as_u64() > points);
    let stopped = words(&daemon.run_settle(&["runs", "stop", "1", "--reason", "seen enough"]));
    assert!(stopped.0 == Some(0) && stopped.1.starts_with("Run 1, drift of m: stopped"), "{stopped:?}");
    let by = run_of(&daemon, 1)["message"].as_str().unwrap().to_owned();
    assert!(by.starts_with("Stopped by \"settle\" (process ") && by.contains("): seen enough"), "{by}");
    let again = words(&daemon.run_settle(&["--json", "runs", "stop", "1"]));
    assert!(again.0 == Some(1) && again.2.contains("\"run_refused\""), "{again:?}");
}

#[test]
fn a_night_is_skipped_or_all_of_them_are_stopped_and_it_is_said_which() {
    let daemon = Daemon::start(REAL);
    daemon.client().wait_for_state("m", "ready");
    let nightly = ["drift", "m", "--nightly", "03:00", "--for", "10min", "--nights", "5"];
    let number = begun(&daemon, &nightly).to_string();
    let skipped = words(&daemon.run_settle(&["runs", "stop", &number, "--this-night"]));
    let left = "The nights to come are left: run 2 begins at ";
    assert!(skipped.0 == Some(0) && skipped.1.contains(left), "{skipped:?}");
    assert_eq!(run_of(&daemon, 2)["state"], "planned");
    let stopped = words(&daemon.run_settle(&["runs", "stop", "2"]));
    assert!(
        stopped.0 == Some(0) && !stopped.1.contains("nights to come"),
        "none was planned yet: {stopped:?}"
    );
    let planned = daemon.client().call("runs.list", &json!({"state": "planned"}));
    assert_eq!(planned["runs"], json!([]));
}

#[test]
fn a_night_that_is_left_comes_though_the_daemon_is_killed_right_after_the_answer() {
    let mut daemon = Daemon::start(REAL);
    daemon.client().wait_for_state("m", "ready");
    let nightly = ["drift", "m", "--nightly", "03:00", "--for", "10min"];
    let mut number = begun(&daemon, &nightly);
    for _ in 0..5 {
        let stopped = daemon.client().call("runs.stop", &json!({"run": number, "this_night": true}));
        daemon.kill();
        daemon.launch();
        let planned = daemon.client().call("runs.list", &json!({"state": "planned"}))["runs"].clone();
        let next = planned[0]["run"].as_u64().unwrap();
        let said = stopped["message"].as_str().unwrap();
        assert!(said.contains(&format!("run {next} begins at ")), "{said} {planned}");
        assert_eq!(planned.as_array().map(Vec::len), Some(1), "{planned}");
        number = next;
    }
    let stopped = daemon.client().call("runs.stop", &json!({ "run": number }));
    assert_eq!(stopped["state"], "stopped");
}

#[test]
fn whoever_watches_a_run_sees_it_to_its_end_across_a_kill_of_the_daemon() {
    let mut daemon = Daemon::start(REAL);
    daemon.client().wait_for_state("m", "ready");
    let number =
        begun(&daemon, &["drift", "m", "--interval", "100ms", "--luminance", "50%", "--chromaticity", "0.1"]);
    let watching = beside(&daemon, &["--json", "runs", "watch", &number.to_string()]);
    let seen = |daemon: &Daemon| {
        let lines = said(daemon, "out");
        let last = lines.lines().rev().find_map(|line| serde_json::from_str::<Value>(line).ok());
        last.and_then(|line| line["run"]["points"].as_u64()).unwrap_or_default()
    };
    wait_until("points are seen", || seen(&daemon) > 3);
    daemon.kill();
    wait_until("that is said", || said(&daemon, "said").contains("\"lost\""));
    let before = seen(&daemon);
    daemon.launch();
    wait_until("more are seen", || seen(&daemon) > before + 3);
    assert!(said(&daemon, "said").contains("\"back\""));
    let stopped = daemon.client().call("runs.stop", &json!({ "run": number }));
    let status = status_of(watching);
    let verdict = stopped["verdict"].as_str();
    assert_eq!(status, if verdict == Some("within") { Some(0) } else { Some(3) }, "{stopped}");
    let out = said(&daemon, "out");
    let last: Value = serde_json::from_str(out.lines().last().unwrap()).unwrap();
    assert_eq!(last["run"]["state"], "stopped");
}

#[test]
fn runs_are_listed_shown_and_watched_in_words() {
    let daemon = Daemon::start(REAL);
    daemon.client().wait_for_state("m", "ready");
    let none = words(&daemon.run_settle(&["runs"]));
    assert!(none.0 == Some(0) && none.1.is_empty() && none.2.contains("no runs"), "{none:?}");
    let planned =
        words(&daemon.run_settle(&["run", "stability", "--for", "2h", "--at", "2126-11-28T18:00:00Z"]));
    assert!(planned.0 == Some(0) && planned.1.contains("Run 1 is planned: stability of m"), "{planned:?}");
    let number =
        begun(&daemon, &["drift", "m", "--interval", "100ms", "--label", "monitor 4", "--for", "2s"]);
    let watched = words(&daemon.run_settle(&["runs", "watch", &number.to_string()]));
    assert!(watched.1.contains("Run 2, drift of m, monitor 4: done"), "{watched:?}");
    let listed = words(&daemon.run_settle(&["runs"])).1;
    let lines: Vec<&str> = listed.lines().collect();
    assert!(lines[1].trim_start().starts_with("2  drift") && lines[1].ends_with("monitor 4"), "{listed}");
    assert!(lines[2].trim_start().starts_with("1  stability  m      planned"), "{listed}");
    let one = words(&daemon.run_settle(&["runs", "--state", "planned"])).1;
    assert_eq!(one.lines().count(), 2, "{one}");
    let shown = words(&daemon.run_settle(&["runs", "show", "2"])).1;
    for part in ["Run 2: drift of m, monitor 4", "points ", "verdict ", "events ", "SIMULATED"] {
        assert!(shown.contains(part), "{shown}");
    }
    let absent = words(&daemon.run_settle(&["runs", "show", "99"]));
    assert!(absent.0 == Some(1) && absent.2.contains("settle runs lists those there are"), "{absent:?}");
    let unknown = words(&daemon.run_settle(&["run", "drift", "nope"]));
    assert!(unknown.0 == Some(1) && unknown.2.contains("nope"), "{unknown:?}");
}

#[test]
fn without_a_log_there_is_no_run_and_that_is_said() {
    let daemon = Daemon::start(
        "[log]\npath = \"off\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\n",
    );
    let refused = words(&daemon.run_settle(&["run", "drift", "m"]));
    assert!(refused.0 == Some(1) && refused.2.contains("settle status says why"), "{refused:?}");
}
