//! The list of runs, a line each.

use jiff::tz::TimeZone;
use settled_protocol::run::{Run, RunState, RunVerdict};

use super::bar::progress;
use crate::local;
use crate::output::{BAD, CAUTION, FAINT, GOOD, styled};
use crate::show;

const HEADS: [&str; 7] = ["run", "kind", "meter", "state", "since", "progress", "verdict"];

/// A table that may go on: what is wider later pushes what is beside it.
#[derive(Debug)]
pub(super) struct Table {
    widths: Option<[usize; 7]>,
    zone: TimeZone,
    /// The terminal's, where labels are to fit one.
    columns: Option<usize>,
}

impl Table {
    pub(super) fn of(columns: Option<usize>) -> Self {
        Self { widths: None, zone: local::zone(), columns }
    }

    /// The next lines, with a head before the first.
    pub(super) fn lines(&mut self, runs: &[Run]) -> Vec<String> {
        let rows: Vec<[String; 7]> = runs.iter().map(|run| cells(run, &self.zone)).collect();
        let is_first = self.widths.is_none();
        let widths = *self.widths.get_or_insert_with(|| {
            let mut widths = HEADS.map(|head| head.chars().count());
            for row in &rows {
                for (width, cell) in widths.iter_mut().zip(row) {
                    *width = (*width).max(cell.chars().count());
                }
            }
            widths
        });
        let head = is_first.then(|| {
            let head = format!("{}  label", padded(&HEADS.map(str::to_owned), &widths));
            styled(FAINT, &self.cut(&head))
        });
        let rows = rows.iter().zip(runs).map(|(row, run)| {
            let label = run.plan.label.as_ref().map_or("", |label| label.as_str());
            coloured(run, &self.cut(format!("{}  {label}", padded(row, &widths)).trim_end()))
        });
        head.into_iter().chain(rows).collect()
    }

    /// What fits the terminal.
    fn cut(&self, line: &str) -> String {
        match self.columns.filter(|columns| line.chars().count() > *columns) {
            Some(columns) => line.chars().take(columns.saturating_sub(1)).chain(['…']).collect(),
            None => line.to_owned(),
        }
    }
}

fn padded(cells: &[String; 7], widths: &[usize; 7]) -> String {
    let cells = cells.iter().zip(widths).enumerate().map(|(index, (cell, width))| {
        // Numbers stand with their last digits below each other.
        if index == 0 { format!("{cell:>width$}") } else { format!("{cell:<width$}") }
    });
    cells.collect::<Vec<_>>().join("  ")
}

fn cells(run: &Run, zone: &TimeZone) -> [String; 7] {
    [
        run.run.to_string(),
        run.plan.kind.name().replace('_', "-"),
        run.plan.meter.clone(),
        run.state.name().to_owned(),
        local::short(run.begins, zone),
        progress(run),
        outcome(run),
    ]
}

/// The verdict, and how often there was something to be alarmed at.
fn outcome(run: &Run) -> String {
    let verdict = run.verdict.filter(|_| run.state.is_over()).map(verdict);
    let alerts = (run.alerts > 0).then(|| show::counted(run.alerts, "alert", "alerts"));
    verdict.map(str::to_owned).into_iter().chain(alerts).collect::<Vec<_>>().join(", ")
}

/// A verdict in words.
pub(super) fn verdict(verdict: RunVerdict) -> &'static str {
    match verdict {
        RunVerdict::Settled => "settled",
        RunVerdict::NotSettled => "not settled",
        RunVerdict::Within => "within",
        RunVerdict::Beyond => "beyond",
        RunVerdict::Undecided => "undecided",
        RunVerdict::Unknown => "unknown",
    }
}

fn coloured(run: &Run, line: &str) -> String {
    let is_good = matches!(run.verdict, Some(RunVerdict::Settled | RunVerdict::Within));
    match run.state {
        RunState::Failed => styled(BAD, line),
        _ if !run.standing.is_empty() => styled(BAD, line),
        _ if run.alerts > 0 || run.state.is_over() && !is_good => styled(CAUTION, line),
        RunState::Running => styled(GOOD, line),
        RunState::Planned | RunState::Done | RunState::Stopped | RunState::Unknown => line.to_owned(),
    }
}
