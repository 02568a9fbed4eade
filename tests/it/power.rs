//! The machine's sleep, as a logind tells of it that isn't ours.

use std::sync::Arc;

use serde_json::{Value, json};
use settled::clock::Clock;
use settled::config::BusConfig;
use settled::log::Log;
use settled::power::{self, Inhibit, Rest};
use tokio::sync::watch;

use crate::support::bus::Bus;
use crate::support::client::Client;
use crate::support::daemon::{Daemon, wait_until};
use crate::support::logind::Logind;

const CONFIG: &str = "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"self-emitting\"\nintegration_s = [0.02, 5]\nautomatic_s = 0.05\nzero_at_start = false\n";

/// A daemon whose system's bus this is.
fn on(bus: &Bus) -> Daemon {
    let mut daemon = Daemon::configured(CONFIG);
    let mut command = daemon.command();
    command.env("DBUS_SYSTEM_BUS_ADDRESS", bus.address());
    daemon.launch_by(command);
    daemon
}

fn events(client: &mut Client) -> Vec<Value> {
    client.call("log.events", &json!({}))["events"].as_array().unwrap().clone()
}

fn count(client: &mut Client, kind: &str) -> usize {
    events(client).iter().filter(|event| event["kind"] == kind).count()
}

fn wait_until_held(logind: &Logind<'_>, held: &[&str]) {
    wait_until(&format!("logind has {held:?}"), || logind.held() == held);
}

#[test]
fn before_the_machine_sleeps_the_reading_under_way_is_finished_and_logged_and_afterwards_meters_are_opened_anew()
 {
    let bus = Bus::start();
    let logind = Logind::start(&bus);
    let daemon = on(&bus);
    wait_until_held(&logind, &["sleep/delay"]);
    let (mut client, mut other) = (daemon.client(), daemon.client());
    other.wait_for_state("m", "ready");
    let asked = client.ask("meter.read", &json!({"meter": "m", "integration_s": 2.0}));
    other.wait_for_state("m", "reading");
    logind.prepare_for_sleep(true);
    wait_until_held(&logind, &[]);
    // The machine may sleep from here on: the reading is in the log.
    assert_eq!(other.logged().len(), 1);
    assert_eq!(client.answer(asked)["result"]["integration_s"], 2.0);
    let meter = other.call("meters.list", &json!({}))["meters"][0].take();
    assert_eq!(
        (&meter["state"], &meter["reason"]),
        (&json!("absent"), &json!("closed while the machine sleeps"))
    );
    let waits = client.ask("meter.read", &json!({"meter": "m"}));
    assert_eq!((count(&mut other, "falling_asleep"), count(&mut other, "suspended")), (1, 0));
    logind.prepare_for_sleep(false);
    let reading = client.answer(waits);
    assert!(reading["result"]["sequence"] == 2, "who waits goes on waiting: {reading}");
    wait_until_held(&logind, &["sleep/delay"]);
    assert_eq!((count(&mut other, "suspended"), count(&mut other, "meter_ready")), (1, 2));
    assert_eq!(count(&mut other, "meter_gone"), 0);
}

#[test]
fn what_was_seen_before_the_machine_slept_is_no_evidence_afterwards() {
    let bus = Bus::start();
    let logind = Logind::start(&bus);
    let daemon = on(&bus);
    wait_until_held(&logind, &["sleep/delay"]);
    let (mut client, mut other) = (daemon.client(), daemon.client());
    let criteria = json!({"luminance": 0.05, "chromaticity": 0.01, "hold_s": 2});
    let settling = client.ask("meter.settle", &json!({"meter": "m", "criteria": criteria, "progress": true}));
    client.notice("settle.progress");
    logind.prepare_for_sleep(true);
    wait_until_held(&logind, &[]);
    let last = other.logged().last().unwrap()["sequence"].as_u64().unwrap();
    logind.prepare_for_sleep(false);
    let settled = client.answer(settling)["result"].take();
    let message = settled["message"].as_str().unwrap();
    assert!(message.contains("The machine slept meanwhile: only readings since then count."), "{settled}");
    assert!(settled["readings"]["first"].as_u64().unwrap() > last, "{settled}");
}

#[test]
fn without_a_logind_readings_go_on_and_one_that_comes_is_found() {
    let mut bus = Bus::away();
    let daemon = on(&bus);
    let mut client = daemon.client();
    client.call("meter.read", &json!({"meter": "m"}));
    wait_until("that is told", || daemon.trace().contains("no logind to ask"));
    bus.launch();
    let logind = Logind::start(&bus);
    wait_until_held(&logind, &["sleep/delay"]);
    client.call("meter.read", &json!({"meter": "m"}));
    assert_eq!(daemon.trace().matches("no logind to ask").count(), 1, "once");
}

#[test]
fn a_run_keeps_the_machine_awake_for_as_long_as_it_is_on_and_as_the_config_says() {
    let bus = Bus::start();
    let logind = Logind::start(&bus);
    let ((runs, active), (inhibit, wanted)) = (watch::channel(0), watch::channel(Inhibit::Sleep));
    let tools = power::Tools {
        bus: BusConfig::At(bus.address()),
        clock: Arc::new(Clock::system()),
        log: Log::off(),
        rest: Rest::default(),
        runs: active,
        inhibit: wanted,
    };
    let (stopper, stop) = settled::stop::pair();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    std::thread::scope(|scope| {
        let power = scope.spawn(|| runtime.block_on(power::run(tools, stop)));
        wait_until_held(&logind, &["sleep/delay"]);
        runs.send_replace(2);
        wait_until_held(&logind, &["sleep/delay", "sleep:idle/block"]);
        runs.send_replace(1);
        inhibit.send_replace(Inhibit::Idle);
        wait_until_held(&logind, &["idle/block", "sleep/delay"]);
        inhibit.send_replace(Inhibit::Nothing);
        wait_until_held(&logind, &["sleep/delay"]);
        inhibit.send_replace(Inhibit::Sleep);
        wait_until_held(&logind, &["sleep/delay", "sleep:idle/block"]);
        runs.send_replace(0);
        wait_until_held(&logind, &["sleep/delay"]);
        stopper.stop();
        power.join().unwrap();
    });
    wait_until_held(&logind, &[]);
}

#[test]
fn a_run_that_a_client_starts_keeps_the_machine_awake_until_it_is_over() {
    let bus = Bus::start();
    let logind = Logind::start(&bus);
    let daemon = on(&bus);
    wait_until_held(&logind, &["sleep/delay"]);
    let mut client = daemon.client();
    let planned = json!({"meter": "m", "kind": "drift", "start": "2126-11-27T18:00:00Z"});
    assert_eq!(client.call("runs.start", &planned)["state"], "planned");
    let run =
        client.call("runs.start", &json!({"meter": "m", "kind": "drift", "interval_s": 0.5}))["run"].take();
    wait_until_held(&logind, &["sleep/delay", "sleep:idle/block"]);
    client.call("runs.stop", &json!({"run": run}));
    // One that is planned lets it sleep.
    wait_until_held(&logind, &["sleep/delay"]);
}
