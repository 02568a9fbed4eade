//! What goes wrong on a serial line: each fault ends in its own error or recovery, and touches nobody else.

use std::io::{BufRead, BufReader};
use std::process::Stdio;
use std::time::{Duration, Instant};

use serde_json::json;

use crate::settled::on_the_bench;
use crate::support::daemon::Daemon;

/// The profile's longest exchange in these tests, recovery included, with room for a busy machine.
const DEADLINE: Duration = Duration::from_secs(8);

#[test]
fn each_fault_ends_in_its_own_error_in_time_and_the_next_reading_is_good() {
    let (daemon, mut instrument) = on_the_bench();
    let mut client = daemon.client();
    let faults = [
        ("garbled", "meter_garbled"),
        ("half", "meter_silent"),
        ("error", "out_of_range"),
        ("silence", "meter_silent"),
        ("noise", "meter_garbled"),
    ];
    for (order, kind) in faults {
        instrument.order(&format!("next {order}"));
        let start = Instant::now();
        assert_eq!(client.refusal("meter.read", &json!({"meter": "bench"})), kind, "{order}");
        let reading = client.call("meter.read", &json!({"meter": "bench"}));
        assert!(start.elapsed() < DEADLINE, "{order} took {:?}", start.elapsed());
        assert!((reading["luminance_cd_m2"].as_f64().unwrap() - 100.0).abs() < 1.0, "{order}: {reading}");
    }
    let failed = client.events("bench").iter().filter(|kind| *kind == "exposure_failed").count();
    assert_eq!(failed, faults.len());
}

#[test]
fn a_line_that_closes_is_an_event_and_the_meter_comes_back_by_itself() {
    let (daemon, mut instrument) = on_the_bench();
    let mut client = daemon.client();
    client.call("meters.observe", &json!({}));
    instrument.order("next close");
    let start = Instant::now();
    assert_eq!(client.refusal("meter.read", &json!({"meter": "bench"})), "meter_absent");
    assert!(start.elapsed() < DEADLINE);
    assert_eq!(client.notice("meters.changed")["meter"]["state"], "absent");
    assert_eq!(client.refusal("meter.read", &json!({"meter": "bench"})), "meter_absent");
    instrument.order("open");
    // A request makes the daemon look at once.
    let reading = client.call("meter.read", &json!({"meter": "bench"}));
    assert!(reading["luminance_cd_m2"].is_f64());
    // Absent once more, for another reason (there is no port now), then ready.
    while client.notice("meters.changed")["meter"]["state"] != "ready" {}
    let mut events = client.events("bench");
    events.dedup();
    assert_eq!(events, ["meter_ready", "exposure_failed", "meter_gone", "meter_failed", "meter_ready"]);
}

#[test]
fn a_meter_that_is_unplugged_while_a_client_settles_is_waited_for() {
    let (daemon, mut instrument) = on_the_bench();
    let mut client = daemon.client();
    let criteria = json!({"hold_s": 2, "min_wait_s": 3, "max_wait_s": 30});
    let id = client.ask("meter.settle", &json!({"meter": "bench", "criteria": criteria, "progress": true}));
    client.notice("settle.progress");
    instrument.order("close");
    daemon.client().wait_for_state("bench", "absent");
    // More than once: how long has been waited for goes on.
    let mut waited_s = Vec::new();
    while waited_s.len() < 2 {
        let progress = client.notice("settle.progress");
        if !progress["waiting"].is_null() {
            assert_eq!(progress["waiting"]["data"]["kind"], "meter_absent", "{progress}");
            waited_s.push(progress["waited_s"].as_f64().unwrap());
        }
    }
    assert!(waited_s[0] < waited_s[1], "{waited_s:?}");
    instrument.order("open");
    while !client.notice("settle.progress")["waiting"].is_null() {}
    let answer = client.answer(id);
    assert_eq!(answer["result"]["verdict"], "settled", "{answer}");
}

#[test]
fn whoever_waits_for_settled_light_is_told_in_one_line_that_the_meter_is_away_and_in_one_that_it_is_back() {
    let (daemon, mut instrument) = on_the_bench();
    let arguments = ["read", "bench", "--settled", "--hold", "2s", "--min-wait", "3s", "--max-wait", "30s"];
    let mut settle = daemon.settle(&arguments).stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
    let mut said = BufReader::new(settle.stderr.take().unwrap()).lines().map(Result::unwrap);
    let first = said.next().unwrap();
    assert!(first.ends_with("gathering readings"), "{first}");
    instrument.order("close");
    let away = said.next().unwrap();
    assert!(away.starts_with("the meter is absent (bench: "), "{away}");
    assert!(away.ends_with("; waiting until it gives readings again"), "{away}");
    instrument.order("open");
    assert_eq!(said.next().unwrap(), "the meter gives readings again");
    assert!(settle.wait().unwrap().success());
}

