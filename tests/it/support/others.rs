//! Other users of this machine. To become one takes root; a test that needs one fails without, and says so.

use std::os::fd::OwnedFd;
use std::os::unix::fs::PermissionsExt;
use std::os::unix::net::UnixStream;
use std::os::unix::process::CommandExt;
use std::process::{Child, Command, Output, Stdio};

use super::client::Client;
use super::daemon::{Daemon, program};

/// A user, by the numbers of the user and of the group that it runs under. Nobody has to know them.
#[derive(Clone, Copy)]
pub(crate) struct User(pub(crate) u32, pub(crate) u32);

/// A client that runs as another user.
pub(crate) struct Other {
    pub(crate) client: Client,
    bridge: Child,
}

/// Fails, and says why, where no other user can be become.
pub(crate) fn need_root() {
    let root = nix::unistd::geteuid().is_root();
    assert!(root, "this test becomes other users, which only root may: run it as root, as tests/run does");
}

impl User {
    /// What carries bytes from its standard input to the socket and back.
    fn bridge(self, daemon: &Daemon, socket: &str) -> Command {
        need_root();
        // The folder of a test is its own; the socket's mode is what is tested.
        let folder = daemon.path("");
        std::fs::set_permissions(&folder, PermissionsExt::from_mode(0o755)).unwrap();
        let mut socat = Command::new("socat");
        socat.args(["-t", "20", "-"]).arg(format!("UNIX-CONNECT:{}", daemon.path(socket).display()));
        socat.uid(self.0).gid(self.1).current_dir("/").stderr(Stdio::piped());
        socat
    }

    /// Connects as this user.
    pub(crate) fn connect(self, daemon: &Daemon) -> Other {
        let (ours, theirs) = UnixStream::pair().unwrap();
        let theirs = OwnedFd::from(theirs);
        let mut socat = self.bridge(daemon, "socket");
        socat.stdin(theirs.try_clone().unwrap()).stdout(theirs);
        Other { client: Client::over(ours), bridge: socat.spawn().unwrap() }
    }

    /// Runs `settle` as this user, from a place where every user may.
    pub(crate) fn settle(self, daemon: &Daemon, arguments: &[&str]) -> Output {
        need_root();
        let (folder, copy) = (daemon.path(""), daemon.path("settle"));
        std::fs::copy(program("settle"), &copy).unwrap();
        for path in [&folder, &copy] {
            std::fs::set_permissions(path, PermissionsExt::from_mode(0o755)).unwrap();
        }
        let mut settle = Command::new(copy);
        settle.arg("--socket").arg(daemon.socket()).args(arguments).stdin(Stdio::null()).current_dir("/");
        settle.uid(self.0).gid(self.1);
        loop {
            match settle.output() {
                // Whatever another test starts just now has the copy open for writing until it is another program.
                Err(error) if error.kind() == std::io::ErrorKind::ExecutableFileBusy => {
                    std::thread::yield_now()
                }
                output => return output.unwrap(),
            }
        }
    }

    /// Sends this as this user, and gives what came until the daemon closed.
    pub(crate) fn say(self, daemon: &Daemon, lines: &str) -> Output {
        self.say_at(daemon, "socket", lines)
    }

    /// The same at another socket in the daemon's folder.
    pub(crate) fn say_at(self, daemon: &Daemon, socket: &str, lines: &str) -> Output {
        let mut socat = self.bridge(daemon, socket);
        let mut child = socat.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
        // Whoever isn't let in may be gone before it is all written.
        let _written = std::io::Write::write_all(&mut child.stdin.take().unwrap(), lines.as_bytes()).is_ok();
        child.wait_with_output().unwrap()
    }
}

impl Drop for Other {
    fn drop(&mut self) {
        let _gone = self.bridge.kill().is_ok() && self.bridge.wait().is_ok();
    }
}
