//! The real daemon as a process of its own, with a folder of its own.

use std::fs::File;
use std::io::Write;
use std::os::unix::process::ExitStatusExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Output, Stdio};
use std::time::{Duration, Instant};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use tempfile::TempDir;

use super::client::Client;

/// How long anything may take that has no limit of its own. A hang fails instead of hanging.
pub(crate) const PATIENCE: Duration = Duration::from_secs(20);

/// A daemon under test. It is killed when this is dropped.
pub(crate) struct Daemon {
    folder: TempDir,
    child: Option<Child>,
    starts: u32,
    arguments: Vec<String>,
}

/// A program of this workspace, beside the test itself. `tests/run` builds them first.
pub(crate) fn program(name: &str) -> PathBuf {
    let test = std::env::current_exe().unwrap();
    let path = test.parent().and_then(Path::parent).unwrap().join(name);
    assert!(path.exists(), "{} is missing: cargo build --workspace --bins, or tests/run", path.display());
    path
}

/// Waits until `condition` holds; looks again every few milliseconds.
pub(crate) fn wait_until(what: &str, mut condition: impl FnMut() -> bool) {
    let start = Instant::now();
    while !condition() {
        assert!(start.elapsed() < PATIENCE, "waited in vain until {what}");
        std::thread::park_timeout(Duration::from_millis(5));
    }
}

impl Daemon {
    /// A folder with a config, and no daemon yet.
    pub(crate) fn configured(config: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("settled.toml"), config).unwrap();
        Self { folder, child: None, starts: 0, arguments: Vec::new() }
    }

    /// A running daemon.
    pub(crate) fn start(config: &str) -> Self {
        let mut daemon = Self::configured(config);
        daemon.launch();
        daemon
    }

    /// A file in the daemon's folder.
    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub(crate) fn socket(&self) -> PathBuf {
        self.path("socket")
    }

    /// The command that starts it.
    pub(crate) fn command(&self) -> Command {
        let mut command = Command::new(program("settled"));
        command.arg("--config").arg(self.path("settled.toml")).arg("--socket").arg(self.socket());
        command.args(&self.arguments).stdin(Stdio::null());
        command
    }

    /// Starts it from now on with these arguments as well.
    pub(crate) fn with_arguments(&mut self, arguments: &[&str]) {
        self.arguments = arguments.iter().map(|argument| (*argument).to_owned()).collect();
    }

    /// Starts it, and waits until it answers.
    pub(crate) fn launch(&mut self) {
        self.launch_by(self.command());
    }

    /// Starts it under limits of open files, as `ulimit` takes them.
    pub(crate) fn launch_with_files(&mut self, limits: &str) {
        let command = self.command();
        let mut shell = Command::new("sh");
        shell.arg("-c").arg(format!("ulimit {limits} && exec \"$0\" \"$@\""));
        shell.arg(command.get_program()).args(command.get_args()).stdin(Stdio::null());
        self.launch_by(shell);
    }

    /// Starts it by this command, and waits until it answers.
    pub(crate) fn launch_by(&mut self, mut command: Command) {
        self.starts += 1;
        let trace = File::create(self.path(&format!("trace-{}", self.starts))).unwrap();
        let child = command.stdout(Stdio::null()).stderr(trace).spawn().unwrap();
        self.child = Some(child);
        let socket = self.socket();
        wait_until("the daemon answers", || {
            let ended = self.child.as_mut().and_then(|child| child.try_wait().unwrap());
            assert!(ended.is_none(), "the daemon ended: {ended:?}\n{}", self.trace());
            std::os::unix::net::UnixStream::connect(&socket).is_ok()
        });
    }

    /// What it has said on standard error.
    pub(crate) fn trace(&self) -> String {
        std::fs::read_to_string(self.path(&format!("trace-{}", self.starts))).unwrap_or_default()
    }

    pub(crate) fn pid(&self) -> u32 {
        self.child.as_ref().unwrap().id()
    }

    pub(crate) fn client(&self) -> Client {
        Client::connect(&self.socket())
    }

    pub(crate) fn signal(&self, signal: Signal) {
        kill(Pid::from_raw(i32::try_from(self.pid()).unwrap()), signal).unwrap();
    }

    /// Waits for its end.
    pub(crate) fn ended(&mut self) -> ExitStatus {
        let mut child = self.child.take().unwrap();
        let mut status = None;
        wait_until("the daemon ends", || {
            status = child.try_wait().unwrap();
            status.is_some()
        });
        status.unwrap()
    }

    /// Kills it without a warning.
    pub(crate) fn kill(&mut self) {
        self.signal(Signal::SIGKILL);
        assert_eq!(self.ended().signal(), Some(9));
    }

    /// `settle` with these arguments, talking to this daemon.
    pub(crate) fn settle(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(program("settle"));
        command.arg("--socket").arg(self.socket()).args(arguments).stdin(Stdio::null());
        command
    }

    /// The same, run to its end, with this typed at it.
    pub(crate) fn run_settle_told(&self, arguments: &[&str], typed: &str) -> Output {
        let mut settle = self.settle(arguments);
        settle.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut child = settle.spawn().unwrap();
        child.stdin.take().unwrap().write_all(typed.as_bytes()).unwrap();
        child.wait_with_output().unwrap()
    }

    /// The same, run to its end.
    pub(crate) fn run_settle(&self, arguments: &[&str]) -> Output {
        self.settle(arguments).output().unwrap()
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        if let Some(mut child) = self.child.take() {
            let _gone = child.kill().is_ok() && child.wait().is_ok();
        }
        if std::thread::panicking() {
            eprintln!("--- what the daemon said ---\n{}", self.trace());
        }
    }
}
