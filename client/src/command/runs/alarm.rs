//! A command of the user's that is run at each alert. It may take a minute, and few run at once.

use std::process::Stdio;
use std::time::Duration;

use serde_json::json;
use settled_protocol::run::{Alert, Run};
use tokio::io::AsyncWriteExt;
use tokio::process::Command;
use tokio::task::JoinSet;
use tokio::time::timeout;

/// How long one may take. Then it is killed.
const LONGEST: Duration = Duration::from_secs(60);

/// How many may run at once: one for each kind of alert, and some that hang.
const AT_ONCE: usize = 8;

/// Runs the command at each alert.
#[derive(Debug)]
pub(super) struct Alarm {
    command: String,
    running: JoinSet<Option<String>>,
}

impl Alarm {
    pub(super) fn new(command: String) -> Self {
        Self { command, running: JoinSet::new() }
    }

    /// Runs it, or says why not.
    pub(super) fn sound(&mut self, run: &Run, alert: &Alert) -> Option<String> {
        if self.running.len() >= AT_ONCE {
            return Some(format!(
                "--on-alert was not run for {}: {AT_ONCE} of it run already",
                alert.kind.name()
            ));
        }
        let input = format!("{}\n", json!({ "run": run, "alert": alert }));
        let mut command = Command::new("sh");
        command.args(["-c", &self.command]).stdin(Stdio::piped()).kill_on_drop(true);
        // Standard output is for the answer.
        command.stdout(std::io::stderr());
        let label = run.plan.label.as_ref().map_or("", |label| label.as_str());
        command.env("SETTLED_ALERT_RUN", run.run.to_string()).env("SETTLED_ALERT_LABEL", label);
        command.env("SETTLED_ALERT_METER", &run.plan.meter).env("SETTLED_ALERT_KIND", alert.kind.name());
        command.env("SETTLED_ALERT_AT", alert.at.to_string()).env("SETTLED_ALERT_MESSAGE", &alert.message);
        self.running.spawn(carry_out(command, input));
        None
    }

    /// What went wrong with one that has ended; waits for the next to end, for ever where none runs.
    pub(super) async fn trouble(&mut self) -> Option<String> {
        match self.running.join_next().await {
            Some(outcome) => outcome.ok().flatten(),
            None => std::future::pending().await,
        }
    }

    /// Waits for those that still run, and says what went wrong.
    pub(super) async fn finish(&mut self) -> Vec<String> {
        let mut troubles = Vec::new();
        while let Some(outcome) = self.running.join_next().await {
            troubles.extend(outcome.ok().flatten());
        }
        troubles
    }
}

async fn carry_out(mut command: Command, input: String) -> Option<String> {
    let whole = async {
        let mut child = command.spawn()?;
        if let Some(mut stdin) = child.stdin.take() {
            // One that doesn't want to know has closed it.
            let _read = stdin.write_all(input.as_bytes()).await.is_ok();
        }
        child.wait().await
    };
    match timeout(LONGEST, whole).await {
        Ok(Ok(status)) if status.success() => None,
        Ok(Ok(status)) => Some(format!("--on-alert ended with {status}")),
        Ok(Err(error)) => Some(format!("--on-alert could not be run: {error}")),
        Err(_) => Some(format!("--on-alert took longer than {} s and was ended", LONGEST.as_secs())),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run() -> Run {
        let members = json!({
            "run": 7, "plan": {"meter": "bench", "kind": "drift", "label": "monitor 4"}, "state": "running",
            "created": "2026-11-27T18:00:00Z", "begins": "2026-11-27T18:00:00Z", "elapsed_s": 1.0, "points": 1,
            "readings": 1, "missed": 0, "gaps": 0, "gap_s": 0.0, "alerts": 1, "flags": [], "message": "It goes on.",
        });
        serde_json::from_value(members).unwrap()
    }

    fn alert() -> Alert {
        let members =
            json!({"kind": "meter_lost", "at": "2026-11-27T22:13:00Z", "message": "$(no) shell; here"});
        serde_json::from_value(members).unwrap()
    }

    #[tokio::test]
    async fn a_command_has_the_alert_in_its_environment_and_on_its_input() {
        let place = tempfile::tempdir().unwrap();
        let file = place.path().join("said");
        let command = format!(
            "{{ echo \"$SETTLED_ALERT_RUN $SETTLED_ALERT_METER $SETTLED_ALERT_KIND $SETTLED_ALERT_LABEL $SETTLED_ALERT_AT\"; \
             echo \"$SETTLED_ALERT_MESSAGE\"; cat; }} >'{}'",
            file.display()
        );
        let mut alarm = Alarm::new(command);
        assert_eq!(alarm.sound(&run(), &alert()), None);
        assert_eq!(alarm.finish().await, [] as [String; 0]);
        let said = std::fs::read_to_string(file).unwrap();
        let lines: Vec<&str> = said.lines().collect();
        assert_eq!(
            lines[..2],
            ["7 bench meter_lost monitor 4 2026-11-27T22:13:00.000000000Z", "$(no) shell; here"]
        );
        let told: serde_json::Value = serde_json::from_str(lines[2]).unwrap();
        assert_eq!((&told["run"]["run"], &told["alert"]["kind"]), (&json!(7), &json!("meter_lost")));
    }

    #[tokio::test]
    async fn a_command_that_fails_is_told_and_too_many_at_once_are_not_run() {
        let mut alarm = Alarm::new("exit 9".to_owned());
        assert_eq!(alarm.sound(&run(), &alert()), None);
        let trouble = alarm.trouble().await.unwrap();
        assert!(trouble.contains("exit status: 9"), "{trouble}");
        let mut slow = Alarm::new("exec sleep 600".to_owned());
        let refused: Vec<String> = (0..=AT_ONCE).filter_map(|_| slow.sound(&run(), &alert())).collect();
        assert!(refused.len() == 1 && refused[0].contains("was not run"), "{refused:?}");
    }
}