#[test]
fn a_second_meter_never_notices() {
    let mut daemon = Daemon::configured(
        "[log]\npath = \"log.sqlite\"\n\
         [[meter]]\nid = \"bench\"\ndriver = \"profile\"\nprofile = \"lab-tristimulus\"\nport = \"port\"\n\
         [[meter]]\nid = \"other\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\nintegration_s = [0.05, 1]\nautomatic_s = 0.05\n",
    );
    let mut instrument = crate::support::instrument::Instrument::start(&daemon.path("port"));
    daemon.launch();
    let (mut client, mut watcher) = (daemon.client(), daemon.client());
    client.wait_for_state("bench", "warming");
    watcher.call("meter.observe", &json!({"meter": "other", "interval_s": 0.1}));
    for order in ["silence", "noise", "half", "garbled", "close"] {
        instrument.order(&format!("next {order}"));
        client.refusal("meter.read", &json!({"meter": "bench"}));
    }
    client.call("meter.read", &json!({"meter": "other"}));
    let mut began = Vec::new();
    while began.len() < 40 {
        let notice = watcher.notice("reading");
        began.push(notice["reading"]["began_s"].as_f64().unwrap());
    }
    // A tenth of a second from one to the next, all through the other's troubles; a busy machine may be late now and then.
    let late = began.windows(2).filter(|pair| pair[1] - pair[0] > 0.3).count();
    assert!(late <= 2, "{late} of {} were late: {began:?}", began.len());
    assert!(client.events("other").iter().all(|kind| kind == "meter_ready"));
}

#[test]
fn a_meter_that_is_absent_at_the_start_is_found_later() {
    let mut daemon = Daemon::configured(
        "[log]\npath = \"off\"\n[[meter]]\nid = \"bench\"\ndriver = \"profile\"\nprofile = \"lab-tristimulus\"\nport = \"port\"\n",
    );
    daemon.launch();
    let mut client = daemon.client();
    // Absent is also what a meter is that is being opened for the first time.
    super::support::daemon::wait_until("the port is said to be missing", || {
        let list = client.call("meters.list", &json!({}));
        let meter = &list["meters"][0];
        meter["state"] == "absent" && meter["reason"].as_str().unwrap().contains("there is no port")
    });
    assert_eq!(client.refusal("meter.settle", &json!({"meter": "bench"})), "meter_absent");
    let _instrument = crate::support::instrument::Instrument::start(&daemon.path("port"));
    client.wait_for_state("bench", "warming");
    let reading = client.call("meter.read", &json!({"meter": "bench"}));
    assert_eq!(reading["flags"], json!(["meter_warming", "zero_overdue", "unlogged"]));
}

#[test]
fn an_observer_is_told_that_the_meter_is_away_and_when_it_is_back() {
    let (daemon, mut instrument) = on_the_bench();
    instrument.order("next close");
    assert_eq!(daemon.client().refusal("meter.read", &json!({"meter": "bench"})), "meter_absent");
    let mut observer = daemon
        .settle(&["observe", "bench", "--count", "1"])
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut said = BufReader::new(observer.stderr.take().unwrap()).lines().map(Result::unwrap);
    let away = said.next().unwrap();
    assert!(away.starts_with("bench is absent: ") && away.ends_with("; waiting"), "{away}");
    instrument.order("open");
    // Between the two it may be away for another reason.
    assert!(said.any(|line| line == "bench is back"));
    daemon.client().call("meter.read", &json!({"meter": "bench"}));
    assert!(observer.wait().unwrap().success());
}

#[test]
fn a_port_that_another_program_holds_is_said_to_be_busy() {
    let config = |folder: &std::path::Path| {
        let port = folder.join("port").display().to_string();
        format!(
            "[log]\npath = \"off\"\n[[meter]]\nid = \"bench\"\ndriver = \"profile\"\nprofile = \"lab-tristimulus\"\nport = \"{port}\"\n"
        )
    };
    let folder = tempfile::tempdir().unwrap();
    let _instrument = crate::support::instrument::Instrument::start(&folder.path().join("port"));
    let first = Daemon::start(&config(folder.path()));
    first.client().wait_for_state("bench", "warming");
    let second = Daemon::start(&config(folder.path()));
    second.client().wait_for_state("bench", "failed");
    assert_eq!(second.client().refusal("meter.read", &json!({"meter": "bench"})), "meter_busy");
    assert!(first.client().call("meter.read", &json!({"meter": "bench"}))["luminance_cd_m2"].is_f64());
}
