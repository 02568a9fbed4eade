//! How a review gets on, for whoever waits for it.

use std::cell::Cell;

use serde_json::json;
use settled_protocol::method::ClockKind;
use settled_protocol::notification::SettleProgress;
use settled_protocol::settling::{Estimate, Verdict};

use super::super::settled::awaited;
use crate::output::{CAUTION, FAINT, Output, styled};
use crate::review::criteria::{expected_s, rests_s};
use crate::review::itinerary::Stop;
use crate::review::pace::Pace;
use crate::review::record::Entry;
use crate::show;

/// What is said meanwhile.
#[derive(Debug)]
pub(super) struct Progress {
    output: Output,
    pace: Pace,
    /// What all that was left was expected to take, in s.
    expected_s: f64,
    number: usize,
    of: usize,
    /// The one of this number isn't measured yet.
    is_begun: bool,
    /// What is measured, for the status line.
    title: String,
    /// It was said that the meter gives no readings.
    kept: Cell<bool>,
    /// Whether the daemon's clock is a simulated one, by which the time to go is told.
    is_rehearsed: bool,
}

impl Progress {
    pub(super) fn new(output: Output) -> Self {
        let (pace, title, kept) = (Pace::default(), String::new(), Cell::new(false));
        Self {
            output,
            pace,
            expected_s: 0.0,
            number: 0,
            of: 0,
            is_begun: false,
            title,
            kept,
            is_rehearsed: false,
        }
    }

    /// By which clock the daemon goes.
    pub(super) fn clock(&mut self, kind: ClockKind) {
        self.is_rehearsed = kind != ClockKind::System;
    }

    /// So much is left, with the one that was begun and came to nothing.
    pub(super) fn count(&mut self, left: &[Stop<'_>]) {
        self.number -= usize::from(std::mem::take(&mut self.is_begun));
        self.expected_s = left.iter().map(expected_s).sum();
        self.of = self.number + left.len();
    }

    /// The next stimulus.
    pub(super) fn begin(&mut self, stop: &Stop<'_>) {
        // What is shown again is counted once.
        self.number += usize::from(!std::mem::replace(&mut self.is_begun, true));
        if self.output.quiet {
            return;
        }
        let Stop { set, sequence, step } = stop;
        let left_s = self.pace.left_s(self.expected_s);
        let (number, of, name) = (self.number, self.of, &step.patch.name);
        self.title = format!(
            "{number} of {of}  {}, {}: {name}  some {} to go{}",
            set.name,
            sequence.name,
            show::span(left_s),
            if self.is_rehearsed { " by the simulated clock" } else { "" }
        );
        if self.output.json {
            self.output.note("", &json!({ "progress": {
                "set": set.name, "sequence": sequence.name, "step": step.step, "patch": name, "number": number, "of": of, "left_s": left_s,
            } }));
        } else {
            self.output.status(&self.title);
        }
    }

    /// While it settles.
    pub(super) fn settling(&self, report: &SettleProgress) {
        let kept = report.waiting.is_some();
        if self.kept.replace(kept) != kept {
            let why = |error| format!("the meter gives no readings ({error}); waiting until it does");
            self.caution(
                &report.waiting.as_ref().map_or_else(|| "the meter gives readings again".to_owned(), why),
            );
        }
        if !self.output.quiet && !self.output.json {
            self.output.status(&format!(
                "{}   {} {}",
                self.title,
                show::number(report.latest),
                awaited(report)
            ));
        }
    }

    /// While it is watched.
    pub(super) fn watching(&self, t_s: f64, for_s: f64) {
        if !self.output.quiet && !self.output.json {
            self.output.status(&format!("{}   {} of {}", self.title, show::wait(t_s), show::span(for_s)));
        }
    }

    /// It is measured, and took so long.
    pub(super) fn end(&mut self, stop: &Stop<'_>, took_s: f64, entry: &Entry) {
        self.is_begun = false;
        let expected_s = expected_s(stop);
        self.pace.took(expected_s, rests_s(stop) + took_s);
        self.expected_s = (self.expected_s - expected_s).max(0.0);
        if self.output.quiet {
            return;
        }
        self.output.end_status();
        let place = stop.place();
        let (words, object) = match entry {
            Entry::Patch(patch) => (
                settled(patch.value.as_ref(), patch.verdict),
                json!({ "measured": { "place": place, "verdict": patch.verdict, "value": patch.value } }),
            ),
            Entry::Course(course) => {
                let count = course.points.len();
                (format!("{count} readings"), json!({ "measured": { "place": place, "points": count } }))
            }
            Entry::Shown(_) | Entry::Begun { .. } | Entry::Note { .. } => return,
        };
        let name = format!("{} {}", stop.sequence.name, stop.step.patch.name);
        self.output.note(&styled(FAINT, &format!("{name:<28} {words}")), &object);
    }

    /// The display rests before what comes next.
    pub(super) fn resting(&self, stop: &Stop<'_>, for_s: f64) {
        let (set, sequence) = (&stop.set.name, &stop.sequence.name);
        if self.output.quiet {
            return;
        }
        let words = format!("{set}, {sequence}: the display rests for {} before it", show::span(for_s));
        self.output.end_status();
        self.output.note(
            &styled(FAINT, &words),
            &json!({ "rest": { "set": set, "sequence": sequence, "for_s": for_s } }),
        );
    }

    /// What one should look at.
    pub(super) fn caution(&self, words: &str) {
        self.output.end_status();
        self.output.note(&styled(CAUTION, words), &json!({ "caution": { "message": words } }));
    }

    /// The daemon has gone, or is back.
    pub(super) fn daemon(&self, state: &str, words: &str) {
        self.output.end_status();
        self.output.note(&styled(CAUTION, words), &json!({ "daemon": { "state": state } }));
    }
}

fn settled(value: Option<&Estimate>, verdict: Verdict) -> String {
    let value = value.map_or_else(
        || "no value".to_owned(),
        |value| {
            let colour = value
                .chromaticity
                .map_or_else(String::new, |colour| format!("   {}", show::chromaticity(colour)));
            format!("{}{colour}", show::estimate(value, "cd/m²"))
        },
    );
    match verdict {
        Verdict::Settled => value,
        other => format!("{value}   ({})", other.name().replace('_', " ")),
    }
}
