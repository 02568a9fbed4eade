//! The daemon on a bus: what it shows there, what it answers, and that nobody who measures notices what becomes of the bus.

use std::process::Stdio;

use nix::sys::signal::Signal;
use serde_json::{Value, json};

use crate::cancelling::is_idle;
use crate::support::bus::{Bus, NAME, ROOT};
use crate::support::daemon::{Daemon, wait_until};

mod access;
mod guide;
mod speaking;

/// A meter `m`, and one that isn't attached.
const CONFIG: &str = "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"self-emitting\"\nintegration_s = [0.02, 2]\nautomatic_s = 0.05\nzero_at_start = false\n[[meter]]\nid = \"gone-2\"\ndriver = \"profile\"\nprofile = \"lab-tristimulus\"\nport = \"/nonexistent/port\"\n";

const M: &str = "/io/github/settled1/meters/m";
const READ: &str = "io.github.settled1.Meter.Read";
const SETTLE: &str = "io.github.settled1.Meter.Settle";

/// Light that settles soon.
const SOON: [&str; 10] = ["a{sv}", "3", "luminance", "d", "0.05", "chromaticity", "d", "0.01", "hold_s", "u"];

fn settle_soon(bus: &Bus) -> Result<Value, String> {
    bus.call(M, SETTLE, &[SOON.as_slice(), &["1"]].concat())
}

/// Whether two JSON values are the same, numbers to what survives being written and read.
fn same(one: &Value, other: &Value) -> bool {
    match (one, other) {
        (Value::Number(one), Value::Number(other)) => {
            let (one, other) = (one.as_f64().unwrap(), other.as_f64().unwrap());
            (one - other).abs() <= 4.0 * f64::EPSILON * one.abs()
        }
        (Value::Array(one), Value::Array(other)) => {
            one.len() == other.len() && one.iter().zip(other).all(|(one, other)| same(one, other))
        }
        (Value::Object(one), Value::Object(other)) => {
            one.len() == other.len()
                && one.iter().all(|(name, value)| other.get(name).is_some_and(|other| same(value, other)))
        }
        _ => one == other,
    }
}

#[test]
fn a_reading_over_the_bus_is_the_one_in_the_log_and_the_property() {
    let bus = Bus::start();
    let daemon = bus.daemon(CONFIG);
    assert_eq!(bus.property("m", "Reading"), json!({}), "before there is one");
    let read = bus.call(M, READ, &["a{sv}", "1", "integration_s", "d", "0.1"]).unwrap();
    let logged = daemon.client().logged().remove(0);
    assert!(same(&read, &logged), "{read}\n{logged}");
    assert_eq!((&read["integration_s"], &read["flags"]), (&json!(0.1), &json!(["simulated"])));
    assert!(same(&bus.property("m", "Reading"), &logged), "the property is the latest reading");
    let again =
        bus.call(M, READ, &["a{sv}", "2", "integration_s", "d", "0.1", "max_age_s", "u", "3600"]).unwrap();
    assert!(same(&again, &logged), "it was young enough");
    let dark = bus.call(M, READ, &["a{sv}", "1", "covered", "b", "true"]).unwrap();
    assert_eq!(dark["flags"], json!(["simulated", "dark"]));
    assert!(same(&bus.property("m", "Reading"), &logged), "a dark reading is no light");
}

#[test]
fn light_settles_over_the_bus_as_over_the_socket() {
    let bus = Bus::start();
    let daemon = bus.daemon(CONFIG);
    let settled = settle_soon(&bus).unwrap();
    assert_eq!((&settled["verdict"], &settled["meter"]), (&json!("settled"), &json!("m")));
    assert_eq!(settled["evidence"]["failing"], json!([]));
    assert!(settled["value"]["y_u95"].as_f64().unwrap() > 0.0);
    let criteria = json!({"luminance": 0.05, "chromaticity": 0.01, "hold_s": 1});
    let by_socket = daemon.client().call("meter.settle", &json!({"meter": "m", "criteria": criteria}));
    let names = |value: &Value| value.as_object().unwrap().keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(&settled), names(&by_socket));
    assert_eq!(names(&settled["value"]), names(&by_socket["value"]));
    wait_until("the meter stands still", || is_idle(&daemon));
}

