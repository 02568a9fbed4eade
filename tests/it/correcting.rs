//! A correction in force: what readings are made of, what is kept, and what is refused.

use nix::sys::signal::Signal;
use serde_json::{Value, json};

use crate::support::client::Client;
use crate::support::daemon::Daemon;

/// A steady backlit display and a meter without noise: what it says is what it saw.
const STEADY: &str =
    "display = \"backlit\"\ncold = [0, 0]\ncold_white = [0, 0]\nsag = 0\nretention = 0\ndark_cd_m2 = 0\n";

/// An inch off the unit matrix.
const MATRIX: [[f64; 3]; 3] = [[1.05, -0.02, 0.01], [0.01, 0.97, -0.03], [0.0, 0.04, 1.1]];

fn config(log: &str, seed: u32, more: &str) -> String {
    format!(
        "[log]\npath = \"{log}\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\nseed = {seed}\nfilter_error = 0.01\n{STEADY}{more}"
    )
}

fn quick() -> Daemon {
    let daemon = Daemon::start(&config("log.sqlite", 7, "noise = 0\ninstant = true\n"));
    daemon.client().wait_for_state("m", "ready");
    daemon
}

/// Adds a correction of that matrix, and gives its id.
fn add(client: &mut Client, more: &Value) -> String {
    let mut params = json!({"name": "by hand", "method": "given", "matrix": MATRIX, "meter": {"id": "m"}});
    params.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    let added = client.call("corrections.add", &params);
    added["correction"]["id"].as_str().unwrap().to_owned()
}

fn read(client: &mut Client) -> Value {
    client.call("meter.read", &json!({"meter": "m"}))
}

fn xyz(reading: &Value) -> [f64; 3] {
    [0, 1, 2].map(|index| reading["xyz"][index].as_f64().unwrap())
}

fn through(matrix: [[f64; 3]; 3], [x, y, z]: [f64; 3]) -> [f64; 3] {
    matrix.map(|[a, b, c]| a * x + b * y + c * z)
}

fn assert_near(found: [f64; 3], expected: [f64; 3]) {
    for (one, other) in found.iter().zip(expected) {
        assert!((one / other - 1.0).abs() < 1e-12, "{found:?} is not {expected:?}");
    }
}

fn flags(reading: &Value) -> Vec<&str> {
    reading["flags"].as_array().unwrap().iter().map(|flag| flag.as_str().unwrap()).collect()
}

#[test]
fn readings_go_through_the_correction_in_force_and_the_log_leads_back_to_what_the_meter_saw() {
    let daemon = quick();
    let mut client = daemon.client();
    let raw = read(&mut client);
    let id = add(&mut client, &json!({}));
    assert_eq!(read(&mut client)["xyz"], raw["xyz"], "what was added is not in force");
    let corrected = client.call("meter.correct", &json!({"meter": "m", "correction": id}));
    assert_eq!(corrected["correction"]["applied"], true);
    assert_eq!((&corrected["durable"], &corrected["correction"]["warnings"]), (&json!(true), &json!([])));
    let reading = read(&mut client);
    assert_eq!(reading["correction"], json!(id));
    assert_near(xyz(&reading), through(MATRIX, xyz(&raw)));
    assert_eq!(reading["luminance_cd_m2"], reading["xyz"][1]);
    let sum: f64 = xyz(&reading).iter().sum();
    assert!((reading["chromaticity"]["x"].as_f64().unwrap() - xyz(&reading)[0] / sum).abs() < 1e-12);
    client.call("meter.correct", &json!({"meter": "m", "correction": null}));
    assert_eq!(read(&mut client)["xyz"], raw["xyz"]);
    // Removed, but not forgotten: readings went through it.
    client.call("corrections.remove", &json!({"correction": id}));
    assert_eq!(client.call("corrections.list", &json!({}))["corrections"], json!([]));
    let kept = client.call("corrections.list", &json!({"correction": id}))["corrections"][0].clone();
    assert!(kept["removed"].is_string() && kept["simulated"] == true, "{kept}");
    let matrix: settled_protocol::matrix::Matrix = serde_json::from_value(kept["matrix"].clone()).unwrap();
    let logged = client.logged();
    assert_eq!(logged[2]["correction"], json!(id));
    assert_near(through(matrix.inverse().unwrap().rows(), xyz(&logged[2])), xyz(&raw));
    let events = client.events("m");
    assert_eq!(&events[events.len() - 2..], ["correction_applied", "correction_removed"]);
    let refused = client.refusal("meter.correct", &json!({"meter": "m", "correction": id}));
    assert_eq!(refused, "correction_refused", "what was removed is not used again");
}

