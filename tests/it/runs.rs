//! Runs in the real daemon: they belong to it, and outlive their client and itself.

use std::time::Duration;

use nix::sys::signal::Signal;
use serde_json::{Value, json};

use crate::support::client::Client;
use crate::support::daemon::{Daemon, wait_until};
use crate::support::instrument::Instrument;

const CONFIG: &str = "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\n\
    instant = true\ncold = [0, 0]\ncold_white = [0, 0]\nsag = 0\nretention = 0\n";

fn start(client: &mut Client, members: &Value) -> Value {
    let mut plan = json!({"meter": "m", "kind": "drift"});
    plan.as_object_mut().unwrap().extend(members.as_object().unwrap().clone());
    client.call("runs.start", &plan)
}

fn show(client: &mut Client, run: &Value) -> Value {
    client.call("runs.show", &json!({"run": run}))
}

/// Waits until a run is as it should be.
fn until(client: &mut Client, run: &Value, what: &str, is_so: impl Fn(&Value) -> bool) -> Value {
    let mut now = Value::Null;
    wait_until(what, || {
        now = show(client, run);
        is_so(&now)
    });
    now
}

fn is_over(run: &Value) -> bool {
    !["planned", "running"].contains(&run["state"].as_str().unwrap())
}

/// What was written down about a run.
fn kinds(client: &mut Client, run: &Value) -> Vec<String> {
    let page = client.call("log.events", &json!({"run": run}));
    page["events"]
        .as_array()
        .unwrap()
        .iter()
        .map(|event| event["kind"].as_str().unwrap().to_owned())
        .collect()
}

/// The readings of a run that are in the log.
fn readings(client: &mut Client, run: &Value) -> Vec<u64> {
    let page = client.call("log.readings", &json!({"run": run}));
    page["readings"].as_array().unwrap().iter().map(|reading| reading["sequence"].as_u64().unwrap()).collect()
}

#[test]
fn a_run_outlives_its_client_and_a_kill_of_the_daemon_and_marks_the_gap() {
    let mut daemon = Daemon::start(CONFIG);
    let run = {
        let mut client = daemon.client();
        let started =
            start(&mut client, &json!({"interval_s": 0.05, "burst": 2, "duration_s": 12, "label": "night"}));
        assert_eq!(started["state"], "running");
        started["run"].clone()
    };
    let before =
        until(&mut daemon.client(), &run, "it has 10 points", |run| run["points"].as_u64() >= Some(10));
    daemon.kill();
    let killed = std::time::Instant::now();
    // Long enough to be a gap: the run plans twenty points a second.
    wait_until("5.5 s have passed", || killed.elapsed() > Duration::from_millis(5500));
    daemon.launch();
    let mut client = daemon.client();
    let done = until(&mut client, &run, "it is over", is_over);
    assert_eq!(
        (&done["state"], &done["gaps"], &done["verdict"]),
        (&json!("done"), &json!(1), &json!("within")),
        "{done}"
    );
    let [told, read_again] = [&before, &done].map(|run| run["reference"].clone());
    assert_eq!((&read_again["at"], &read_again["count"]), (&told["at"], &told["count"]));
    let [told, read_again] = [told, read_again].map(|point| point["value"].as_f64().unwrap());
    assert!((read_again - told).abs() < 1e-9 && done["first"] == before["first"], "{done}");
    assert!(done["gap_s"].as_f64().unwrap() > 5.4 && done["missed"].as_u64().unwrap() > 90, "{done}");
    assert_eq!(kinds(&mut client, &run), ["run_started", "run_resumed", "run_gap", "run_ended"]);
    let mut logged = readings(&mut client, &run);
    // What was being exposed as it ended is in the log, and no part of it.
    let counted = usize::try_from(done["readings"].as_u64().unwrap()).unwrap();
    assert!((counted..=counted + 1).contains(&logged.len()), "{} {done}", logged.len());
    logged.truncate(counted);
    let figures = &done["statistics"];
    assert_eq!(
        (&figures["count"], &figures["first"], &figures["last"]),
        (&done["readings"], &done["first"], &done["last"]),
        "{done}"
    );
    assert_eq!(*figures, client.call("log.statistics", &json!({"run": run})));
    assert_eq!(client.call("runs.list", &json!({}))["runs"][0].get("statistics"), None);
    assert_eq!(
        (done["first"].as_u64(), done["last"].as_u64()),
        (logged.first().copied(), logged.last().copied())
    );
    assert!((11.9..12.1).contains(&done["elapsed_s"].as_f64().unwrap()), "{done}");
}