#[test]
fn what_can_not_be_done_is_an_error_with_a_name() {
    let bus = Bus::start();
    let _daemon = bus.daemon(CONFIG);
    let gone = format!("{ROOT}/meters/gone_2d2");
    assert_eq!(bus.property("gone_2d2", "Id"), "gone-2");
    wait_until("it is known why it is away", || bus.property("gone_2d2", "Reason") != "being opened");
    for (options, kind, words) in [
        ("{'nix': <'x'>}", "InvalidParams", "params.nix is not known here; there are covered, integration_s"),
        ("{'integration_s': <'x'>}", "InvalidParams", "params.integration_s: invalid type"),
        ("{'integration_s': <[1.0]>}", "InvalidParams", "params.integration_s must be a finite number"),
        ("{'integration_s': <99>}", "Unsupported", "m takes integration times from 0.02 to 2 s"),
        ("{'lease': <'none'>, 'max_age_s': <true>}", "InvalidParams", "params.max_age_s: invalid type"),
        ("{'timeout_s': <0>}", "InvalidParams", "params.timeout_s must be a number from 0.001"),
        ("{'timeout_s': <0.001>}", "Cancelled", "params.timeout_s is over"),
    ] {
        let (found, message) = bus.refusal(M, READ, options);
        assert!(found == kind && message.contains(words), "{options}: {found}: {message}");
    }
    let (kind, message) = bus.refusal(M, SETTLE, "{'hold_s': <0>}");
    assert!(kind == "InvalidParams" && message.contains("hold_s must be from 0.5"), "{kind}: {message}");
    let (kind, message) = bus.refusal(&gone, READ, "{}");
    assert!(kind == "MeterAbsent" && message.contains("/nonexistent/port"), "{kind}: {message}");
    let (kind, message) = bus.refusal(ROOT, "io.github.settled1.Manager.GetMeter", "other");
    assert!(kind == "NoSuchMeter" && message.contains("configured: m, gone-2"), "{kind}: {message}");
}

#[test]
fn a_lease_holds_off_callers_on_the_bus_but_not_its_holder() {
    let bus = Bus::start();
    let daemon = bus.daemon(CONFIG);
    let mut client = daemon.client();
    assert_eq!((bus.property("m", "Leased"), bus.property("m", "Lease")), (json!(false), json!({})));
    let lease = client.call("meter.lease", &json!({"meter": "m", "purpose": "a batch of monitors"}));
    assert_eq!(bus.property("m", "Leased"), true);
    assert_eq!(bus.property("m", "Lease")["purpose"], "a batch of monitors");
    let (kind, message) = bus.refusal(M, READ, "{}");
    assert_eq!(kind, "Leased", "{message}");
    let token = lease["lease"].as_str().unwrap();
    assert!(bus.call(M, READ, &["a{sv}", "1", "lease", "s", token]).is_ok());
    client.call("meter.release", &json!({"lease": token}));
    let (kind, message) = bus.refusal(M, READ, &format!("{{'lease': <'{token}'>}}"));
    assert_eq!(kind, "LeaseLost", "{message}");
    assert!(bus.call(M, READ, &["a{sv}", "0"]).is_ok());
    assert_eq!(bus.property("m", "Leased"), false);
}

#[test]
fn a_caller_that_vanishes_or_waits_no_longer_takes_back_what_it_asked_for() {
    let bus = Bus::start();
    let daemon = bus.daemon(CONFIG);
    let mut client = daemon.client();
    let call = ["--timeout=600", "call", NAME, M, "io.github.settled1.Meter", "Settle", "a{sv}"];
    let mut caller = bus
        .busctl(&[call.as_slice(), &["1", "timeout_s", "u", "600"]].concat())
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    wait_until("it measures", || client.exposures("m") > 3);
    caller.kill().unwrap();
    caller.wait().unwrap();
    wait_until("the meter stands still", || is_idle(&daemon));
    let before = client.exposures("m");
    let error = bus.call(M, SETTLE, &["a{sv}", "1", "timeout_s", "d", "0.5"]).unwrap_err();
    assert!(error.contains("params.timeout_s is over, after 0.5 s"), "{error}");
    assert!(client.exposures("m") > before, "it began");
    wait_until("the meter stands still", || is_idle(&daemon));
}

