//! The log is copied while it goes on, and the copy is whole: the distribution's sqlite3 says so.

use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;

use serde_json::{Value, json};

use crate::support::client::Client;
use crate::support::daemon::Daemon;

const CONFIG: &str = "[log]\npath = \"log.sqlite\"\nsurvives = \"crash\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\n\
    display = \"backlit\"\nmeter = \"spectrometer\"\ninstant = true\n";

fn sqlite3(file: &str, sql: &str) -> String {
    let output = Command::new("sqlite3").args(["-readonly", file, sql]).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap().trim().to_owned()
}

#[test]
fn a_copy_under_load_is_whole_and_has_all_that_was_acknowledged_before() {
    let mut daemon = Daemon::start(CONFIG);
    let mut client = daemon.client();
    client.wait_for_state("m", "ready");
    for _ in 0..300 {
        client.call("meter.read", &json!({"meter": "m"}));
    }
    let (stop, socket) = (Arc::new(AtomicBool::new(false)), daemon.socket());
    let stopped = Arc::clone(&stop);
    let load = thread::spawn(move || {
        let (mut client, mut last) = (Client::connect(&socket), 0);
        while !stopped.load(Ordering::Relaxed) {
            last = client.call("meter.read", &json!({"meter": "m"}))["sequence"].as_u64().unwrap();
        }
        last
    });
    let mut copies: Vec<Value> = Vec::new();
    for _ in 0..3 {
        let acknowledged = client.call("meter.read", &json!({"meter": "m"}))["sequence"].as_u64().unwrap();
        let copy = client.call("log.backup", &json!({}));
        let file = copy["file"].as_str().unwrap();
        assert_eq!(sqlite3(file, "PRAGMA integrity_check"), "ok");
        let count: u64 = sqlite3(file, "SELECT count(*) FROM readings").parse().unwrap();
        assert!(count >= acknowledged, "{count} of {acknowledged}");
        assert_eq!(sqlite3(file, "SELECT max(sequence) FROM readings"), copy["last_sequence"].to_string());
        assert_eq!(std::fs::metadata(file).unwrap().len(), copy["bytes"].as_u64().unwrap());
        copies.push(copy);
    }
    stop.store(true, Ordering::Relaxed);
    assert!(load.join().unwrap() > copies[2]["last_sequence"].as_u64().unwrap() - 1);
    let folder: Vec<_> = std::fs::read_dir(daemon.path("backups")).unwrap().collect();
    assert_eq!(folder.len(), 3, "nothing is left of its making: {folder:?}");
    let events = client.call("log.events", &json!({}));
    let told =
        events["events"].as_array().unwrap().iter().filter(|event| event["kind"] == "log_copied").count();
    assert_eq!(told, 3);
    let checked = client.call("log.check", &json!({}));
    assert_eq!((&checked["sound"], &checked["problems"]), (&json!(true), &json!([])), "{checked}");
    // It is a log that a daemon goes on with, and another one than it was copied from.
    let id = client.call("daemon.status", &json!({}))["log"]["id"].clone();
    daemon.kill();
    for end in ["", "-wal", "-shm"] {
        std::fs::remove_file(daemon.path(&format!("log.sqlite{end}"))).unwrap();
    }
    std::fs::copy(copies[0]["file"].as_str().unwrap(), daemon.path("log.sqlite")).unwrap();
    daemon.launch();
    let mut client = daemon.client();
    assert_eq!(client.logged().last().unwrap()["sequence"], copies[0]["last_sequence"]);
    assert_ne!(client.call("daemon.status", &json!({}))["log"]["id"], id);
}

#[test]
fn only_one_copy_is_made_at_a_time_and_what_was_cut_off_is_cleared_away() {
    let daemon = Daemon::start(CONFIG);
    let mut client = daemon.client();
    client.wait_for_state("m", "ready");
    for _ in 0..300 {
        client.call("meter.read", &json!({"meter": "m"}));
    }
    std::fs::create_dir(daemon.path("backups")).unwrap();
    for left in ["log-20250101T000000Z.sqlite.part", "log-20250101T000000Z.sqlite"] {
        std::fs::write(daemon.path("backups").join(left), "").unwrap();
    }
    std::fs::write(daemon.path("backups").join("notes.part"), "mine").unwrap();
    let asked: Vec<u64> = (0..8).map(|_| client.ask("log.backup", &json!({}))).collect();
    let answers: Vec<Value> = asked.into_iter().map(|id| client.answer(id)).collect();
    let made = answers.iter().filter(|answer| answer.get("result").is_some()).count();
    let busy = answers.iter().filter(|answer| answer["error"]["data"]["kind"] == "overloaded").count();
    assert!(made >= 1 && busy >= 1 && made + busy == 8, "{answers:?}");
    let files = std::fs::read_dir(daemon.path("backups")).unwrap().count();
    assert_eq!(files, made + 1, "and the notes of somebody else");
}
