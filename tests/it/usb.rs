//! Instruments on USB: found, told apart, plugged in and pulled out, and each of their faults, on a bus without hardware.

use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::{Value, json};

use crate::support::daemon::{Daemon, program, wait_until};
use crate::support::testbed::Testbed;

/// The longest that a fault and the reading after it may take here: the profile's second, the same for bringing the instrument to
/// order, and room for a busy machine.
const DEADLINE: Duration = Duration::from_secs(8);

/// An arrival or a departure is noticed within this.
const SOON: Duration = Duration::from_secs(1);

/// A meter's settings, where `which` tells the device from its like.
fn meter(id: &str, which: &str) -> String {
    format!(
        "[[meter]]\nid = \"{id}\"\ndriver = \"profile\"\nprofile = \"quick.toml\"\nusb = {{ vendor = 0x1234, product = 0x5678{which} }}\n"
    )
}

const ENDPOINTS: &str = ", in = 0x81, out = 0x02";

/// Starts a daemon that sees `bus`.
fn daemon(bus: &Testbed, meters: &str) -> Daemon {
    let mut daemon = Daemon::configured(&format!("[log]\npath = \"log.sqlite\"\n{meters}"));
    // The shipped profile, without the ten minutes that the meter needs to warm up.
    let shipped = settled_drivers::profile::shipped::text("lab-tristimulus".as_ref()).unwrap();
    std::fs::write(daemon.path("quick.toml"), shipped.replace("warm_up = \"10min\"", "")).unwrap();
    let mut command = daemon.command();
    bus.shown_to(&mut command);
    daemon.launch_by(command);
    daemon
}

/// A bus with one instrument on it, and a daemon for which it is ready.
fn on_the_bus(way: &str, which: &str) -> (Testbed, Daemon) {
    let mut bus = Testbed::bus();
    bus.order(&format!("plug 1 0042 {way}"));
    let daemon = daemon(&bus, &meter("bench", which));
    daemon.client().wait_for_state("bench", "ready");
    (bus, daemon)
}

fn bench() -> Value {
    json!({"meter": "bench"})
}

/// Why a meter can't be used.
fn reason(daemon: &Daemon, id: &str) -> String {
    let list = daemon.client().call("meters.list", &json!({}));
    let meters = list["meters"].as_array().unwrap();
    let meter = meters.iter().find(|meter| meter["id"] == id).unwrap();
    meter["reason"].as_str().unwrap_or_default().to_owned()
}

/// Each fault ends in its own error in time, and the next reading is good.
fn faults(way: &str, which: &str, faults: &[(&str, &str)]) {
    let (mut bus, daemon) = on_the_bus(way, which);
    let mut client = daemon.client();
    for (order, kind) in faults {
        bus.order(&format!("next 1 {order}"));
        let start = Instant::now();
        assert_eq!(client.refusal("meter.read", &bench()), *kind, "{order}");
        let reading = client.call("meter.read", &bench());
        assert!(start.elapsed() < DEADLINE, "{order} took {:?}", start.elapsed());
        assert_eq!(reading["luminance_cd_m2"], json!(100.0), "{order}: {reading}");
    }
    // It was put in order each time, never opened anew, and nothing was against the specification.
    assert_eq!(client.events("bench").iter().filter(|kind| *kind == "meter_ready").count(), 1);
    assert_eq!(bus.order("amiss 1"), "nothing");
}

#[test]
fn each_fault_of_usbtmc_ends_in_its_own_error_in_time_and_the_next_reading_is_good() {
    let list = [
        ("garbled", "meter_garbled"),
        ("half", "meter_silent"),
        ("error", "out_of_range"),
        ("silence", "meter_silent"),
        ("late", "meter_silent"),
        ("noise", "meter_garbled"),
        ("wrong_tag", "meter_silent"),
        ("wrong_inverse", "meter_garbled"),
        ("wrong_id", "meter_garbled"),
        ("reserved", "meter_garbled"),
        ("oversize", "meter_garbled"),
        ("undersize", "meter_garbled"),
        ("short", "meter_garbled"),
        ("beyond", "meter_garbled"),
        ("stall", "meter_garbled"),
        ("overflow", "meter_garbled"),
        ("broken", "meter_garbled"),
        ("deaf", "meter_silent"),
    ];
    faults("usb488", "", &list);
}

#[test]
fn each_fault_of_two_endpoints_ends_in_its_own_error_in_time_and_the_next_reading_is_good() {
    let list = [
        ("garbled", "meter_garbled"),
        ("half", "meter_silent"),
        ("error", "out_of_range"),
        ("silence", "meter_silent"),
        ("noise", "meter_garbled"),
        ("stall", "meter_garbled"),
        ("overflow", "meter_garbled"),
    ];
    faults("bulk", ENDPOINTS, &list);
}

