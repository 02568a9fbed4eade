//! The program that is told of alerts: named in the config, started for each, given what happened on its standard input, and ended if it
//! takes too long. No shell comes in between, and nothing that a client says is among its arguments.

use std::process::{ExitStatus, Stdio};
use std::sync::OnceLock;
use std::time::Duration;

use serde::Serialize;
use settled_protocol::run::{Alert, Run};
use tokio::io::AsyncWriteExt as _;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinSet;

use crate::stop::Stop;

/// Programs that run at once: one alert may have several causes.
const AT_ONCE: usize = 4;

/// Alerts that may wait for their turn; more are left out, which the trace tells.
const WAITING: usize = 64;

/// How long one may take.
const LONGEST: Duration = Duration::from_secs(60);

/// A program and its arguments.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Command {
    /// Its path.
    pub program: std::path::PathBuf,
    /// Its arguments.
    pub arguments: Vec<String>,
}

/// What it is told: an object of JSON, on one line.
#[derive(Debug, Serialize)]
struct Told<'a> {
    run: &'a Run,
    alert: &'a Alert,
}

/// Where alerts go.
#[derive(Debug)]
pub(super) struct Alarms(mpsc::Sender<String>);

impl Alarms {
    /// Has the program told of an alert of a run.
    pub(super) fn tell(&self, run: &Run, alert: &Alert) {
        let told = serde_json::to_string(&Told { run, alert }).map(|line| format!("{line}\n"));
        if !told.is_ok_and(|line| self.0.try_send(line).is_ok()) {
            tracing::warn!(run = run.run, "an alert is not told to its program: too many wait");
        }
    }
}

/// Tells the program that there is, if any, of alerts until the daemon stops. Those that run then are ended.
pub(super) async fn tell(
    command: Option<watch::Receiver<Option<Command>>>,
    alarms: &OnceLock<Alarms>,
    mut stop: Stop,
) {
    let Some(command) = command else { return };
    let (sender, mut waiting) = mpsc::channel(WAITING);
    let _first = alarms.set(Alarms(sender)).is_ok();
    let mut running = JoinSet::new();
    loop {
        tokio::select! {
            () = stop.wait() => return,
            Some(line) = waiting.recv(), if running.len() < AT_ONCE => {
                let command = command.borrow().clone();
                if let Some(command) = command {
                    running.spawn(run(command, line, LONGEST));
                }
            }
            Some(ended) = running.join_next() => {
                if let Err(error) = ended {
                    tracing::error!(%error, "telling a program of an alert");
                }
            }
        }
    }
}

async fn run(command: Command, line: String, longest: Duration) {
    let program = command.program.display();
    match tokio::time::timeout(longest, carried_out(&command, &line)).await {
        Ok(Ok(status)) if status.success() => {}
        Ok(Ok(status)) => tracing::warn!(%program, %status, "the program that is told of alerts failed"),
        Ok(Err(error)) => tracing::warn!(%program, %error, "the program that is told of alerts can't be run"),
        Err(_) => tracing::warn!(%program, "the program that is told of alerts took too long, and was ended"),
    }
}

async fn carried_out(command: &Command, line: &str) -> std::io::Result<ExitStatus> {
    let mut child = tokio::process::Command::new(&command.program)
        .args(&command.arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .process_group(0)
        .kill_on_drop(true)
        .spawn()?;
    let mut group = Group(child.id().and_then(|id| i32::try_from(id).ok()));
    if let Some(mut stdin) = child.stdin.take() {
        // Whoever doesn't want to hear it needn't.
        let _heard = stdin.write_all(line.as_bytes()).await.is_ok();
    }
    let status = child.wait().await;
    // What it leaves behind on purpose is its own affair.
    group.0 = None;
    status
}

/// A program that hasn't ended, with whatever it has started: ended when this is dropped.
struct Group(Option<i32>);

impl Drop for Group {
    fn drop(&mut self) {
        if let Some(group) = self.0.map(nix::unistd::Pid::from_raw) {
            // It may just have ended by itself.
            let _ended = nix::sys::signal::killpg(group, nix::sys::signal::Signal::SIGKILL).is_ok();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_program_that_hangs_is_ended_with_whatever_it_has_started() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("pid");
        let script = "sleep 1000 & echo $! > \"$0.new\"; mv \"$0.new\" \"$0\"; wait".to_owned();
        let arguments = vec!["-c".to_owned(), script, file.display().to_string()];
        let command = Command { program: "/bin/sh".into(), arguments };
        let limit = Duration::from_secs(2);
        tokio::time::timeout(Duration::from_secs(30), run(command, String::new(), limit)).await.unwrap();
        let pid: i32 = std::fs::read_to_string(file).unwrap().trim().parse().unwrap();
        let is_there = |pid| {
            // One that was ended and that nobody has waited for yet is a zombie.
            let stat = std::fs::read_to_string(format!("/proc/{pid}/stat")).unwrap_or_default();
            stat.rsplit(')')
                .next()
                .is_some_and(|rest| !rest.trim().is_empty() && !rest.trim().starts_with('Z'))
        };
        let ended = async {
            while is_there(pid) {
                tokio::time::sleep(Duration::from_millis(2)).await;
            }
        };
        tokio::time::timeout(Duration::from_secs(10), ended).await.unwrap();
    }

    #[tokio::test]
    async fn a_program_that_is_not_there_or_hears_nothing_does_no_harm() {
        for (program, arguments) in
            [("/nowhere/at-all", vec![]), ("/bin/true", vec![]), ("/bin/false", vec![])]
        {
            let command = Command { program: program.into(), arguments };
            run(command, "x".repeat(1 << 20), LONGEST).await;
        }
    }
}
