//! Runs as they get on: a line each that stays in its place on a terminal, a line now and then elsewhere, alerts at once.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use jiff::tz::TimeZone;
use serde_json::{Value, json};
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::run::{Alert, Run, RunState};
use tokio::time::timeout;

use super::alarm::Alarm;
use super::{bar, words};
use crate::command::{Exit, Failure};
use crate::connection::CallError;
use crate::following::FollowError;
use crate::local;
use crate::output::{BAD, CAUTION, FAINT, Output, is_ascii_locale, styled};
use crate::runs::{Event, Watching};
use crate::show;

/// Between two lines of progress where there is no terminal to redraw.
const LINES: Duration = Duration::from_secs(10);

/// Runs that stay in their places: what fits the smallest of screens.
const PLACES: usize = 16;

/// How long the next night may take to be planned once one is over.
const NEXT_NIGHT: Duration = Duration::from_secs(2);

/// Where what is said goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::command) enum Manner {
    /// It is the answer: standard output.
    Answer,
    /// The answer comes at the end: standard error.
    Aside,
    /// Nowhere: alerts alone are said.
    Quiet,
}

/// What is shown of runs while they go on.
#[derive(Debug)]
pub(in crate::command) struct Watch {
    output: Output,
    manner: Manner,
    alarm: Option<Alarm>,
    zone: TimeZone,
    ascii: bool,
    /// The lines in their places, by run.
    lines: BTreeMap<u64, String>,
    /// How many of them stand on the terminal.
    shown: usize,
    /// When each run's last line was written, and what state it was in.
    said: BTreeMap<u64, (Instant, RunState)>,
}

impl Watch {
    pub(in crate::command) fn new(output: Output, manner: Manner, on_alert: Option<String>) -> Self {
        Self {
            output,
            manner,
            alarm: on_alert.map(Alarm::new),
            zone: local::zone(),
            ascii: is_ascii_locale(),
            lines: BTreeMap::new(),
            shown: 0,
            said: BTreeMap::new(),
        }
    }

    /// Watches one run to its end.
    pub(in crate::command) async fn one(&mut self, mut watching: Watching) -> Result<Run, Failure> {
        loop {
            match self.next(&mut watching).await? {
                Event::Run { run, .. } if run.state.is_over() => {
                    self.finish().await;
                    return Ok(*run);
                }
                Event::Gone(number) => {
                    let message = format!(
                        "run {number} is not in the log that the daemon has now: it can't be known what becomes of it"
                    );
                    return Err(CallError::Refused(RpcError::new(ErrorKind::NoSuchRun, message)).into());
                }
                _ => {}
            }
        }
    }

    /// Watches all runs until none is left; then ends as the worst of them.
    pub(in crate::command) async fn all(&mut self, mut watching: Watching) -> Result<Exit, Failure> {
        let (mut worst, mut any) = (Exit::Done, false);
        loop {
            let event = if watching.is_idle() {
                match timeout(NEXT_NIGHT, self.next(&mut watching)).await {
                    Ok(event) => event?,
                    Err(_) => break,
                }
            } else {
                self.next(&mut watching).await?
            };
            match event {
                Event::Run { run, .. } => {
                    any = true;
                    if run.state.is_over() {
                        worst = worse(worst, words::exit(&run));
                    }
                }
                Event::Gone(number) => {
                    let words = format!("-- run {number} is not in the log that the daemon has now --");
                    self.note(&styled(CAUTION, &words), &json!({ "gone": { "run": number } }));
                    worst = worse(worst, Exit::Failed);
                }
                _ => {}
            }
        }
        self.finish().await;
        if !any {
            self.note(&styled(FAINT, "no run goes on, and none is planned"), &json!({ "runs": [] }));
        }
        Ok(worst)
    }

    /// That the watching ended before the run.
    pub(in crate::command) fn interrupted(&mut self, run: Option<u64>) {
        self.clear();
        let words = run.map_or_else(
            || "interrupted: the runs go on".to_owned(),
            |run| {
                format!("interrupted: run {run} goes on; settle runs watch {run} shows it, settle runs stop {run} ends it")
            },
        );
        let object = json!({ "error": { "message": words, "data": { "kind": "interrupted" } } });
        self.output.note(&words, &object);
    }

    /// Waits for those commands that still run, with the terminal as it was.
    async fn finish(&mut self) {
        self.clear();
        if let Some(alarm) = &mut self.alarm {
            for trouble in alarm.finish().await {
                say_trouble(self.output, &trouble);
            }
        }
    }

    /// The next event, once it has been shown.
    async fn next(&mut self, watching: &mut Watching) -> Result<Event, Failure> {
        loop {
            let trouble = async {
                match &mut self.alarm {
                    Some(alarm) => alarm.trouble().await,
                    None => std::future::pending().await,
                }
            };
            let event = tokio::select! {
                event = watching.next() => event,
                trouble = trouble => {
                    if let Some(trouble) = trouble {
                        self.clear();
                        say_trouble(self.output, &trouble);
                        self.draw();
                    }
                    continue;
                }
            };
            let event = event.unwrap_or(Err(FollowError::Call(CallError::Closed)));
            let event = event.inspect_err(|_| self.clear())?;
            self.show(&event)?;
            return Ok(event);
        }
    }

