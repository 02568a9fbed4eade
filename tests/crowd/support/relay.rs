//! A client in a process of its own, that can be stopped and killed: `socat` carries lines between the daemon and the test.

use std::io::{BufRead, BufReader, Write};
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc;

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::{Value, json};

use super::daemon::PATIENCE;
use super::others::User;

/// Lines that have come and that the test hasn't taken. When it is full, nothing more is read from the process.
const TAKEN_IN: usize = 64;

/// The process. It is killed when this is dropped.
pub(crate) struct Relay {
    child: Child,
    input: ChildStdin,
    lines: mpsc::Receiver<String>,
}

impl Relay {
    pub(crate) fn start(socket: &Path) -> Self {
        Self::start_by(&mut Self::command(socket))
    }

    /// A client that is another user's, where root runs the tests; else one that is ours.
    pub(crate) fn start_as(user: User, socket: &Path) -> Self {
        let mut command = Self::command(socket);
        if nix::unistd::geteuid().is_root() {
            command.uid(user.0).gid(user.1).current_dir("/");
        }
        Self::start_by(&mut command)
    }

    fn command(socket: &Path) -> Command {
        let mut command = Command::new("socat");
        command.args(["-t", "60", "-"]).arg(format!("UNIX-CONNECT:{}", socket.display()));
        command
    }

    fn start_by(command: &mut Command) -> Self {
        let mut child =
            command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
        let input = child.stdin.take().unwrap();
        let output = BufReader::new(child.stdout.take().unwrap());
        let (sender, lines) = mpsc::sync_channel(TAKEN_IN);
        // It ends with the process, or once nobody takes the lines.
        std::thread::spawn(move || {
            for line in output.lines() {
                if line.map_or(true, |line| sender.send(line).is_err()) {
                    return;
                }
            }
        });
        Self { child, input, lines }
    }

    /// Sends bytes as they are.
    pub(crate) fn send(&mut self, bytes: &[u8]) {
        self.input.write_all(bytes).unwrap();
        self.input.flush().unwrap();
    }

    /// Sends a request.
    pub(crate) fn ask(&mut self, id: u64, method: &str, params: &Value) {
        let request = json!({"jsonrpc": "2.0", "id": id, "method": method, "params": params});
        self.send(format!("{request}\n").as_bytes());
    }

    /// The next line that the daemon sent.
    pub(crate) fn line(&self) -> String {
        self.lines.recv_timeout(PATIENCE).expect("a line in time")
    }

    pub(crate) fn signal(&self, signal: Signal) {
        kill(Pid::from_raw(i32::try_from(self.child.id()).unwrap()), signal).unwrap();
    }
}

impl Drop for Relay {
    fn drop(&mut self) {
        let _gone = self.child.kill().is_ok() && self.child.wait().is_ok();
    }
}
