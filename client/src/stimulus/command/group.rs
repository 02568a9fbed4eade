//! A program and all that it has started, ended together.

use rustix::process::{Pid, Signal, kill_process_group};
use tokio::process::Child;

/// The process group of a program that was started as the first of its own. Unless the program came to its end, all of it is ended as this
/// goes out of scope: a program that a shell has started, say, would show its stimulus after the shell was ended.
#[derive(Debug)]
pub(super) struct Group(Option<Pid>);

impl Group {
    /// Of a program that hasn't been waited for: its number is nobody else's yet.
    pub(super) fn of(child: &Child) -> Self {
        Self(child.id().and_then(|id| i32::try_from(id).ok()).and_then(Pid::from_raw))
    }

    /// It came to its end; what it leaves running is meant to run.
    pub(super) fn release(mut self) {
        self.0 = None;
    }
}

impl Drop for Group {
    fn drop(&mut self) {
        let Some(group) = self.0 else { return };
        // Where there is none of it left, there is none to be ended.
        let _ended = kill_process_group(group, Signal::KILL).is_ok();
    }
}
