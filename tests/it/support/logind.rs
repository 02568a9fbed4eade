//! A logind that isn't ours (python-dbusmock's), on a bus of the test's own: it can be told that the machine is about to sleep.

use std::process::{Child, Command, Stdio};

use super::bus::Bus;
use super::daemon::wait_until;

const NAME: &str = "org.freedesktop.login1";
const OBJECT: &str = "/org/freedesktop/login1";
const MANAGER: &str = "org.freedesktop.login1.Manager";

/// The mock. It ends when this is dropped.
pub(crate) struct Logind<'a> {
    bus: &'a Bus,
    child: Child,
}

impl<'a> Logind<'a> {
    /// On this bus, once it answers.
    pub(crate) fn start(bus: &'a Bus) -> Self {
        // The system's Python, which has the system's modules.
        let mut command = Command::new("/usr/bin/python3");
        command.args(["-m", "dbusmock", "--system", "--template", "logind"]);
        command.env("DBUS_SYSTEM_BUS_ADDRESS", bus.address()).stdin(Stdio::null()).stdout(Stdio::null());
        let child = command.spawn().expect("python3 is missing: tests/run installs it");
        let logind = Self { bus, child };
        wait_until("logind answers (python3-dbusmock; tests/run installs it)", || {
            bus.busctl(&["get-property", NAME, OBJECT, MANAGER, "IdleHint"])
                .output()
                .unwrap()
                .status
                .success()
        });
        logind
    }

    /// Says that the machine is about to sleep, or awake again.
    pub(crate) fn prepare_for_sleep(&self, begins: bool) {
        let begins = if begins { "true" } else { "false" };
        let mock = "org.freedesktop.DBus.Mock";
        let signal =
            ["call", NAME, OBJECT, mock, "EmitSignal", "sssav", MANAGER, "PrepareForSleep", "b", "1", "b"];
        let output = self.bus.busctl(&[signal.as_slice(), &[begins]].concat()).output().unwrap();
        assert!(output.status.success(), "{output:?}");
    }

    /// What this daemon keeps the machine from, as `what/mode`, sorted.
    pub(crate) fn held(&self) -> Vec<String> {
        let list = ["--json=short", "call", NAME, OBJECT, MANAGER, "ListInhibitors"];
        let output = self.bus.busctl(&list).output().unwrap();
        assert!(output.status.success(), "{output:?}");
        let answer: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
        let mut held: Vec<String> = answer["data"][0]
            .as_array()
            .unwrap()
            .iter()
            .filter(|entry| entry[1] == "settled")
            .map(|entry| format!("{}/{}", entry[0].as_str().unwrap(), entry[3].as_str().unwrap()))
            .collect();
        held.sort();
        held
    }
}

impl Drop for Logind<'_> {
    fn drop(&mut self) {
        let _gone = self.child.kill().is_ok() && self.child.wait().is_ok();
    }
}
