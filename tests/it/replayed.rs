//! What is played back never counts as what it was recorded of.

use serde_json::{Value, json};

use crate::recording::{outcome, recording, replaying, stop};
use crate::support::client::Client;
use crate::support::daemon::{Daemon, wait_until};

/// Every event about the meter, oldest first: kind and detail.
fn told(client: &mut Client) -> Vec<(String, String)> {
    let page = client.call("log.events", &json!({"meter": "bench"}));
    let word = |event: &Value, member: &str| event[member].as_str().unwrap().to_owned();
    page["events"].as_array().unwrap().iter().map(|it| (word(it, "kind"), word(it, "detail"))).collect()
}

#[test]
fn zeroing_a_replay_zeroes_nothing_but_the_replay() {
    let (mut daemon, _instrument) = recording();
    daemon.client().call("meter.zero", &json!({"meter": "bench", "covered": true}));
    outcome(&mut daemon.client());
    stop(&mut daemon);
    let mut replay = replaying(&daemon, "r.jsonl", "pace = \"asked\"\n");
    let zero = |client: &mut Client| {
        client.wait_for_state("bench", "ready");
        client.call("meters.list", &json!({}))["meters"][0]["zero"].clone()
    };
    let mut client = replay.client();
    assert_eq!(zero(&mut client)["needed"], true);
    client.call("meter.zero", &json!({"meter": "bench", "covered": true}));
    assert_eq!(zero(&mut client)["needed"], false);
    let mut detail = None;
    wait_until("the event is in the log", || {
        detail =
            told(&mut client).into_iter().find(|(kind, _)| kind == "meter_zeroed").map(|(_, detail)| detail);
        detail.is_some()
    });
    let detail = detail.unwrap();
    assert!(detail.starts_with("replayed: zeroed"), "{detail}");
    stop(&mut replay);
    replay.launch();
    assert_eq!(zero(&mut replay.client())["at"], Value::Null, "the log kept it");
}

#[test]
fn events_and_errors_of_a_replay_say_so_and_meters_tells_the_file() {
    let (mut daemon, mut instrument) = recording();
    instrument.order("next silence");
    outcome(&mut daemon.client());
    outcome(&mut daemon.client());
    stop(&mut daemon);
    let replay = replaying(&daemon, "r.jsonl", "");
    let mut client = replay.client();
    client.wait_for_state("bench", "ready");
    let id = client.ask("meter.read", &json!({"meter": "bench"}));
    let message = client.answer(id)["error"]["message"].as_str().unwrap().to_owned();
    assert!(message.starts_with("bench (replayed): no answer"), "{message}");
    wait_until("the events are in the log", || {
        told(&mut client).iter().any(|(kind, _)| kind == "exposure_failed")
    });
    let told = told(&mut client);
    assert!(told.len() >= 2 && told.iter().all(|(_, detail)| detail.starts_with("replayed: ")), "{told:?}");
    let words = String::from_utf8(replay.run_settle(&["meters"]).stdout).unwrap();
    assert!(words.contains(&daemon.path("r.jsonl").display().to_string()), "{words}");
}

/// A daemon that plays these lines of CSV.
fn playing(csv: &str, more: &str) -> Daemon {
    let daemon = Daemon::configured(&format!(
        "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"bench\"\ndriver = \"replay\"\nfile = \"night.csv\"\n{more}"
    ));
    std::fs::write(daemon.path("night.csv"), csv).unwrap();
    let mut daemon = daemon;
    daemon.launch();
    daemon
}

#[test]
fn a_few_readings_played_again_and_again_are_never_called_settled() {
    let rows: String = (0..7).map(|n| format!("m,{n},100.0{n}\n")).collect();
    let faster = "pace = \"asked\"\n[clock]\nspeed = 20\n";
    let replay = playing(&format!("meter,t_s,Y\n{rows}"), faster);
    let mut client = replay.client();
    client.wait_for_state("bench", "ready");
    for (preset, wait_s) in [("trend", 60.0), ("quick_look", 120.0)] {
        let criteria = json!({"hold_s": 1.0, "max_wait_s": wait_s, "preset": preset});
        let params = json!({"meter": "bench", "criteria": criteria});
        let before = client.exposures("bench");
        let settled = client.call("meter.settle", &params);
        assert_eq!(settled["verdict"], "timed_out", "{settled}");
        let message = settled["message"].as_str().unwrap();
        assert!(message.contains("began anew"), "{message}");
        assert!(settled["readings"]["count"].as_u64().unwrap_or(0) <= 7, "{settled}");
        let made = client.exposures("bench") - before;
        assert!(f64::from(u32::try_from(made).unwrap()) <= 100.0 * wait_s + 10.0, "{made} in {wait_s} s");
    }
    let repeated = told(&mut client).into_iter().filter(|(kind, _)| kind == "replay_repeated").count();
    assert!((1..=5).contains(&repeated), "{repeated}: once a minute, in some three");
}

#[test]
fn samples_that_are_played_back_say_why_they_can_not_be_zeroed() {
    let replay = playing("meter,t_s,Y\nm,1,100\n", "");
    let mut client = replay.client();
    client.wait_for_state("bench", "ready");
    let id = client.ask("meter.zero", &json!({"meter": "bench", "covered": true}));
    let error = client.answer(id)["error"].clone();
    assert_eq!(error["data"]["kind"], "unsupported");
    assert!(error["message"].as_str().unwrap().contains("can't be zeroed any more"), "{error}");
}

#[test]
fn light_that_went_through_a_correction_goes_through_no_other() {
    let csv = |correction: &str| format!("meter,t_s,X,Y,Z,correction\nm,1,95,100,108,{correction}\n");
    let mut replay = playing(&csv(""), "pace = \"asked\"\n");
    let mut client = replay.client();
    client.wait_for_state("bench", "ready");
    let matrix = json!([[1.25, 0, 0], [0, 1.25, 0], [0, 0, 1.25]]);
    let new = json!({"name": "more", "method": "given", "matrix": matrix, "meter": {"id": "bench"}});
    let id = client.call("corrections.add", &new)["correction"]["id"].clone();
    let put = json!({"meter": "bench", "correction": id});
    client.call("meter.correct", &put);
    assert_eq!(client.call("meter.read", &json!({"meter": "bench"}))["luminance_cd_m2"], 125.0);
    stop(&mut replay);
    // It was in force when the daemon ended, and is kept by the log.
    std::fs::write(replay.path("night.csv"), csv("c7")).unwrap();
    replay.launch();
    let mut client = replay.client();
    client.wait_for_state("bench", "ready");
    assert_eq!(client.call("meter.read", &json!({"meter": "bench"}))["luminance_cd_m2"], 100.0);
    assert_eq!(client.refusal("meter.correct", &put), "unsupported");
}
