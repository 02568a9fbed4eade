//! A D-Bus of a test's own, and what people type at it.

use std::fs::Permissions;
use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::CommandExt;
use std::path::PathBuf;
use std::process::{Child, Command, Output, Stdio};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::{Map, Value};
use tempfile::TempDir;

use super::daemon::{Daemon, wait_until};
use super::others::need_root;

/// Where the manager is.
pub(crate) const ROOT: &str = "/io/github/settled1";

/// The daemon's name on the bus.
pub(crate) const NAME: &str = "io.github.settled1";

/// A user that is nobody in particular, and has no group but its own.
const NOBODY: u32 = 65534;

/// Whoever is on it may do anything.
const OPEN: &str = "<policy context=\"default\"><allow send_destination=\"*\" eavesdrop=\"true\"/><allow eavesdrop=\"true\"/><allow own=\"*\"/></policy>";

/// Nobody has a name, nor may call, unless a policy says so: as on the machine's bus.
const CLOSED: &str = "<policy context=\"default\"><allow user=\"*\"/><deny own=\"*\"/><deny send_type=\"method_call\"/><allow send_type=\"signal\"/><allow send_requested_reply=\"true\" send_type=\"method_return\"/><allow send_requested_reply=\"true\" send_type=\"error\"/><allow receive_type=\"method_call\"/><allow receive_type=\"method_return\"/><allow receive_type=\"error\"/><allow receive_type=\"signal\"/><allow send_destination=\"org.freedesktop.DBus\" send_interface=\"org.freedesktop.DBus\"/></policy>";

/// The bus. It ends when this is dropped.
pub(crate) struct Bus {
    folder: TempDir,
    child: Option<Child>,
}

impl Bus {
    /// A bus that isn't there yet, on which anybody may do anything.
    pub(crate) fn away() -> Self {
        Self::with(OPEN)
    }

    /// A running one.
    pub(crate) fn start() -> Self {
        let mut bus = Self::away();
        bus.launch();
        bus
    }

    /// A running one with rules as the machine's, and with this policy.
    pub(crate) fn with_policy(policy: &str) -> Self {
        let mut bus = Self::with(&format!("{CLOSED}<include>policy.conf</include>"));
        std::fs::write(bus.folder.path().join("policy.conf"), policy).unwrap();
        bus.launch();
        bus
    }

    fn with(rules: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        // Others than the test's user are to reach it, too.
        std::fs::set_permissions(folder.path(), Permissions::from_mode(0o755)).unwrap();
        let bus = Self { folder, child: None };
        let config = format!("<busconfig><listen>{}</listen>{rules}</busconfig>", bus.address());
        std::fs::write(bus.folder.path().join("bus.conf"), config).unwrap();
        bus
    }

    pub(crate) fn address(&self) -> String {
        format!("unix:path={}", self.socket().display())
    }

    fn socket(&self) -> PathBuf {
        self.folder.path().join("bus")
    }

    /// Starts it, and waits until it answers.
    pub(crate) fn launch(&mut self) {
        let mut command = Command::new("dbus-daemon");
        command.arg("--nofork").arg("--config-file").arg(self.folder.path().join("bus.conf"));
        let trace = std::fs::File::create(self.folder.path().join("trace")).unwrap();
        let missing = "dbus-daemon is missing: install dbus, or run tests/run";
        self.child = Some(command.stdin(Stdio::null()).stderr(trace).spawn().expect(missing));
        wait_until("the bus answers", || std::os::unix::net::UnixStream::connect(self.socket()).is_ok());
    }

    /// What it has complained about.
    pub(crate) fn trace(&self) -> String {
        std::fs::read_to_string(self.folder.path().join("trace")).unwrap()
    }

    pub(crate) fn signal(&self, signal: Signal) {
        let pid = self.child.as_ref().unwrap().id();
        kill(Pid::from_raw(i32::try_from(pid).unwrap()), signal).unwrap();
    }

    /// Ends it.
    pub(crate) fn end(&mut self) {
        if let Some(mut child) = self.child.take() {
            let _gone = child.kill().is_ok() && child.wait().is_ok();
        }
    }

    /// A daemon on it, once it is.
    pub(crate) fn daemon(&self, config: &str) -> Daemon {
        let daemon = Daemon::start(&format!("{config}[dbus]\nbus = \"{}\"\n", self.address()));
        self.wait_for_daemon();
        daemon
    }

    /// Waits until a daemon is on it.
    pub(crate) fn wait_for_daemon(&self) {
        wait_until("the daemon is on the bus", || {
            self.busctl(&["status", NAME]).output().unwrap().status.success()
        });
    }

    /// `busctl` on this bus.
    pub(crate) fn busctl(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new("busctl");
        command.arg(format!("--address={}", self.address())).args(arguments).stdin(Stdio::null());
        command
    }

    /// The same as a user who is nobody in particular.
    pub(crate) fn busctl_as_nobody(&self, arguments: &[&str]) -> Output {
        need_root();
        self.busctl(arguments).uid(NOBODY).gid(NOBODY).current_dir("/").output().unwrap()
    }

    /// What a call answers, as plain JSON; else the name of its error and its message.
    pub(crate) fn call(&self, object: &str, method: &str, arguments: &[&str]) -> Result<Value, String> {
        let (interface, member) = method.rsplit_once('.').unwrap();
        let call = ["--json=short", "call", NAME, object, interface, member];
        let output = self.busctl(&[call.as_slice(), arguments].concat()).output().unwrap();
        if output.status.success() {
            let mut answer: Value = serde_json::from_slice(&output.stdout).unwrap();
            return Ok(plain(answer["data"][0].take()));
        }
        Err(String::from_utf8(output.stderr).unwrap())
    }

    /// The kind in the name of the error that a call ends with, and its message.
    pub(crate) fn refusal(&self, object: &str, method: &str, argument: &str) -> (String, String) {
        let mut gdbus = Command::new("gdbus");
        gdbus.args(["call", "--address", &self.address(), "--dest", NAME, "--object-path", object]);
        let output = gdbus.args(["--method", method, argument]).output().unwrap();
        let words = String::from_utf8(output.stderr).unwrap();
        let named = words.trim().strip_prefix("Error: GDBus.Error:io.github.settled1.Error.");
        let (kind, message) =
            named.and_then(|named| named.split_once(": ")).unwrap_or_else(|| panic!("{words}"));
        (kind.to_owned(), message.to_owned())
    }

    /// A property, as plain JSON.
    pub(crate) fn property(&self, meter: &str, name: &str) -> Value {
        let (object, interface) = (format!("{ROOT}/meters/{meter}"), "io.github.settled1.Meter");
        let answer = self.call(&object, "org.freedesktop.DBus.Properties.Get", &["ss", interface, name]);
        answer.unwrap()
    }
}

impl Drop for Bus {
    fn drop(&mut self) {
        self.end();
    }
}

/// JSON without D-Bus's types.
fn plain(value: Value) -> Value {
    match value {
        Value::Object(mut object)
            if object.len() == 2 && object.contains_key("type") && object.contains_key("data") =>
        {
            plain(object.remove("data").unwrap())
        }
        Value::Object(object) => {
            Value::Object(object.into_iter().map(|(name, value)| (name, plain(value))).collect::<Map<_, _>>())
        }
        Value::Array(values) => values.into_iter().map(plain).collect(),
        value => value,
    }
}
