//! An acknowledged reading is there after the daemon was killed.

use std::collections::BTreeMap;

use serde_json::{Value, json};

use crate::support::daemon::Daemon;

const CONFIG: &str = "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\n";

/// Reads as fast as it can until the daemon dies, and keeps what was acknowledged.
fn read_until_killed(daemon: &Daemon, mut count: usize) -> Vec<Value> {
    let mut client = daemon.client();
    let mut acknowledged = Vec::new();
    while count > 0 {
        count -= 1;
        acknowledged.push(client.call("meter.read", &json!({"meter": "m"})));
    }
    // Some more that may or may not make it, in flight at the moment of the kill.
    for _ in 0..20 {
        client.ask("meter.read", &json!({"meter": "m"}));
    }
    daemon.signal(nix::sys::signal::Signal::SIGKILL);
    while let Ok(Some(line)) = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| client.line())) {
        acknowledged.push(line["result"].clone());
    }
    acknowledged
}

#[test]
fn twenty_kills_lose_no_acknowledged_reading_and_reuse_no_number() {
    let mut daemon = Daemon::configured(CONFIG);
    let mut acknowledged: BTreeMap<u64, Value> = BTreeMap::new();
    let mut highest = 0;
    for round in 0..20_usize {
        daemon.launch();
        for reading in read_until_killed(&daemon, 5 + 7 * (round % 4)) {
            let sequence = reading["sequence"].as_u64().unwrap();
            assert!(sequence > highest, "{sequence} was given out before");
            highest = sequence;
            assert!(acknowledged.insert(sequence, reading).is_none());
        }
        daemon.ended();
    }
    daemon.launch();
    let mut client = daemon.client();
    let logged: BTreeMap<u64, Value> =
        client.logged().into_iter().map(|reading| (reading["sequence"].as_u64().unwrap(), reading)).collect();
    assert!(acknowledged.len() > 200, "only {} readings", acknowledged.len());
    for (sequence, reading) in &acknowledged {
        assert_eq!(logged.get(sequence), Some(reading), "reading {sequence} is lost or changed");
    }
    let next = client.call("meter.read", &json!({"meter": "m"}))["sequence"].as_u64().unwrap();
    assert!(next > highest.max(*logged.keys().next_back().unwrap()));
    let starts = client.call("log.events", &json!({}))["events"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|event| event["kind"] == "daemon_started")
        .count();
    assert_eq!(starts, 21);
}

#[test]
fn an_orderly_stop_says_so_and_leaves_one_file() {
    let mut daemon = Daemon::start(CONFIG);
    daemon.client().call("meter.read", &json!({"meter": "m"}));
    daemon.signal(nix::sys::signal::Signal::SIGTERM);
    assert_eq!(daemon.ended().code(), Some(0));
    assert!(!daemon.socket().exists());
    assert!(!daemon.path("log.sqlite-wal").exists());
    daemon.launch();
    let events = daemon.client().call("log.events", &json!({}));
    let kinds: Vec<&str> =
        events["events"].as_array().unwrap().iter().map(|event| event["kind"].as_str().unwrap()).collect();
    assert!(kinds.contains(&"daemon_stopped"), "{kinds:?}");
}