#[test]
fn a_correction_that_was_acknowledged_is_in_force_after_a_kill_and_so_is_its_end() {
    let mut daemon = quick();
    let mut client = daemon.client();
    let raw = xyz(&read(&mut client));
    let mut id = String::new();
    for _ in 0..5 {
        id = add(&mut client, &json!({"display": "Field monitor 4"}));
        client.call("meter.correct", &json!({"meter": "m", "correction": id, "display": "field monitor 4"}));
        daemon.kill();
        daemon.launch();
        client = daemon.client();
        let reading = read(&mut client);
        assert_eq!(reading["correction"], json!(id));
        assert_near(xyz(&reading), through(MATRIX, raw));
        let meter = client.call("meters.list", &json!({}))["meters"][0].clone();
        assert_eq!(meter["correction"]["id"], json!(id));
        assert_eq!(meter["correction"]["shown"], "field monitor 4");
    }
    client.call("meter.correct", &json!({"meter": "m", "correction": null}));
    daemon.kill();
    daemon.launch();
    client = daemon.client();
    let reading = read(&mut client);
    assert!(reading.get("correction").is_none() && xyz(&reading) == raw, "{reading}");
    let next = add(&mut client, &json!({}));
    assert!(next > id, "{next} was given out before");
}

#[test]
fn a_dark_reading_goes_through_no_correction() {
    let daemon = quick();
    let mut client = daemon.client();
    let id = add(&mut client, &json!({"at": "2020-01-01T00:00:00Z"}));
    client.call("meter.correct", &json!({"meter": "m", "correction": id}));
    let light = read(&mut client);
    assert_eq!((flags(&light), &light["correction"]), (vec!["simulated", "correction_stale"], &json!(id)));
    client.call("stage.show", &json!({"stimulus": {"colour": [0, 0, 0]}}));
    let dark = client.call("meter.read", &json!({"meter": "m", "covered": true}));
    assert_eq!((flags(&dark), dark.get("correction")), (vec!["simulated", "dark"], None));
}

#[test]
fn an_exposure_keeps_the_correction_that_it_began_with() {
    let daemon = Daemon::start(&config("log.sqlite", 7, "integration_s = [0.1, 2]\n"));
    let (mut client, mut other) = (daemon.client(), daemon.client());
    client.wait_for_state("m", "ready");
    let id = add(&mut client, &json!({}));
    let asked = other.ask("meter.read", &json!({"meter": "m", "integration_s": 1.5}));
    client.wait_for_state("m", "reading");
    client.call("meter.correct", &json!({"meter": "m", "correction": id}));
    let before = other.answer(asked)["result"].clone();
    assert_eq!(before.get("correction"), None, "it began before: {before}");
    let stale = client.call("meter.read", &json!({"meter": "m", "integration_s": 1.5, "max_age_s": 3600}));
    assert_eq!(stale["correction"], json!(id), "an earlier reading won't do, however young");
    assert!(stale["sequence"].as_u64() > before["sequence"].as_u64());
}

