//! How much a client, and a user, may take: each limit of the config at its boundary.

use std::io::Write;
use std::os::unix::net::UnixStream;

use serde_json::{Value, json};

use crate::support::client::Client;
use crate::support::daemon::Daemon;

const SLOW: &str =
    "[log]\npath = \"off\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\n";

const INSTANT: &str = "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\n";

/// A reading that takes as long as there may be exposures.
fn long() -> Value {
    json!({"meter": "m", "integration_s": 2})
}

#[test]
fn requests_and_subscriptions_beyond_the_configs_limits_are_refused() {
    let limits = "[limits]\npending_requests = 3\nsubscriptions = 2\nwaiting_notifications = 16\n";
    let daemon = Daemon::start(&format!("{limits}{SLOW}"));
    let mut client = daemon.client();
    let told = client.call("hello", &json!({}))["limits"].take();
    assert_eq!((&told["pending_requests"], &told["subscriptions"]), (&json!(3), &json!(2)), "{told}");
    let waiting: Vec<u64> = (0..3).map(|_| client.ask("meter.read", &long())).collect();
    assert_eq!(client.refusal("meter.read", &long()), "overloaded");
    for _ in 0..2 {
        client.call("meter.observe", &json!({"meter": "m"}));
    }
    assert_eq!(client.refusal("meter.observe", &json!({"meter": "m"})), "overloaded");
    for id in waiting {
        client.call("request.cancel", &json!({"id": id}));
        assert_eq!(client.answer(id)["error"]["data"]["kind"], "cancelled");
    }
    let id = client.ask("meter.read", &long());
    client.call("request.cancel", &json!({"id": id}));
}

/// A request of exactly so many bytes.
fn of_bytes(id: u64, bytes: usize) -> String {
    let request = |padding: String| {
        json!({"jsonrpc": "2.0", "id": id, "method": "meter.read", "params": {"meter": "m", "integration_s": 2, "x": padding}})
            .to_string()
    };
    let bare = request(String::new()).len();
    request("x".repeat(bytes - bare))
}

#[test]
fn bytes_of_requests_beyond_the_configs_limit_are_refused() {
    let daemon = Daemon::start(&format!("[limits]\npending_bytes = \"1 MiB\"\n{SLOW}"));
    let mut client = daemon.client();
    client.send(of_bytes(1, (1 << 20) - 4096).as_bytes());
    client.send(of_bytes(2, 4097).as_bytes());
    let refused = client.line().unwrap();
    assert_eq!((&refused["id"], &refused["error"]["data"]["kind"]), (&json!(2), &json!("overloaded")));
    assert!(refused["error"]["message"].as_str().unwrap().contains("1048576 bytes"), "{refused}");
    client.send(of_bytes(3, 4096).as_bytes());
    assert_eq!(client.refusal("meter.read", &long()), "overloaded", "not a byte is left");
    for id in [1, 3] {
        client.call("request.cancel", &json!({"id": id}));
        assert_eq!(client.answer(id)["error"]["data"]["kind"], "cancelled", "{id} was let in");
    }
    client.send(of_bytes(4, 1 << 20).as_bytes());
    client.call("request.cancel", &json!({"id": 4}));
    assert_eq!(client.answer(4)["error"]["data"]["kind"], "cancelled", "the longest line fits by itself");
}

#[test]
fn answers_that_wait_for_the_rest_of_their_batches_count_too() {
    let daemon = Daemon::start(&format!("[limits]\npending_bytes = \"1 MiB\"\n{SLOW}"));
    let mut client = daemon.client();
    let slow = r#"{"jsonrpc":"2.0","id":1,"method":"meter.settle","params":{"meter":"m"}}"#;
    let list = r#"{"jsonrpc":"2.0","id":2,"method":"meters.list"}"#;
    let batch = format!("[{slow},{}]", vec![list; 63].join(","));
    // Each holds back some 20 kB of answers, until there is no room for its slow one.
    for _ in 0..63 {
        client.send(batch.as_bytes());
    }
    let whole = client.line().unwrap();
    let whole = whole.as_array().unwrap();
    assert_eq!(whole.len(), 64);
    assert!(whole.iter().any(|answer| answer["error"]["data"]["kind"] == "overloaded"));
}

#[test]
fn as_many_notifications_wait_for_a_slow_reader_as_the_config_says() {
    let daemon = Daemon::start(&format!("[limits]\nwaiting_notifications = 16\n{INSTANT}"));
    let mut reader = daemon.client();
    daemon.client().wait_for_state("m", "ready");
    reader.call("meter.observe", &json!({"meter": "m"}));
    let mut asking = daemon.client();
    let last = (0..3000).map(|_| asking.call("meter.read", &json!({"meter": "m"}))).last().unwrap();
    // It reads only now.
    let (mut after_the_gap, mut missed) = (0, 0);
    loop {
        let notice = reader.line().unwrap();
        match notice["method"].as_str().unwrap() {
            "missed" => {
                missed += notice["params"]["count"].as_u64().unwrap();
                after_the_gap = 0;
            }
            _ => after_the_gap += 1,
        }
        if notice["params"]["reading"]["sequence"] == last["sequence"] {
            break;
        }
    }
    assert!(missed > 0 && (1..=16).contains(&after_the_gap), "{missed} missed, {after_the_gap} waited");
}

/// The daemon's memory, in KiB.
fn resident(daemon: &Daemon) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{}/status", daemon.pid())).unwrap();
    let line = status.lines().find(|line| line.starts_with("VmRSS:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

#[test]
fn requests_that_never_end_cost_bounded_memory_and_nobody_else_anything() {
    let daemon = Daemon::start(INSTANT);
    let mut other = daemon.client();
    other.wait_for_state("m", "ready");
    let before = resident(&daemon);
    // Some say nothing, some half a request, some no end of one.
    let _silent: Vec<Client> = (0..16).map(|_| daemon.client()).collect();
    let mut endless: Vec<UnixStream> =
        (0..16).map(|_| UnixStream::connect(daemon.socket()).unwrap()).collect();
    let half = vec![b'x'; 64 * 1024];
    for round in 0..64 {
        for stream in &mut endless {
            stream.write_all(&half).unwrap();
        }
        other.call("meter.read", &json!({"meter": "m", "x": round}));
    }
    let grown = resident(&daemon).saturating_sub(before);
    // 16 lines of 1 MiB at most, and as much again for how memory grows.
    assert!(grown < 2 * 16 * 1024 + 8 * 1024, "{grown} KiB for 64 MiB that were sent");
    assert_eq!(other.call("daemon.status", &json!({}))["clients"], 33);
}
