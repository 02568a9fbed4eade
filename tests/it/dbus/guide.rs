//! DBUS.md is executed, and complete.

use std::collections::BTreeSet;
use std::io::{BufRead, BufReader};
use std::process::{Command, Stdio};

use serde_json::json;

use super::CONFIG;
use crate::support::bus::{Bus, NAME, ROOT};
use crate::support::daemon::Daemon;

const GUIDE: &str = include_str!("../../../daemon/DBUS.md");

/// The blocks of a kind, in order.
fn blocks(kind: &str) -> Vec<&'static str> {
    GUIDE.split(&format!("```{kind}\n")).skip(1).filter_map(|rest| rest.split("```").next()).collect()
}

/// A daemon on what its environment calls the machine's bus, with a meter called `bench`.
fn daemon(bus: &Bus) -> Daemon {
    let config = CONFIG.replace("id = \"m\"", "id = \"bench\"");
    let mut daemon = Daemon::configured(&format!("{config}[dbus]\nbus = \"system\"\n"));
    let mut command = daemon.command();
    command.env("DBUS_SYSTEM_BUS_ADDRESS", bus.address());
    daemon.launch_by(command);
    bus.wait_for_daemon();
    daemon
}

#[test]
fn the_guides_commands_work_as_written() {
    let bus = Bus::start();
    let _daemon = daemon(&bus);
    let commands: Vec<&str> = blocks("sh").into_iter().flat_map(str::lines).collect();
    assert!(commands.len() >= 10);
    for command in commands {
        let mut shell = Command::new("sh");
        shell.args(["-c", command]).env("DBUS_SYSTEM_BUS_ADDRESS", bus.address()).stdin(Stdio::null());
        let output = shell.output().unwrap();
        let words = String::from_utf8_lossy(&output.stdout);
        assert!(output.status.success(), "{command}: {}", String::from_utf8_lossy(&output.stderr));
        let expected = match command {
            _ if command.contains("Settle") => "settled",
            _ if command.contains("Read ") || command.contains(".Read") => "luminance_cd_m2",
            _ if command.contains("State") => "ready",
            _ => "bench",
        };
        assert!(words.contains(expected), "{command}: {words}");
    }
}

#[test]
fn the_guides_monitor_shows_what_changes() {
    let bus = Bus::start();
    let daemon = daemon(&bus);
    let [command] = blocks("monitor").try_into().unwrap();
    let mut shell = Command::new("sh");
    shell.args(["-c", &format!("exec {command}")]).env("DBUS_SYSTEM_BUS_ADDRESS", bus.address());
    let mut monitor = shell.stdin(Stdio::null()).stdout(Stdio::piped()).spawn().unwrap();
    let mut lines = BufReader::new(monitor.stdout.take().unwrap()).lines().map(Result::unwrap);
    assert!(lines.any(|line| line.contains("is owned by")), "it is on the bus");
    daemon.client().call("meter.read", &json!({"meter": "bench"}));
    assert!(lines.any(|line| line.contains("PropertiesChanged") && line.contains("luminance_cd_m2")));
    monitor.kill().unwrap();
    monitor.wait().unwrap();
}

#[test]
fn the_guide_lists_what_the_bus_shows() {
    let bus = Bus::start();
    let _daemon = bus.daemon(CONFIG);
    for (interface, object) in [("Manager", ROOT.to_owned()), ("Meter", format!("{ROOT}/meters/m"))] {
        let interface = format!("io.github.settled1.{interface}");
        let output = bus.busctl(&["introspect", NAME, &object, &interface]).output().unwrap();
        let shown: BTreeSet<String> = String::from_utf8(output.stdout)
            .unwrap()
            .lines()
            .filter(|line| line.starts_with('.'))
            .map(|line| {
                let words: Vec<&str> = line.split_whitespace().collect();
                match words.as_slice() {
                    [name, "method", taken, given, ..] => format!("{} {taken} {given}", &name[1..]),
                    [name, "property", signature, ..] => format!("{} {signature}", &name[1..]),
                    _ => panic!("{line}"),
                }
            })
            .collect();
        let table = GUIDE.split(&format!("| `{interface}` |")).nth(1).unwrap();
        let rows = table.lines().skip(2).take_while(|line| line.starts_with('|'));
        let listed: BTreeSet<String> = rows
            .map(|row| {
                let cells: Vec<&str> = row.split('|').map(str::trim).collect();
                format!("{} {}", cells[1], cells[2].replace('→', "")).replace('`', "").replace("  ", " ")
            })
            .collect();
        assert_eq!(shown, listed, "{interface}");
    }
}