    fn show(&mut self, event: &Event) -> Result<(), Failure> {
        match event {
            Event::Run { run, alert } => return self.show_run(run, alert.as_ref()),
            Event::Untold { run, alerts } => {
                let count = show::counted(*alerts, "alert", "alerts");
                let words = format!(
                    "-- run {run} had {count} while nobody watched: settle log events --run {run} tells --"
                );
                self.note(&styled(CAUTION, &words), &json!({ "untold": { "run": run, "alerts": alerts } }));
            }
            Event::Lost => {
                let words = "-- the daemon has gone: waiting for it to come back; its runs go on then --";
                self.note(&styled(CAUTION, words), &json!({ "daemon": { "state": "lost" } }));
            }
            Event::Back { anew } => {
                let who = if *anew { "a daemon that was started anew answers" } else { "the daemon is back" };
                let words = format!("-- {who} --");
                self.note(&styled(CAUTION, &words), &json!({ "daemon": { "state": "back", "anew": anew } }));
            }
            Event::Gone(_) | Event::Trying { .. } => {}
        }
        Ok(())
    }

    fn show_run(&mut self, run: &Run, alert: Option<&Alert>) -> Result<(), Failure> {
        if let Some((alarm, alert)) = self.alarm.as_mut().zip(alert)
            && let Some(trouble) = alarm.sound(run, alert)
        {
            self.clear();
            say_trouble(self.output, &trouble);
        }
        let is_due = self.is_due(run) || alert.is_some();
        if self.output.json {
            return self.show_object(run, alert, is_due);
        }
        if let Some(alert) = alert {
            let since = local::moment(alert.at, &self.zone);
            let words = format!("ALERT, run {}, since {since}: {}", run.run, alert.message);
            self.say(&styled(BAD, &words))?;
        }
        let line = bar::line(run, Output::has_status(), self.ascii, &self.zone);
        if run.state.is_over() {
            self.lines.remove(&run.run);
            if self.manner == Manner::Answer {
                self.say(&words::ended(run))?;
            }
        } else if Output::has_status() {
            self.lines.insert(run.run, line);
        } else if is_due && self.manner != Manner::Quiet {
            self.say(&line)?;
        }
        self.draw();
        Ok(())
    }

    /// Each change is an object where they are the answer; else one now and then.
    fn show_object(&self, run: &Run, alert: Option<&Alert>, is_due: bool) -> Result<(), Failure> {
        let mut object = json!({ "run": run });
        if let Some(alert) = alert {
            object["alert"] = json!(alert);
        }
        match self.manner {
            Manner::Answer => self.output.object(&object)?,
            Manner::Aside if is_due => self.output.aside(&object.to_string()),
            Manner::Quiet if alert.is_some() => self.output.aside(&object.to_string()),
            Manner::Aside | Manner::Quiet => {}
        }
        Ok(())
    }

    /// Whether another line of this run is due: its state is another, or it is a while ago.
    #[expect(clippy::disallowed_methods, reason = "how often a person is told something is no measurement")]
    fn is_due(&mut self, run: &Run) -> bool {
        let now = Instant::now();
        let is_due = self
            .said
            .get(&run.run)
            .is_none_or(|(at, state)| *state != run.state || now.duration_since(*at) >= LINES);
        if run.state.is_over() {
            self.said.remove(&run.run);
        } else if is_due {
            self.said.insert(run.run, (now, run.state));
        }
        is_due
    }

    /// A line that stays.
    fn say(&mut self, line: &str) -> Result<(), Failure> {
        self.clear();
        if self.manner == Manner::Answer {
            self.output.line(line)?;
        } else {
            self.output.aside(line);
        }
        Ok(())
    }

    fn note(&mut self, words: &str, object: &Value) {
        self.clear();
        self.output.note(words, object);
        self.draw();
    }

    fn clear(&mut self) {
        if self.shown > 0 {
            self.output.status_lines(self.shown, &[]);
            self.shown = 0;
        }
    }

    /// Writes the lines that stay in their places.
    fn draw(&mut self) {
        if self.output.json || self.manner == Manner::Quiet || !Output::has_status() {
            return;
        }
        let mut lines: Vec<String> = self.lines.values().take(PLACES).cloned().collect();
        let more = self.lines.len().saturating_sub(PLACES);
        if more > 0 {
            lines.push(styled(FAINT, &format!("and {more} more: settle runs shows them")));
        }
        self.output.status_lines(self.shown, &lines);
        self.shown = lines.len();
    }
}

fn say_trouble(output: Output, trouble: &str) {
    output.note(&styled(CAUTION, trouble), &json!({ "caution": { "message": trouble } }));
}

/// The worse of two ends.
fn worse(one: Exit, other: Exit) -> Exit {
    let rank = |exit: Exit| match exit {
        Exit::Failed => 3,
        Exit::NotSettled => 2,
        Exit::Alerted => 1,
        _ => 0,
    };
    if rank(other) > rank(one) { other } else { one }
}