#[test]
fn a_run_whose_end_passes_while_the_daemon_is_away_ends_with_what_there_is_and_a_missed_one_says_so() {
    let mut daemon = Daemon::start(CONFIG);
    let mut client = daemon.client();
    let going = start(&mut client, &json!({"interval_s": 0.1, "duration_s": 2}))["run"].clone();
    let planned =
        until(&mut client, &going, "it has readings", |run| run["points"].as_u64() >= Some(3))["begins"]
            .clone();
    let begins = nightfall(&planned, 2);
    let later =
        start(&mut client, &json!({"start": begins, "interval_s": 0.1, "duration_s": 1}))["run"].clone();
    let nightly = start(&mut client, &json!({"nightly": {"at": "03:00"}, "duration_s": 600}))["run"].clone();
    daemon.kill();
    let killed = std::time::Instant::now();
    wait_until("their time is over", || killed.elapsed() > Duration::from_secs(4));
    daemon.launch();
    let mut client = daemon.client();
    let ended = until(&mut client, &going, "it is over", is_over);
    assert_eq!(ended["state"], "done", "{ended}");
    assert!(
        ended["message"].as_str().unwrap().starts_with("Its end passed while the daemon was not running"),
        "{ended}"
    );
    assert_eq!(ended["readings"], readings(&mut client, &going).len());
    let missed = until(&mut client, &later, "it is over", is_over);
    assert_eq!(missed["state"], "failed", "{missed}");
    assert!(missed["message"].as_str().unwrap().starts_with("Missed: "), "{missed}");
    assert_eq!(show(&mut client, &nightly)["state"], "planned");
}

/// So many s after a stamp.
fn nightfall(stamp: &Value, seconds: u64) -> String {
    let stamp: settled_protocol::time::Timestamp = stamp.as_str().unwrap().parse().unwrap();
    settled_protocol::time::Timestamp::from_unix_ns(stamp.unix_ns() + seconds * 1_000_000_000).to_string()
}

#[test]
fn a_daemon_that_stops_in_order_leaves_its_runs_to_the_next() {
    let mut daemon = Daemon::start(CONFIG);
    let mut client = daemon.client();
    let run = start(&mut client, &json!({"interval_s": 0.05}))["run"].clone();
    let before = until(&mut client, &run, "it has points", |run| run["points"].as_u64() >= Some(5));
    daemon.signal(Signal::SIGTERM);
    assert_eq!(daemon.ended().code(), Some(0));
    daemon.launch();
    let mut client = daemon.client();
    let points = before["points"].as_u64().unwrap();
    let after = until(&mut client, &run, "it goes on", |run| run["points"].as_u64() > Some(points + 3));
    assert_eq!((&after["state"], &after["reference"]), (&json!("running"), &before["reference"]));
    let stopped = client.call("runs.stop", &json!({"run": run, "reason": "the panel goes out"}));
    assert_eq!(stopped["state"], "stopped");
    assert!(stopped["message"].as_str().unwrap().contains("the panel goes out"), "{stopped}");
    assert_eq!(client.refusal("runs.stop", &json!({"run": run})), "run_refused");
    assert_eq!(client.refusal("runs.show", &json!({"run": 77})), "no_such_run");
    let list = client.call("runs.list", &json!({"state": "stopped"}));
    assert_eq!((list["runs"].as_array().unwrap().len(), &list["runs"][0]["run"]), (1, &run));
}