#[test]
fn answers_that_are_slow_cut_up_or_end_in_unusual_ways_are_good_readings() {
    let (mut bus, daemon) = on_the_bus("usbtmc", "");
    let mut client = daemon.client();
    for order in ["slow", "split", "bare", "full", "unended", "good"] {
        bus.order(&format!("next 1 {order}"));
        let reading = client.call("meter.read", &bench());
        assert_eq!(reading["luminance_cd_m2"], json!(100.0), "{order}: {reading}");
    }
    assert_eq!(client.events("bench"), ["meter_ready", "zero_due"]);
    assert_eq!(bus.order("amiss 1"), "nothing");
}

#[test]
fn an_answer_that_never_comes_is_aborted_and_cleared_by_the_specifications_requests() {
    let (mut bus, daemon) = on_the_bus("notices", "");
    bus.order("asked 1");
    bus.order("next 1 silence");
    assert_eq!(daemon.client().refusal("meter.read", &bench()), "meter_silent");
    daemon.client().call("meter.read", &bench());
    let asked = bus.order("asked 1");
    let codes: Vec<&str> = asked.split(' ').map(|asked| asked.split(':').next().unwrap()).collect();
    // Abort of the answer, checked while pending; clear, checked while pending; the halt off; the status byte.
    assert_eq!(codes, ["3", "4", "4", "5", "6", "6", "unhalt", "128"], "{asked}");
    assert_eq!(bus.order("amiss 1"), "nothing");
}

#[test]
fn an_instrument_that_is_plugged_in_is_found_at_once_and_one_that_is_pulled_out_is_missed_within_a_second() {
    let mut bus = Testbed::bus();
    let daemon = daemon(&bus, &meter("bench", ""));
    let mut client = daemon.client();
    wait_until("it was looked for", || {
        reason(&daemon, "bench") == "the USB device 1234:5678 is not attached"
    });
    for (order, way) in [("unplug", "usb488"), ("vanish", "usbtmc"), ("unplug", "notices")] {
        bus.order(&format!("plug 1 0042 {way}"));
        client.wait_for_state("bench", "ready");
        assert_eq!(client.call("meter.read", &bench())["luminance_cd_m2"], json!(100.0));
        let start = Instant::now();
        bus.order(&format!("{order} 1"));
        client.wait_for_state("bench", "absent");
        assert!(start.elapsed() < SOON, "{order}: {:?}", start.elapsed());
    }
    // In between it may be looked for in vain. The log has the last of it a moment after it was told.
    let mut events = Vec::new();
    wait_until("the log has each coming and going", || {
        events = client.events("bench");
        events.retain(|kind| !["meter_failed", "zero_due"].contains(&kind.as_str()));
        events.len() >= 6
    });
    assert_eq!(events, ["meter_ready", "meter_gone"].repeat(3));
}

#[test]
fn an_arrival_is_heard_of_long_before_the_next_attempt() {
    let mut bus = Testbed::bus();
    bus.order("plug 1 A1 usbtmc");
    let daemon = daemon(&bus, &meter("bench", ", serial = \"B2\""));
    // Each attempt asks the other instrument for its serial number: a quarter of a second apart at first, then twice that, and so on.
    let mut attempts = 0;
    wait_until("attempts are four seconds apart", || {
        attempts += bus.order("asked 1").matches("string:3").count();
        attempts >= 5
    });
    let start = Instant::now();
    bus.order("plug 2 B2 usbtmc");
    daemon.client().wait_for_state("bench", "ready");
    assert!(start.elapsed() < SOON, "{:?}", start.elapsed());
}

#[test]
fn an_instrument_that_is_pulled_out_in_the_middle_of_an_exposure_is_absent_and_comes_back() {
    for (way, which) in [("usb488", ""), ("bulk", ENDPOINTS)] {
        let (mut bus, daemon) = on_the_bus(way, which);
        let mut client = daemon.client();
        bus.order("next 1 unplug");
        assert_eq!(client.refusal("meter.read", &bench()), "meter_absent", "{way}");
        bus.order(&format!("plug 1 0042 {way}"));
        client.wait_for_state("bench", "ready");
        assert_eq!(client.call("meter.read", &bench())["luminance_cd_m2"], json!(100.0), "{way}");
    }
}

