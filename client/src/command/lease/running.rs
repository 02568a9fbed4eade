//! The command that runs under a lease, and what signals mean to it.

use std::ffi::OsString;
use std::os::unix::process::ExitStatusExt;
use std::path::Path;
use std::process::ExitStatus;

use rustix::process::{Pid, Signal, getpgrp, kill_process};
use rustix::termios::tcgetpgrp;
use settled_protocol::socket;
use tokio::process::{Child, Command};
use tokio::signal::unix::{SignalKind, signal};

use super::leash;
use crate::command::Failure;
use crate::command::signals::{heard, is_ignored};
use crate::lease::{self, Lease};
use crate::output::Output;

/// This very program, even if another version of it has taken its place since.
const OURSELVES: &str = "/proc/self/exe";

/// A signal's number on top of this is the exit status of what it ended.
const BY_SIGNAL: i32 = 128;

/// A command that runs.
pub(super) struct Running {
    child: Child,
    signals: [(Option<tokio::signal::unix::Signal>, Signal); 4],
}

impl Running {
    /// Starts it under the lease; with none, under those that are in the environment.
    pub(super) fn start(
        output: Output,
        words: &[OsString],
        lease: Option<&Lease>,
        socket: Option<&Path>,
    ) -> Result<Self, Failure> {
        let listen = |kind: SignalKind, passed_on: Signal| {
            // What we were started to ignore, under nohup say, the command is to ignore as well.
            let heard = if is_ignored(kind) { None } else { Some(signal(kind)?) };
            Ok::<_, std::io::Error>((heard, passed_on))
        };
        // Listened for before there is anything that they could end.
        let signals = [
            listen(SignalKind::interrupt(), Signal::INT)?,
            listen(SignalKind::quit(), Signal::QUIT)?,
            listen(SignalKind::terminate(), Signal::TERM)?,
            listen(SignalKind::hangup(), Signal::HUP)?,
        ];
        let mut command = Command::new(OURSELVES);
        command.arg0(leash::NAME).arg(std::process::id().to_string()).arg(leash::form(output)).args(words);
        if let Some(lease) = lease {
            let before = std::env::var(lease::VARIABLE).ok();
            command.env(lease::VARIABLE, lease::handed_on(before.as_deref(), lease.meter(), lease.token()));
        }
        if let Some(path) = socket {
            // It may run elsewhere.
            command.env(socket::VARIABLE, std::path::absolute(path)?);
        }
        Ok(Self { child: command.spawn().map_err(Failure::Runtime)?, signals })
    }

    /// Waits for its end, and passes signals on meanwhile. Gives the exit status that a shell would.
    pub(super) async fn ended(&mut self) -> Result<u8, Failure> {
        loop {
            let [interrupt, quit, terminate, hangup] = &mut self.signals;
            let caught = tokio::select! {
                status = self.child.wait() => return Ok(as_a_shell(status.map_err(Failure::Runtime)?)),
                () = heard(&mut interrupt.0) => interrupt.1,
                () = heard(&mut quit.0) => quit.1,
                () = heard(&mut terminate.0) => terminate.1,
                () = heard(&mut hangup.0) => hangup.1,
            };
            let from_keyboard = [Signal::INT, Signal::QUIT].contains(&caught) && is_at_the_terminal();
            let pid = self.child.id().and_then(|id| Pid::from_raw(i32::try_from(id).ok()?));
            if let Some(pid) = pid.filter(|_| !from_keyboard) {
                // It may have ended just now.
                let _passed_on = kill_process(pid, caught).is_ok();
            }
        }
    }
}

/// Whether what is typed at the terminal reaches this process and its children alike.
fn is_at_the_terminal() -> bool {
    std::fs::File::open("/dev/tty")
        .is_ok_and(|terminal| tcgetpgrp(&terminal).is_ok_and(|group| group == getpgrp()))
}

fn as_a_shell(status: ExitStatus) -> u8 {
    let by_signal = || status.signal().map(|signal| BY_SIGNAL + signal);
    status.code().or_else(by_signal).and_then(|status| u8::try_from(status).ok()).unwrap_or(u8::MAX)
}