#[test]
fn whoever_observes_runs_hears_of_their_beginning_their_progress_and_their_end() {
    let daemon = Daemon::start(CONFIG);
    let (mut client, mut watcher, mut other) = (daemon.client(), daemon.client(), daemon.client());
    let all = watcher.call("runs.observe", &json!({}))["subscription"].clone();
    assert_eq!(other.refusal("runs.observe", &json!({"run": 1})), "no_such_run");
    let run = start(&mut client, &json!({"interval_s": 0.05, "duration_s": 2.5}))["run"].clone();
    let second =
        start(&mut client, &json!({"kind": "stability", "interval_s": 0.05, "duration_s": 0.5 + 1.0}))["run"]
            .clone();
    other.call("runs.observe", &json!({"run": second}));
    let mut told = Vec::new();
    while told.last().is_none_or(|last: &Value| last["run"]["run"] != run || !is_over(&last["run"])) {
        told.push(watcher.notice("runs.changed"));
    }
    assert!(told.iter().all(|notice| notice["subscription"] == all));
    let of_run: Vec<&Value> =
        told.iter().map(|notice| &notice["run"]).filter(|now| now["run"] == run).collect();
    assert_eq!(of_run[0]["state"], "running");
    let progress = of_run.iter().filter(|now| now["state"] == "running").count();
    assert!((2..=5).contains(&progress), "at most one a second: {progress}");
    let of_second =
        std::iter::from_fn(|| Some(other.notice("runs.changed")["run"].take())).find(is_over).unwrap();
    assert_eq!((&of_second["run"], &of_second["state"]), (&second, &json!("done")));
    assert!(other.notices.iter().all(|notice| notice["params"]["run"]["run"] == second));
}

#[test]
fn guests_may_look_at_runs_and_neither_start_nor_stop_any() {
    use settled::access::GUESTS_USUALLY_MAY;
    for (method, may) in [
        ("runs.list", true),
        ("runs.show", true),
        ("runs.observe", true),
        ("runs.start", false),
        ("runs.stop", false),
    ] {
        assert_eq!(GUESTS_USUALLY_MAY.contains(&method), may, "{method}");
    }
}

#[test]
fn without_a_log_a_run_is_refused() {
    let daemon = Daemon::start(&CONFIG.replace("log.sqlite", "off"));
    let mut client = daemon.client();
    assert_eq!(client.refusal("runs.start", &json!({"meter": "m", "kind": "drift"})), "log_unavailable");
    assert_eq!(client.refusal("runs.list", &json!({})), "log_unavailable");
}

#[test]
fn a_meter_that_is_pulled_out_is_an_alert_and_a_gap_and_the_run_goes_on_once_it_is_back() {
    let daemon = Daemon::configured(
        "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"m\"\ndriver = \"profile\"\nprofile = \"quick.toml\"\nport = \"port\"\n",
    );
    std::fs::write(daemon.path("quick.toml"), crate::links::quick()).unwrap();
    let mut instrument = Instrument::start(&daemon.path("port"));
    let mut daemon = daemon;
    daemon.launch();
    let mut client = daemon.client();
    client.wait_for_state("m", "ready");
    let run =
        start(&mut client, &json!({"interval_s": 0.2, "duration_s": 14, "alert": {"lost_s": 1}}))["run"]
            .clone();
    until(&mut client, &run, "it has points", |run| run["points"].as_u64() >= Some(5));
    instrument.order("close");
    let lost = until(&mut client, &run, "it is alarmed", |run| run["standing"].is_array());
    assert_eq!(lost["standing"][0]["kind"], "meter_lost");
    assert_eq!(lost["waiting"]["data"]["kind"], "meter_absent");
    wait_until("it has been away for a while", || {
        show(&mut client, &run)["elapsed_s"].as_f64() > Some(0.0) && lost_for(&mut client, &run) > 6.0
    });
    instrument.order("open");
    let done = until(&mut client, &run, "it is over", is_over);
    assert_eq!(
        (&done["state"], &done["gaps"], &done["alerts"]),
        (&json!("done"), &json!(1), &json!(1)),
        "{done}"
    );
    assert_eq!(kinds(&mut client, &run), ["run_started", "alert", "run_gap", "alert_over", "run_ended"]);
}

/// For how long a run has had no reading, in s.
fn lost_for(client: &mut Client, run: &Value) -> f64 {
    let last = show(client, run)["last"].as_u64().unwrap();
    let page = client.call("log.readings", &json!({"after": last - 1, "limit": 1}));
    let at: settled_protocol::time::Timestamp = page["readings"][0]["at"].as_str().unwrap().parse().unwrap();
    let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap().as_nanos() as f64;
    (now - at.unix_ns() as f64) / 1e9
}
