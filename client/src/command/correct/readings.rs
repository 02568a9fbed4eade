//! One colour, shown and read by one meter or by both at once, each until it has settled.

use std::cell::RefCell;
use std::time::{Duration, Instant};

use serde_json::json;
use settled_protocol::method::{MeterSettle, SettleParams, ShowParams, StageShow};
use settled_protocol::notification::SettleProgress;
use settled_protocol::quantity::{Photometric, Xyz};
use settled_protocol::settling::{Criteria, Settled, Verdict};

use super::Failure;
use super::patch::Patch;
use super::prompt;
use crate::command::settled::awaited;
use crate::connection::Connection;
use crate::output::{FAINT, Output, styled};
use crate::show;

/// Between two lines of progress where there is no terminal to redraw.
const LINES: Duration = Duration::from_secs(10);

/// One of the two meters.
#[derive(Clone, Debug)]
pub(super) struct Looker {
    pub(super) id: String,
    /// Whether it looks at a simulated display, which is told what to show.
    pub(super) simulated: bool,
}

/// What a colour looked like to a meter, once it had settled.
#[derive(Clone, Debug)]
pub(super) struct Seen {
    pub(super) xyz: Xyz,
    photometric: Photometric,
    verdict: Verdict,
    /// The correction that it went through.
    pub(super) correction: Option<String>,
}

/// What a colour is read for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Purpose {
    /// To make a correction from.
    Correction,
    /// To see how far the display has moved.
    Drift,
}

/// Why there is no such light.
#[derive(Debug)]
pub(super) enum Unseen {
    /// It did not settle: the daemon says why.
    NotSettled(String),
    /// Anything else.
    Failed(Failure),
}

impl<E: Into<Failure>> From<E> for Unseen {
    fn from(error: E) -> Self {
        Self::Failed(error.into())
    }
}

/// How colours are shown and read.
pub(super) struct Bench<'a> {
    pub(super) output: Output,
    pub(super) connection: &'a Connection,
    pub(super) criteria: Criteria,
    pub(super) window_percent: f64,
    pub(super) quiet: bool,
    /// Every display is simulated: nobody has to do anything.
    pub(super) alone: bool,
}