#[test]
fn two_alike_are_told_apart_by_serial_number_or_place_and_never_guessed() {
    let mut bus = Testbed::bus();
    bus.order("plug 1 A1 usb488");
    bus.order("plug 2 B2 usbtmc");
    let meters = [
        meter("first", ", serial = \"A1\""),
        meter("second", ", path = \"1-2\""),
        meter("third", ", serial = \"C3\""),
        meter("any", ""),
    ];
    let daemon = daemon(&bus, &meters.concat());
    let mut client = daemon.client();
    client.wait_for_state("first", "ready");
    client.wait_for_state("second", "ready");
    client.wait_for_state("any", "failed");
    let both = "two USB devices are alike: serial number A1 at 1-1, serial number B2 at 1-2; say which one with \"serial\" or \"path\"";
    assert_eq!(reason(&daemon, "any"), both);
    wait_until("it was looked for", || reason(&daemon, "third").contains("serial number C3 is not attached"));
    // Each is the one that was meant.
    bus.order("next 1 garbled");
    client.call("meter.read", &json!({"meter": "second"}));
    assert_eq!(client.refusal("meter.read", &json!({"meter": "first"})), "meter_garbled");
}

#[test]
fn two_meters_may_not_claim_one_device() {
    let bus = Testbed::bus();
    let config = format!("{}{}", meter("first", ", serial = \"A\""), meter("second", ", serial = \"A\""));
    let daemon = daemon(&bus, &meter("bench", ""));
    std::fs::write(daemon.path("twice.toml"), config).unwrap();
    let output = Command::new(program("settled"))
        .args(["--config", daemon.path("twice.toml").to_str().unwrap(), "--check"])
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(!output.status.success() && said.contains("1234:5678 with the serial number A"), "{said}");
}

#[test]
fn a_device_that_another_program_holds_is_said_to_be_busy() {
    let (bus, first) = on_the_bus("usbtmc", "");
    let second = daemon(&bus, &meter("bench", ""));
    second.client().wait_for_state("bench", "failed");
    assert!(reason(&second, "bench").contains("another program holds"), "{}", reason(&second, "bench"));
    assert_eq!(second.client().refusal("meter.read", &bench()), "meter_busy");
    assert!(first.client().call("meter.read", &bench())["luminance_cd_m2"].is_f64());
    drop(first);
    second.client().wait_for_state("bench", "ready");
}

#[test]
fn a_device_that_speaks_another_way_is_refused_with_what_to_do() {
    let mut bus = Testbed::bus();
    bus.order("plug 1 - bulk");
    let daemon = daemon(&bus, &meter("bench", ""));
    daemon.client().wait_for_state("bench", "failed");
    assert!(
        reason(&daemon, "bench").contains("has no such USBTMC interface"),
        "{}",
        reason(&daemon, "bench")
    );
    assert_eq!(daemon.client().refusal("meter.read", &bench()), "meter_refused");
}

#[test]
fn a_machine_without_usb_has_no_such_device_and_other_meters_are_served() {
    // Not on the bus of the tests, but on this machine's, if it has one.
    let mut daemon = Daemon::configured(
        "[log]\npath = \"off\"\n\
         [[meter]]\nid = \"bench\"\ndriver = \"profile\"\nprofile = \"lab-tristimulus\"\nusb = { vendor = 0xFFFF, product = 0xFFFE }\n\
         [[meter]]\nid = \"other\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\n",
    );
    daemon.launch();
    wait_until("it was looked for", || {
        reason(&daemon, "bench").contains("the USB device ffff:fffe is not attached")
    });
    assert!(daemon.client().call("meter.read", &json!({"meter": "other"}))["luminance_cd_m2"].is_f64());
}

#[test]
fn the_profile_driver_conforms_over_usb() {
    for (way, which) in
        [("usbtmc", ""), ("usb488", ""), ("notices", ""), ("bulk", ENDPOINTS), ("interrupt", ENDPOINTS)]
    {
        let mut bus = Testbed::bus();
        bus.order(&format!("plug 1 0042 {way}"));
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("meter.toml");
        let text =
            format!("profile = \"lab-tristimulus\"\nusb = {{ vendor = 0x1234, product = 0x5678{which} }}\n");
        std::fs::write(&file, text).unwrap();
        let mut command = Command::new(env!("CARGO_BIN_EXE_conform"));
        command.arg("profile").arg(&file).stdin(Stdio::null());
        bus.shown_to(&mut command);
        let output = command.output().unwrap();
        let report = String::from_utf8_lossy(&output.stdout);
        assert!(output.status.success(), "{way}\n{report}{}", String::from_utf8_lossy(&output.stderr));
        assert!(
            report.lines().count() >= 8 && report.lines().all(|line| line.starts_with("kept")),
            "{report}"
        );
        assert_eq!(bus.order("amiss 1"), "nothing", "{way}");
    }
}