#[test]
fn a_settling_starts_anew_where_the_correction_changes_and_calls_it_no_drift() {
    let daemon = Daemon::start(&config("log.sqlite", 7, "noise = 0.2\nintegration_s = [0.02, 1]\n"));
    let (mut client, mut other) = (daemon.client(), daemon.client());
    client.wait_for_state("m", "ready");
    // By 0.7 %: less than a step, more than the band.
    let matrix = [[1.007, 0.0, 0.0], [0.0, 1.007, 0.0], [0.0, 0.0, 1.007]];
    let id = add(&mut client, &json!({"matrix": matrix}));
    let criteria = json!({"luminance": 0.005, "chromaticity": 0.005, "hold_s": 4, "min_wait_s": 6});
    let settling = other.ask(
        "meter.settle",
        &json!({"meter": "m", "criteria": criteria, "integration_s": 0.05, "progress": true}),
    );
    while other.notice("settle.progress")["count"].as_u64().unwrap() < 20 {}
    client.call("meter.correct", &json!({"meter": "m", "correction": id}));
    let settled = other.answer(settling)["result"].clone();
    assert_eq!((&settled["verdict"], &settled["correction"]), (&json!("settled"), &json!(id)), "{settled}");
    assert_eq!((&settled["evidence"]["steps"], &settled["evidence"]["outliers"]), (&json!(0), &json!(0)));
    assert!(settled["message"].as_str().unwrap().contains("correction was changed meanwhile"), "{settled}");
    let first = settled["readings"]["first"].as_u64().unwrap();
    let logged = client.logged();
    let at = logged.iter().position(|reading| reading["sequence"] == first).unwrap();
    assert!(logged[at].get("correction").is_some() && logged[at - 1].get("correction").is_none());
    let (raw, value) =
        (logged[at - 1]["luminance_cd_m2"].as_f64().unwrap(), settled["value"]["y"].as_f64().unwrap());
    assert!((value / raw - 1.007).abs() < 0.002, "{value} is not {raw} corrected");
}

#[test]
fn a_correction_of_another_meter_is_refused_and_used_with_a_flag_only_where_that_is_forced() {
    let mut daemon = quick();
    let mut client = daemon.client();
    let other = json!({"meter": {"id": "m", "model": "simulated colorimeter (backlit display)", "serial": "another"}});
    let id = add(&mut client, &other);
    let correct = |force| json!({"meter": "m", "correction": id, "force": force});
    assert_eq!(client.refusal("meter.correct", &correct(false)), "correction_refused");
    let forced = client.call("meter.correct", &correct(true));
    assert_eq!(forced["correction"]["warnings"], json!(["other_meter"]));
    let reading = read(&mut client);
    assert_eq!(
        (flags(&reading), &reading["correction"]),
        (vec!["simulated", "correction_mismatch"], &json!(id))
    );
    // Another instrument in place of the one that it was made for: nobody forced that.
    let own = add(&mut client, &json!({}));
    client.call("meter.correct", &json!({"meter": "m", "correction": own}));
    daemon.signal(Signal::SIGTERM);
    daemon.ended();
    let swapped = config("log.sqlite", 8, "noise = 0\ninstant = true\n");
    std::fs::write(daemon.path("settled.toml"), swapped).unwrap();
    daemon.launch();
    client = daemon.client();
    let reading = read(&mut client);
    assert_eq!(
        (flags(&reading), reading.get("correction")),
        (vec!["simulated", "correction_mismatch"], None)
    );
    let meter = client.call("meters.list", &json!({}))["meters"][0].clone();
    assert_eq!((&meter["correction"]["id"], &meter["correction"]["applied"]), (&json!(own), &json!(false)));
    let words = String::from_utf8(daemon.run_settle(&["meters"]).stdout).unwrap();
    assert!(words.contains("NOT APPLIED") && words.contains("another meter"), "{words}");
    for more in [["m"].as_slice(), &["m", "--settled", "--hold", "1s", "--quiet"]] {
        let words = String::from_utf8(daemon.run_settle(&[&["read"], more].concat()).stdout).unwrap();
        assert!(words.contains("NOT corrected: ") && !words.contains("meter or display"), "{words}");
    }
    // What can be typed stands in the words of a terminal, and not in those for scripts.
    let refused = daemon.run_settle(&["correct", "use", "m", &id]);
    assert!(String::from_utf8(refused.stderr).unwrap().contains("; --force uses it"));
    let refused = String::from_utf8(daemon.run_settle(&["correct", "remove", &own]).stderr).unwrap();
    assert!(refused.contains("take it out of force first: settle correct use m none"), "{refused}");
    let refused = String::from_utf8(daemon.run_settle(&["correct", "show", "c99"]).stderr).unwrap();
    assert!(
        refused.contains("settle correct list has") && !refused.contains("corrections.list"),
        "{refused}"
    );
}

