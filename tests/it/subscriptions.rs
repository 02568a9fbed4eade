//! Readings as they come: for those who keep up, and for those who don't.

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::json;

use crate::support::daemon::Daemon;

const CONFIG: &str = "[log]\npath = \"log.sqlite\"\nsurvives = \"crash\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\n";

#[test]
fn a_passive_observer_sees_what_others_cause_and_causes_nothing() {
    let daemon = Daemon::start(CONFIG);
    let (mut watcher, mut client) = (daemon.client(), daemon.client());
    let subscription = watcher.call("meter.observe", &json!({"meter": "m"}))["subscription"].clone();
    let before = client.exposures("m");
    let reading = client.call("meter.read", &json!({"meter": "m"}));
    let seen = watcher.notice("reading");
    assert_eq!((&seen["subscription"], &seen["reading"]), (&subscription, &reading));
    assert_eq!(client.exposures("m"), before + 1);
    watcher.call("subscription.cancel", &json!({"subscription": subscription}));
    client.call("meter.read", &json!({"meter": "m"}));
    watcher.call("daemon.status", &json!({}));
    assert!(watcher.notices.is_empty());
}

#[test]
fn who_follows_by_sequence_misses_nothing_and_sees_nothing_twice() {
    let daemon = Daemon::start(CONFIG);
    let (mut watcher, mut client) = (daemon.client(), daemon.client());
    for _ in 0..400 {
        client.call("meter.read", &json!({"meter": "m"}));
    }
    watcher.call("meter.observe", &json!({"meter": "m", "after": 100}));
    for _ in 0..100 {
        client.call("meter.read", &json!({"meter": "m"}));
    }
    for expected in 101..=500 {
        assert_eq!(watcher.notice("reading")["reading"]["sequence"], expected);
    }
}

#[test]
fn who_follows_a_log_that_is_off_or_another_ones_is_refused() {
    let daemon = Daemon::start(CONFIG);
    let mut client = daemon.client();
    client.call("meter.read", &json!({"meter": "m"}));
    assert_eq!(client.refusal("meter.observe", &json!({"meter": "m", "after": 2})), "invalid_params");
    client.call("meter.observe", &json!({"meter": "m", "after": 1}));
    let off = Daemon::start(&CONFIG.replace("log.sqlite", "off"));
    let mut client = off.client();
    assert_eq!(client.refusal("meter.observe", &json!({"meter": "m", "after": 0})), "log_unavailable");
    client.call("meter.observe", &json!({"meter": "m"}));
    let reading = client.call("meter.read", &json!({"meter": "m"}));
    assert_eq!(client.notice("reading")["reading"], reading);
}

#[test]
fn who_follows_a_log_that_cant_be_read_is_told_what_it_missed_and_sees_what_comes() {
    let daemon = Daemon::start(CONFIG);
    let mut client = daemon.client();
    for _ in 0..3 {
        client.call("meter.read", &json!({"meter": "m"}));
    }
    std::fs::rename(daemon.path("log.sqlite"), daemon.path("away")).unwrap();
    client.call("meter.observe", &json!({"meter": "m", "after": 1}));
    let missed = client.notice("missed");
    assert_eq!((&missed["from"], &missed["to"]), (&json!(2), &json!(3)));
    assert_eq!((&missed["count"], &missed["why"]), (&json!(2), &json!("log_unavailable")));
    let reading = client.call("meter.read", &json!({"meter": "m"}));
    assert_eq!(client.notice("reading")["reading"], reading);
}

#[test]
fn a_stopped_subscriber_is_told_what_it_missed_and_others_miss_nothing() {
    let daemon = Daemon::start(CONFIG);
    let output = std::fs::File::create(daemon.path("observed")).unwrap();
    let errors = std::fs::File::create(daemon.path("said")).unwrap();
    let mut stopped =
        daemon.settle(&["--json", "observe", "m"]).stdout(output).stderr(errors).spawn().unwrap();
    let (mut healthy, mut client) = (daemon.client(), daemon.client());
    crate::support::daemon::wait_until("the subscriber sees a reading", || {
        client.call("meter.read", &json!({"meter": "m"}));
        std::fs::metadata(daemon.path("observed")).unwrap().len() > 0
    });
    let pid = Pid::from_raw(i32::try_from(stopped.id()).unwrap());
    kill(pid, Signal::SIGSTOP).unwrap();
    healthy.call("meter.observe", &json!({"meter": "m"}));
    let first = client.call("meter.read", &json!({"meter": "m"}))["sequence"].as_u64().unwrap();
    // The healthy one gets them all, in order, while they come.
    let reader = std::thread::spawn(move || {
        for expected in first..=first + 3000 {
            assert_eq!(healthy.notice("reading")["reading"]["sequence"], expected);
        }
    });
    for _ in 0..3000 {
        client.call("meter.read", &json!({"meter": "m"}));
    }
    reader.join().unwrap();
    kill(pid, Signal::SIGCONT).unwrap();
    crate::support::daemon::wait_until("the stopped one is told what it missed", || {
        std::fs::read_to_string(daemon.path("said")).unwrap().contains("missed")
    });
    kill(pid, Signal::SIGINT).unwrap();
    assert_eq!(stopped.wait().unwrap().code(), Some(130));
}

#[test]
fn a_subscription_made_in_a_batch_begins_after_the_batchs_answer() {
    let daemon = Daemon::start(CONFIG);
    let mut client = daemon.client();
    client.wait_for_state("m", "ready");
    let batch = json!([
        {"jsonrpc": "2.0", "id": 1, "method": "meter.observe", "params": {"meter": "m", "interval_s": 0.05}},
        {"jsonrpc": "2.0", "id": 2, "method": "meters.observe"},
        {"jsonrpc": "2.0", "id": 3, "method": "meter.settle", "params": {"meter": "m", "criteria": {"luminance": 0.2, "chromaticity": 0.02, "hold_s": 1}}},
    ]);
    client.send(batch.to_string().as_bytes());
    let answers = client.line().unwrap();
    assert_eq!(answers.as_array().map(Vec::len), Some(3), "{answers}");
    let subscription = answers.as_array().unwrap().iter().find(|answer| answer["id"] == 1).unwrap();
    assert_eq!(client.notice("reading")["subscription"], subscription["result"]["subscription"]);
}
