//! What runs say in words.

use std::time::Duration;

use settled_protocol::quantity::Photometric;
use settled_protocol::run::{AlertKind, Run, RunKind, RunVerdict};

use super::found::clauses;
use super::verdict::Doubt;
use crate::drift::words::Drifting;
use crate::settle::digits::significant;

/// A number with as many digits as one reads.
pub(super) fn number(value: f64) -> String {
    significant(value, 4)
}

/// A span of so many s, as `1 h 2 min 3 s`.
pub(super) fn span(seconds: f64) -> String {
    let whole = if seconds < 10.0 { (seconds * 10.0).round() / 10.0 } else { seconds.round() };
    let span = Duration::try_from_secs_f64(whole.max(0.0)).unwrap_or(Duration::MAX);
    let parts = humantime::format_duration(span).to_string();
    let spaced = |part: &str| {
        let (number, unit) = part.split_at(part.find(char::is_alphabetic).unwrap_or(part.len()));
        format!("{number} {}", if unit == "m" { "min" } else { unit })
    };
    parts.split(' ').map(spaced).collect::<Vec<_>>().join(" ")
}

/// What an alert is about.
pub(super) fn about(kind: AlertKind) -> &'static str {
    match kind {
        AlertKind::Luminance => "the light",
        AlertKind::Chromaticity => "the colour",
        AlertKind::MeterLost => "missing readings",
        AlertKind::DiskLow => "the log's room",
        AlertKind::LogFailed => "the log",
        AlertKind::Unknown => "something else",
    }
}

fn count(number: u64, one: &str, many: &str) -> String {
    if number == 1 { format!("1 {one}") } else { format!("{number} {many}") }
}

fn unit(run: &Run) -> &'static str {
    run.quantity.unwrap_or(Photometric::Luminance).unit()
}

/// What it has seen so far; `mean` is that of its readings, where it is known.
pub(super) fn so_far(run: &Run, mean: Option<f64>) -> String {
    let Some(latest) = &run.latest else { return "no readings yet".to_owned() };
    let unit = unit(run);
    let mut text =
        format!("{}, {} {unit} at last", count(run.points, "point", "points"), number(latest.value));
    if let Some(drift) = &run.drift {
        let level = mean.unwrap_or(run.reference.as_ref().unwrap_or(latest).value);
        let drifting = Drifting { level, unit, is_light: true };
        text.push_str(&format!(", drift {}", drifting.rate(drift)));
    }
    if run.gaps > 0 {
        text.push_str(&format!(", {} of {} in all", count(run.gaps, "gap", "gaps"), span(run.gap_s)));
    }
    text
}

/// How it gets on.
pub(super) fn getting_on(run: &Run, mean: Option<f64>) -> String {
    match &run.waiting {
        Some(error) => format!("It waits for the meter: {error}. So far: {}.", so_far(run, mean)),
        None => format!("It goes on: {}.", so_far(run, mean)),
    }
}

/// That the nights after one that is stopped are left, to go on a sentence.
pub(super) fn night_that_is_left(next: &Run, durable: bool) -> String {
    let lost = if durable {
        ""
    } else {
        " The log can't be written: unless it can be before the daemon ends, that one is lost."
    };
    format!(" The nights to come are left: run {} begins at {}.{lost}", next.run, next.begins)
}

/// That the nights after one that is stopped end with it, to go on a sentence; nothing where there are none.
pub(super) fn nights_that_end(nights: &[Run]) -> String {
    if nights.is_empty() {
        return String::new();
    }
    let numbers: Vec<String> = nights.iter().map(|night| night.run.to_string()).collect();
    format!(" The nights to come end with it: run {}.", numbers.join(", "))
}

/// What came out of it; `doubts` are what made it hard to tell.
pub(super) fn outcome(run: &Run, doubts: &[Doubt], mean: Option<f64>) -> String {
    let said = match (run.plan.kind, run.verdict) {
        (RunKind::WarmUp, Some(RunVerdict::Settled)) => "The light has settled",
        (RunKind::WarmUp, _) => "The light has not settled",
        (_, Some(RunVerdict::Within)) => "The light stayed within its bands",
        (_, Some(RunVerdict::Beyond)) => "The light left its bands",
        _ => "Whether the light stayed within its bands can't be told",
    };
    match &run.settled {
        Some(settled) => {
            format!("{said}: {}", settled.message.strip_prefix("Settled: ").unwrap_or(&settled.message))
        }
        None => {
            let found = clauses(run, doubts).map_or_else(String::new, |found| format!("{found}; "));
            format!("{said}: {found}{}.", so_far(run, mean))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_an_alert_is_about_is_told_in_words() {
        let kinds = [
            AlertKind::Luminance,
            AlertKind::Chromaticity,
            AlertKind::MeterLost,
            AlertKind::DiskLow,
            AlertKind::LogFailed,
        ];
        assert!(
            kinds.iter().all(|kind| !about(*kind).contains('_') && about(*kind) != about(AlertKind::Unknown))
        );
    }

    #[test]
    fn numbers_and_spans_are_as_people_read_them() {
        let numbers = [0.0, 123.456, -0.012_345_6, 98_765.4, 1.0].map(number);
        assert_eq!(numbers, ["0", "123.5", "-0.01235", "98765", "1.000"]);
        let spans = [0.0, 2.34, 75.2, 3600.0, 176_400.0, -1.0].map(span);
        assert_eq!(spans, ["0 s", "2 s 300 ms", "1 min 15 s", "1 h", "2 days 1 h", "0 s"]);
    }
}