#[test]
fn a_bus_that_comes_goes_and_comes_back_is_said_once_and_measuring_never_notices() {
    let mut bus = Bus::away();
    let daemon = Daemon::start(&format!("{CONFIG}[dbus]\nbus = \"{}\"\n", bus.address()));
    let mut client = daemon.client();
    let mut read = || client.call("meter.read", &json!({"meter": "m"}))["sequence"].as_u64().unwrap();
    read();
    wait_until("it says so", || daemon.trace().contains("not on D-Bus"));
    bus.launch();
    bus.wait_for_daemon();
    assert_eq!(daemon.trace().matches("not on D-Bus").count(), 1, "{}", daemon.trace());
    read();
    assert_eq!(bus.property("m", "Reading")["sequence"], 2);
    bus.end();
    wait_until("it says so", || daemon.trace().contains("D-Bus is gone"));
    assert_eq!(read(), 3);
    bus.launch();
    bus.wait_for_daemon();
    assert_eq!(bus.property("m", "Reading")["sequence"], 3);
}

#[test]
fn a_name_that_another_daemon_has_is_taken_once_it_is_free() {
    let bus = Bus::start();
    let mut first = bus.daemon(CONFIG);
    let second = Daemon::start(&format!("{CONFIG}[dbus]\nbus = \"{}\"\n", bus.address()));
    wait_until("it says so", || second.trace().contains("another program has the name io.github.settled1"));
    assert!(second.client().call("meter.read", &json!({"meter": "m"}))["luminance_cd_m2"].is_f64());
    first.signal(Signal::SIGTERM);
    assert!(first.ended().success());
    bus.wait_for_daemon();
    let instance = second.client().call("hello", &json!({}))["instance"].clone();
    let arguments = ["ss", "io.github.settled1.Manager", "Instance"];
    assert_eq!(bus.call(ROOT, "org.freedesktop.DBus.Properties.Get", &arguments).unwrap(), instance);
}

#[test]
fn a_bus_that_hangs_holds_up_neither_readings_nor_the_end() {
    let bus = Bus::start();
    let mut daemon = bus.daemon(CONFIG);
    bus.signal(Signal::SIGSTOP);
    let mut client = daemon.client();
    for _ in 0..20 {
        client.call("meter.read", &json!({"meter": "m", "integration_s": 0.02}));
    }
    daemon.signal(Signal::SIGTERM);
    assert!(daemon.ended().success());
    bus.signal(Signal::SIGCONT);
}

#[test]
fn a_stop_answers_what_is_open_on_the_bus() {
    let bus = Bus::start();
    let mut daemon = bus.daemon(CONFIG);
    let mut client = daemon.client();
    let call = ["call", NAME, M, "io.github.settled1.Meter", "Settle", "a{sv}", "0"];
    let caller = bus.busctl(&call).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    wait_until("it measures", || client.exposures("m") > 3);
    daemon.signal(Signal::SIGTERM);
    assert!(daemon.ended().success());
    let output = caller.wait_with_output().unwrap();
    assert_eq!(String::from_utf8(output.stderr).unwrap().trim(), "Call failed: the daemon is stopping");
}

#[test]
fn without_the_table_the_daemon_offers_nothing_on_any_bus() {
    let bus = Bus::start();
    let mut daemon = Daemon::configured(CONFIG);
    let mut command = daemon.command();
    command.env("DBUS_SYSTEM_BUS_ADDRESS", bus.address()).env("DBUS_SESSION_BUS_ADDRESS", bus.address());
    daemon.launch_by(command);
    daemon.client().call("meter.read", &json!({"meter": "m"}));
    let names = bus.busctl(&["list"]).output().unwrap();
    // It talks to logind, nameless.
    assert!(!String::from_utf8(names.stdout).unwrap().contains(NAME), "it is on the bus");
}