#[test]
fn an_old_correction_or_one_of_another_display_is_used_with_a_flag_and_a_warning() {
    let daemon = quick();
    let mut client = daemon.client();
    let id = add(&mut client, &json!({"display": "Field monitor 4", "at": "2020-01-01T00:00:00Z"}));
    let output = daemon.run_settle(&["correct", "use", "m", &id, "--display", "Field monitor 5"]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    assert_eq!(flags(&read(&mut client)), ["simulated", "correction_stale", "correction_mismatch"]);
    for arguments in [["meters"].as_slice(), &["correct"]] {
        let words = String::from_utf8(daemon.run_settle(arguments).stdout).unwrap();
        assert!(words.contains("it is old") && words.contains("another display"), "{arguments:?}: {words}");
    }
    let words = String::from_utf8(daemon.run_settle(&["correct", "list"]).stdout).unwrap();
    assert!(words.contains("it is old"), "{words}");
    let page = client.call("corrections.list", &json!({}));
    assert_eq!(page["stale"], json!([id]));
    // The flags are in the log as well.
    assert_eq!(flags(&client.logged()[0]).len(), 3);
}

#[test]
fn what_is_in_force_is_not_removed_and_what_is_not_there_is_not_found() {
    let daemon = quick();
    let mut client = daemon.client();
    let id = add(&mut client, &json!({}));
    client.call("meter.correct", &json!({"meter": "m", "correction": id}));
    assert_eq!(client.refusal("corrections.remove", &json!({"correction": id})), "correction_refused");
    for missing in ["c99", "c01", "x", ""] {
        let params = json!({"meter": "m", "correction": missing});
        assert_eq!(client.refusal("meter.correct", &params), "no_such_correction", "{missing}");
        assert_eq!(client.refusal("corrections.list", &params), "no_such_correction", "{missing}");
        assert_eq!(client.refusal("corrections.remove", &params), "no_such_correction", "{missing}");
    }
    assert_eq!(client.refusal("meter.correct", &json!({"meter": "m"})), "invalid_params");
    assert_eq!(client.refusal("meter.correct", &json!({"meter": "x", "correction": null})), "no_such_meter");
    assert_eq!(read(&mut client)["correction"], json!(id));
}

#[test]
fn without_a_log_a_correction_works_and_says_that_it_ends_with_the_daemon() {
    let daemon = Daemon::start(&config("off", 7, "noise = 0\ninstant = true\n"));
    let mut client = daemon.client();
    client.wait_for_state("m", "ready");
    let id = add(&mut client, &json!({}));
    let corrected = client.call("meter.correct", &json!({"meter": "m", "correction": id}));
    assert_eq!(corrected["durable"], false);
    assert_eq!(read(&mut client)["correction"], json!(id));
    let words = String::from_utf8(daemon.run_settle(&["correct"]).stderr).unwrap();
    assert!(words.contains("log is off"), "{words}");
}

#[test]
fn a_request_that_is_taken_back_leaves_nothing_half_done() {
    let mut daemon = quick();
    let mut client = daemon.client();
    let ids = [add(&mut client, &json!({})), add(&mut client, &json!({}))];
    for round in 0..20 {
        let params = json!({"meter": "m", "correction": ids[round % 2]});
        let asked = client.ask("meter.correct", &params);
        let cancel = json!({"jsonrpc": "2.0", "method": "request.cancel", "params": {"id": asked}});
        client.send(cancel.to_string().as_bytes());
        client.answer(asked);
    }
    let applied = read(&mut client)["correction"].clone();
    let told = client.call("meters.list", &json!({}))["meters"][0]["correction"]["id"].clone();
    assert_eq!(applied, told);
    daemon.kill();
    daemon.launch();
    client = daemon.client();
    assert_eq!(read(&mut client)["correction"], applied, "what is in force is what is written");
}
