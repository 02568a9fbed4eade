//! The shell that a chapter is typed into: a folder and a daemon of its own.

use std::io::{BufRead, BufReader, Write};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, sync_channel};
use std::time::{Duration, Instant};

use nix::sys::signal::{Signal, killpg};
use nix::unistd::Pid;
use serde_json::{Value, json};
use tempfile::TempDir;

use crate::support::client::Client;
use crate::support::daemon::{program, wait_until};

/// Ends what a command said.
const END: &str = "--- the end of a command ---";

/// How long one command may take: the longest of the guide waits for a simulated night. A hang fails instead of hanging.
const PATIENCE: Duration = Duration::from_secs(180);

/// Lines that may wait to be looked at.
const LINES: usize = 256;

/// It ends with all that it has started.
pub(super) struct Shell {
    child: Child,
    told: ChildStdin,
    said: Receiver<String>,
    folder: TempDir,
}

impl Shell {
    pub(super) fn start() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let programs = program("settle").parent().unwrap().to_owned();
        let path = format!("{}:{}", programs.display(), std::env::var("PATH").unwrap());
        let sources = Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap();
        let mut shell = Command::new("sh");
        shell.current_dir(folder.path()).process_group(0);
        shell.env("PATH", path).env("HOME", folder.path()).env("XDG_RUNTIME_DIR", folder.path());
        shell.env("SETTLED", sources).env("TZ", "UTC").env("LC_ALL", "C.UTF-8");
        shell.env("PYTHONDONTWRITEBYTECODE", "1").env_remove("SETTLED_SOCKET").env_remove("COLUMNS");
        let mut child = shell.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
        let mut told = child.stdin.take().unwrap();
        writeln!(told, "exec 2>&1").unwrap();
        let lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let (saying, said) = sync_channel(LINES);
        // It ends with the shell, or with whoever listens.
        std::thread::spawn(move || lines.map_while(Result::ok).try_for_each(|line| saying.send(line)));
        Self { child, told, said, folder }
    }

    pub(super) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// What a command says. After one that leaves a daemon running behind it, it is waited for, and for its meters.
    pub(super) fn run(&mut self, command: &str) -> Vec<String> {
        // Nothing that is typed here is read by the command; and its status is the next one's to look at.
        let line = format!("{{ {command}\n}} </dev/null; STATUS=$?; echo '{END}'; (exit $STATUS)");
        let line = if command.ends_with('&') { format!("{command}\necho '{END}'") } else { line };
        writeln!(self.told, "{line}").unwrap();
        let said = self.said_until_end(command);
        if command.starts_with("settled ") && command.ends_with('&') {
            self.wait_for_the_daemon();
        }
        said
    }

    fn said_until_end(&self, command: &str) -> Vec<String> {
        let (until, mut said) = (Instant::now() + PATIENCE, Vec::new());
        loop {
            match self.said.recv_timeout(until.saturating_duration_since(Instant::now())) {
                Ok(line) if line == END => return said,
                Ok(line) => said.push(line),
                Err(RecvTimeoutError::Timeout) => panic!("{command:?} has not ended: {said:#?}"),
                Err(RecvTimeoutError::Disconnected) => panic!("the shell ended in {command:?}: {said:#?}"),
            }
        }
    }

    fn wait_for_the_daemon(&self) {
        let socket = self.path("settled/socket");
        wait_until("the chapter's daemon answers", || {
            std::os::unix::net::UnixStream::connect(&socket).is_ok()
        });
        let mut client = Client::connect(&socket);
        let was_tried = |meter: &Value| meter["state"] != "absent" || meter["faults"] != 0;
        wait_until("the chapter's meters are open, or it is known why not", || {
            client.call("meters.list", &json!({}))["meters"].as_array().unwrap().iter().all(was_tried)
        });
    }
}

impl Drop for Shell {
    fn drop(&mut self) {
        if std::thread::panicking() {
            let trace = std::fs::read_to_string(self.path("settled.log")).unwrap_or_default();
            eprintln!("--- what the chapter's daemon said ---\n{trace}");
        }
        let group = Pid::from_raw(i32::try_from(self.child.id()).unwrap());
        let _gone = killpg(group, Signal::SIGKILL).is_ok() && self.child.wait().is_ok();
    }
}
