//! A child process and its group: started without a shell, limited, watched, ended, and never left as a zombie.

use std::io::{self, ErrorKind};
use std::os::fd::OwnedFd;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::time::Duration;

use rustix::process::{
    Pid, PidfdFlags, Resource, Rlimit, Signal, WaitId, WaitIdOptions, kill_process_group, pidfd_open,
    prlimit, setpriority_process, waitid,
};
use tokio::io::Interest;
use tokio::io::unix::AsyncFd;
use tokio::process::{Child, ChildStderr, ChildStdin, ChildStdout, Command};
use tokio::time::timeout;

use crate::fault::{Fault, FaultKind};

/// What a plugin sees of the daemon's environment.
const ENVIRONMENT: [&str; 6] = ["PATH", "HOME", "LANG", "LC_ALL", "TZ", "TMPDIR"];

/// How long a process that was killed may take to be gone, before it is left to the runtime to wait for.
const REAPING: Duration = Duration::from_secs(1);

/// How a plugin is started.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Launch {
    /// The program and its arguments. A program with a slash in it starts at the folder; one without is looked for in `PATH`.
    pub words: Vec<String>,
    /// The config's folder, absolute: where the program runs.
    pub folder: PathBuf,
    /// How much writable memory each of its processes may have, in MiB.
    pub memory_mib: u32,
    /// How much it gives way to others, 0 to 19.
    pub nice: u8,
}

/// The daemon's ends of a process's three streams.
#[derive(Debug)]
pub struct Streams {
    /// Where it listens.
    pub stdin: ChildStdin,
    /// Where it speaks.
    pub stdout: ChildStdout,
    /// Where it complains.
    pub stderr: ChildStderr,
}

/// A running process that leads a group of its own. Dropping it kills the group.
///
/// The group is always killed before its leader is waited for: until then nobody else can have its number.
#[derive(Debug)]
pub struct Process {
    child: Child,
    pid: Pid,
    watch: AsyncFd<OwnedFd>,
    reaped: bool,
}

impl Process {
    /// Starts a program, without holding up the runtime.
    ///
    /// # Errors
    /// `Gone` if there is no such program, `Denied` if it may not be run, `Busy` while somebody writes it, else `Refused`.
    pub async fn start(launch: &Launch) -> Result<(Self, Streams), Fault> {
        let name = launch.words.first().map_or("", String::as_str).to_owned();
        let owned = launch.clone();
        // Between its creation and its program a child may have to wait for a disk.
        let started = tokio::task::spawn_blocking(move || start(&owned)).await;
        started.unwrap_or_else(|error| Err(io::Error::other(error))).map_err(|error| {
            let (kind, detail) = match error.kind() {
                ErrorKind::NotFound => (
                    FaultKind::Gone,
                    format!("there is no program {name:?}, or not what its first line names"),
                ),
                ErrorKind::PermissionDenied => (FaultKind::Denied, format!("running {name:?}")),
                ErrorKind::ExecutableFileBusy => (FaultKind::Busy, format!("running {name:?}")),
                _ => (FaultKind::Refused, format!("running {name:?}")),
            };
            Fault::new(kind, detail).because(error)
        })
    }

    /// Waits until the process has ended. It stays there to be waited for.
    pub async fn ended(&self) {
        // The descriptor becomes readable with the end of the process, and stays so. It can't fail; if it did, the deadlines
        // would be left.
        if self.watch.ready(Interest::READABLE).await.is_err() {
            std::future::pending::<()>().await;
        }
    }

    /// How the process ended, in words; nothing while it runs.
    #[must_use]
    pub fn end(&self) -> Option<String> {
        let options = WaitIdOptions::EXITED | WaitIdOptions::NOHANG | WaitIdOptions::NOWAIT;
        let status = waitid(WaitId::Pid(self.pid), options).ok().flatten()?;
        Some(match (status.exit_status(), status.terminating_signal()) {
            (Some(code), _) => format!("exit status {code}"),
            (None, Some(signal)) => format!("signal {signal}"),
            (None, None) => "an unknown status".to_owned(),
        })
    }

    /// Kills every process of the group that has not left it.
    pub fn kill(&self) {
        if !self.reaped {
            // Nobody left to kill is as good.
            let _killed = kill_process_group(self.pid, Signal::KILL).is_ok();
        }
    }

    /// Kills the group, and waits for its leader.
    pub async fn reap(mut self) {
        self.kill();
        self.reaped = timeout(REAPING, self.child.wait()).await.is_ok();
    }
}

impl Drop for Process {
    /// The runtime waits for the leader: see [`tokio::process::Child`].
    fn drop(&mut self) {
        self.kill();
    }
}

fn start(launch: &Launch) -> io::Result<(Process, Streams)> {
    let (program, arguments) = launch.words.split_first().ok_or(ErrorKind::InvalidInput)?;
    let program = match program.contains('/') {
        true => launch.folder.join(program),
        false => Path::new(program).to_owned(),
    };
    let mut command = Command::new(program);
    command.args(arguments).current_dir(&launch.folder).env_clear().process_group(0);
    for name in ENVIRONMENT {
        if let Some(value) = std::env::var_os(name) {
            command.env(name, value);
        }
    }
    command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).kill_on_drop(true);
    let mut child = command.spawn()?;
    let pid = child.id().and_then(|id| Pid::from_raw(i32::try_from(id).ok()?));
    let pid = pid.ok_or_else(|| io::Error::other("a process without a number"))?;
    let streams = (child.stdin.take(), child.stdout.take(), child.stderr.take());
    let (Some(stdin), Some(stdout), Some(stderr)) = streams else {
        return Err(io::Error::other("a process without its streams"));
    };
    limit(pid, launch)?;
    let watch = watched(pidfd_open(pid, PidfdFlags::NONBLOCK)?)?;
    Ok((Process { child, pid, watch, reaped: false }, Streams { stdin, stdout, stderr }))
}

#[expect(deprecated, reason = "unsound only for descriptors that somebody else may close, which this is not")]
fn watched(pidfd: OwnedFd) -> io::Result<AsyncFd<OwnedFd>> {
    AsyncFd::with_interest(pidfd, Interest::READABLE)
}

/// Holds a process, and whatever it starts from now on, to its limits: writable memory, no core files, manners.
fn limit(pid: Pid, launch: &Launch) -> io::Result<()> {
    let most = |value: u64| Rlimit { current: Some(value), maximum: Some(value) };
    prlimit(Some(pid), Resource::Data, most(u64::from(launch.memory_mib) << 20))?;
    prlimit(Some(pid), Resource::Core, most(0))?;
    if launch.nice > 0 {
        setpriority_process(Some(pid), i32::from(launch.nice))?;
    }
    Ok(())
}