impl Bench<'_> {
    /// Shows a colour, or has it shown.
    pub(super) async fn show(&self, patch: &Patch, lookers: &[&Looker]) -> Result<(), Failure> {
        for looker in lookers.iter().filter(|looker| looker.simulated) {
            let params =
                ShowParams { meter: Some(looker.id.clone()), stimulus: patch.stimulus(self.window_percent) };
            self.connection.call::<StageShow>(&params).await?;
        }
        if self.alone {
            return Ok(());
        }
        prompt::enter(self.output, &format!("Show {}", patch.in_words(self.window_percent))).await
    }

    /// Waits until the light of a colour has settled, for one meter or for both at once.
    pub(super) async fn read(
        &self,
        patch: &Patch,
        purpose: Purpose,
        lookers: &[&Looker],
    ) -> Result<Vec<Seen>, Unseen> {
        let board = RefCell::new(Board { lines: vec![String::new(); lookers.len()], last: None });
        let mut seen = Vec::new();
        match lookers {
            [one, other] => {
                // Where one fails, the other's request is taken back.
                let (first, second) = tokio::try_join!(
                    self.settle((patch, purpose), one, 0, &board),
                    self.settle((patch, purpose), other, 1, &board)
                )?;
                seen.extend([first, second]);
            }
            _ => {
                for (index, looker) in lookers.iter().enumerate() {
                    seen.push(self.settle((patch, purpose), looker, index, &board).await?);
                }
            }
        }
        self.output.end_status();
        self.say_seen(patch, lookers, &seen);
        Ok(seen)
    }

    async fn settle(
        &self,
        (patch, purpose): (&Patch, Purpose),
        looker: &Looker,
        index: usize,
        board: &RefCell<Board>,
    ) -> Result<Seen, Unseen> {
        let params = SettleParams {
            meter: looker.id.clone(),
            criteria: self.criteria,
            integration_s: None,
            progress: true,
        };
        let report = |report: SettleProgress| self.progress(patch, looker, index, &report, board);
        let settled = self.connection.call_with_progress::<MeterSettle>(&params, report).await?;
        if let Some(line) = board.borrow_mut().lines.get_mut(index) {
            "settled".clone_into(line);
        }
        seen(patch, purpose, settled)
    }

    fn progress(
        &self,
        patch: &Patch,
        looker: &Looker,
        index: usize,
        report: &SettleProgress,
        board: &RefCell<Board>,
    ) {
        if self.quiet {
            return;
        }
        let mut board = board.borrow_mut();
        if let Some(line) = board.lines.get_mut(index) {
            // Two of these and a name must fit a line of a terminal.
            let awaited = awaited(report).replacen("settles in ", "in ", 1);
            // What was seen before the meter went away is not what it sees.
            let latest =
                if report.waiting.is_some() { String::new() } else { show::number(report.latest) + " " };
            *line = format!("{} {latest}{awaited}", looker.id);
        }
        if !self.output.json && Output::has_status() {
            self.output.status(&format!("{:<8} {}", patch.name.as_str(), board.lines.join("  |  ")));
        } else if board.is_time() {
            let object = json!({ "colour": patch.name, "meter": looker.id, "progress": report });
            self.output.note(&format!("{:<8} {}", patch.name.as_str(), board.lines.join("  |  ")), &object);
        }
    }

    /// Says what is worth knowing, unless a script listens.
    pub(super) fn say(&self, words: &str) {
        if !self.output.json {
            self.output.aside(words);
        }
    }

    fn say_seen(&self, patch: &Patch, lookers: &[&Looker], seen: &[Seen]) {
        if self.quiet || self.output.json {
            return;
        }
        let how = |verdict| match verdict {
            Verdict::Settled => "",
            Verdict::NoiseLimited => " (no drift to be seen, but noise)",
            _ => " (still moving)",
        };
        let parts = lookers.iter().zip(seen).map(|(looker, seen)| {
            let colour = seen.xyz.chromaticity().map_or_else(String::new, |colour| {
                format!(" u′ {:.4} v′ {:.4}", colour.u_prime(), colour.v_prime())
            });
            let unit = seen.photometric.unit();
            format!("{} {} {unit}{colour}{}", looker.id, show::number(seen.xyz.y()), how(seen.verdict))
        });
        let parts: Vec<String> = parts.collect();
        self.output.aside(&styled(FAINT, &format!("{:<8} {}", patch.name.as_str(), parts.join("  |  "))));
    }
}

/// What both meters' settlings have to say meanwhile.
struct Board {
    lines: Vec<String>,
    last: Option<Instant>,
}

impl Board {
    #[expect(clippy::disallowed_methods, reason = "how often a person is told something is no measurement")]
    fn is_time(&mut self) -> bool {
        let now = Instant::now();
        let due = self.last.is_none_or(|last| now.duration_since(last) >= LINES);
        if due {
            self.last = Some(now);
        }
        due
    }
}

/// The light that a settled reading stands for, or one that shows no drift but noise. White at the end may still move: how far it has
/// moved is what is asked. Without a chromaticity it is no light that a correction can be made from.
fn seen(patch: &Patch, purpose: Purpose, settled: Settled) -> Result<Seen, Unseen> {
    let Settled { meter, verdict, value, message, correction, observer, quantity, .. } = settled;
    let name = patch.name.as_str();
    let good = match verdict {
        Verdict::Settled | Verdict::NoiseLimited => true,
        Verdict::WontSettle | Verdict::TimedOut | Verdict::Lost => {
            purpose == Purpose::Drift && value.is_some()
        }
    };
    if !good {
        return Err(Unseen::NotSettled(format!("{name} did not settle for {meter}: {message}")));
    }
    if let Some(observer) = observer {
        return Err(Failure::Usage(format!(
            "{meter} sums its spectra up by the observer {}, and a colorimeter's filters are those of 1931-2: let the config say so",
            observer.name()
        ))
        .into());
    }
    let xyz = value.and_then(|value| Xyz::from_chromaticity(value.chromaticity?, value.y).ok());
    let dark = || {
        Failure::Input(format!(
            "{meter} saw no chromaticity of {name}: show it brighter, or in a larger window"
        ))
    };
    Ok(Seen { xyz: xyz.ok_or_else(dark)?, photometric: quantity, verdict, correction })
}
