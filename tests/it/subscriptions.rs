//! Readings as they come: for those who keep up, and for those who don't.

use std::collections::BTreeMap;
use std::io::Write;
use std::process::{Command, Stdio};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::{Value, json};

use crate::support::daemon::{Daemon, wait_until};

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
fn a_subscriber_that_hangs_up_is_gone_though_nothing_is_sent_to_it() {
    let daemon = Daemon::start(CONFIG);
    let (mut watcher, mut client) = (daemon.client(), daemon.client());
    watcher.call("meter.observe", &json!({"meter": "m"}));
    drop(watcher);
    wait_until("the subscriber is gone", || client.call("daemon.status", &json!({}))["clients"] == 1);
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
    wait_until("the subscriber sees a reading", || {
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
    wait_until("the stopped one is told what it missed", || {
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

/// What a subscription's lines tell, in their order: from which sequence to which, and why if they were missed.
fn told(lines: &str) -> Vec<(u64, u64, Option<String>)> {
    let lines = lines.lines().map(|line| serde_json::from_str::<Value>(line).unwrap());
    let tell = |line: Value| {
        let params = &line["params"];
        if line["method"] == "reading" {
            let sequence = params["reading"]["sequence"].as_u64().unwrap();
            return (sequence, sequence, None);
        }
        let (from, to) = (params["from"].as_u64().unwrap(), params["to"].as_u64().unwrap());
        assert_eq!(params["count"], to + 1 - from, "{line}");
        (from, to, Some(params["why"].as_str().unwrap().to_owned()))
    };
    lines.filter(|line| line.get("method").is_some()).map(tell).collect()
}

#[test]
fn a_stopped_process_costs_others_nothing_and_is_told_exactly_what_it_missed() {
    let config = CONFIG.replace("instant = true", "instant = true\nmeter = \"spectrometer\"");
    let daemon = Daemon::start(&config);
    let heard = daemon.path("heard");
    let mut subscriber = Command::new("socat")
        .args(["-", &format!("UNIX-CONNECT:{}", daemon.socket().display())])
        .stdin(Stdio::piped())
        .stdout(std::fs::File::create(&heard).unwrap())
        .spawn()
        .unwrap();
    let observe = json!({"jsonrpc": "2.0", "id": 1, "method": "meter.observe", "params": {"meter": "m", "spectra": true}});
    writeln!(subscriber.stdin.as_mut().unwrap(), "{observe}").unwrap();
    wait_until("it has subscribed", || std::fs::metadata(&heard).unwrap().len() > 0);
    let pid = Pid::from_raw(i32::try_from(subscriber.id()).unwrap());
    kill(pid, Signal::SIGSTOP).unwrap();
    let (mut healthy, mut client) = (daemon.client(), daemon.client());
    healthy.call("meter.observe", &json!({"meter": "m", "spectra": true}));
    let mut read = |times: u64| {
        for _ in 0..times {
            let reading = client.call("meter.read", &json!({"meter": "m"}));
            assert_eq!(healthy.notice("reading")["reading"], reading);
        }
    };
    // Some 8 kB each: by now it holds all that it may, and from here on it takes no more memory.
    read(600);
    let before = resident_kib(&daemon);
    read(1400);
    assert!(resident_kib(&daemon) < before + 2048, "{before} KiB, then {}", resident_kib(&daemon));
    kill(pid, Signal::SIGCONT).unwrap();
    let last = |text: &str| text.ends_with('\n') && told(text).last().is_some_and(|last| last.1 == 2000);
    wait_until("it has come to the end", || last(&std::fs::read_to_string(&heard).unwrap()));
    kill(pid, Signal::SIGKILL).unwrap();
    subscriber.wait().unwrap();
    let told = told(&std::fs::read_to_string(&heard).unwrap());
    assert_eq!(told[0], (1, 1, None));
    assert!(told.windows(2).all(|pair| pair[0].1 + 1 == pair[1].0), "{told:?}");
    let missed: Vec<_> = told.iter().filter_map(|(_, _, why)| why.as_deref()).collect();
    assert_eq!(missed, ["slow_reader"]);
}

fn resident_kib(daemon: &Daemon) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{}/status", daemon.pid())).unwrap();
    let line = status.lines().find(|line| line.starts_with("VmRSS")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

#[test]
fn a_subscriber_gets_one_reading_a_beat_and_costs_neither_others_nor_the_meter_any() {
    let daemon = Daemon::start(CONFIG);
    let (mut every, mut thinned, mut client) = (daemon.client(), daemon.client(), daemon.client());
    for every_s in [-0.1, 86_401.0] {
        assert_eq!(
            client.refusal("meter.observe", &json!({"meter": "m", "every_s": every_s})),
            "invalid_params"
        );
    }
    client.call("meter.read", &json!({"meter": "m"}));
    thinned.call("meter.observe", &json!({"meter": "m", "after": 0, "every_s": 0.1}));
    every.call("meter.observe", &json!({"meter": "m", "after": 0, "interval_s": 0.02}));
    // By sequence, when each reading ended.
    let mut ended_s = BTreeMap::new();
    let mut beats = Vec::new();
    while beats.len() < 8 {
        let reading = thinned.notice("reading")["reading"].take();
        beats.push((reading["sequence"].as_u64().unwrap(), reading["t_s"].as_f64().unwrap()));
    }
    let (last, _) = beats[7];
    while !ended_s.contains_key(&last) {
        let reading = every.notice("reading")["reading"].take();
        ended_s.insert(reading["sequence"].as_u64().unwrap(), reading["t_s"].as_f64().unwrap());
    }
    let first_s = ended_s[&1];
    let mut firsts: BTreeMap<u64, u64> = BTreeMap::new();
    for (sequence, t_s) in &ended_s {
        let beat = ((t_s - first_s) / 0.1 + 1e-6) as u64;
        firsts.entry(beat).or_insert(*sequence);
    }
    let expected: Vec<u64> = firsts.into_values().take(8).collect();
    assert_eq!(beats.iter().map(|(sequence, _)| *sequence).collect::<Vec<_>>(), expected);
    assert!(thinned.notices.is_empty(), "what is left out isn't missed: {:?}", thinned.notices);
    assert!(ended_s.len() > 2 * beats.len(), "{ended_s:?}");
    // Alone, it causes no exposure.
    drop(every);
    let before = wait_for_rest(&mut client);
    thinned.call("meter.observe", &json!({"meter": "m", "every_s": 0.01}));
    thinned.call("daemon.status", &json!({}));
    assert_eq!(client.exposures("m"), before);
}

/// Waits until a meter makes no more exposures, and gives how many it has made.
fn wait_for_rest(client: &mut crate::support::client::Client) -> u64 {
    let mut before = client.exposures("m");
    wait_until("the meter rests", || {
        let deadline = std::time::Duration::from_millis(60);
        std::thread::park_timeout(deadline);
        let now = client.exposures("m");
        std::mem::replace(&mut before, now) == now
    });
    before
}
