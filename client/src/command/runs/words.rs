//! A run in words: as it begins, all there is to know of it, and how it ended.

use jiff::tz::TimeZone;
use settled::runs::bands::Bands;
use settled_protocol::reading::Flag;
use settled_protocol::run::{Run, RunKind, RunPlan, RunState, RunVerdict};

use super::bar::progress;
use super::events::Events;
use super::figures::{change, statistics, value};
use super::table::verdict;
use crate::command::Exit;
use crate::local;
use crate::output::{BAD, CAUTION, FAINT, GOOD, STRONG, styled};
use crate::show;
use crate::stimulus::in_words;
use crate::wrap::behind;

/// How wide a list may be.
const COLUMNS: usize = 80;

/// How a program ends that has waited for a run's end.
pub(in crate::command) fn exit(run: &Run) -> Exit {
    match (run.state, run.verdict) {
        (RunState::Failed, _) => Exit::Failed,
        (_, Some(RunVerdict::Settled | RunVerdict::Within)) if run.alerts > 0 => Exit::Alerted,
        (_, Some(RunVerdict::Settled | RunVerdict::Within)) => Exit::Done,
        _ => Exit::NotSettled,
    }
}

/// What a run is, in a few words.
fn title(run: &Run) -> String {
    let kind = match run.plan.kind {
        RunKind::WarmUp => "warm-up",
        RunKind::Stability => "stability",
        RunKind::Drift => "drift",
    };
    let label = run.plan.label.as_ref().map_or_else(String::new, |label| format!(", {}", label.as_str()));
    format!("{kind} of {}{label}", run.plan.meter)
}

/// A hold that is shorter says nothing of a display that is warm, in s: one creeps on for tens of minutes (common practice, no source).
const WARM_S: f64 = 600.0;

/// How to have a display that is warm, where a warm-up only waits for light that holds for a little while.
fn warmer(run: &Run) -> Option<String> {
    let hold_s = run.plan.criteria.hold_s;
    let is_short = run.plan.kind == RunKind::WarmUp && hold_s < WARM_S;
    is_short.then(|| {
        format!(
            "settled is a promise for the next {}; for a display that is warm: settle run warm-up {} --hold 20min",
            show::span(hold_s),
            run.plan.meter
        )
    })
}

/// What is said of a run that was just asked for, and what to type next.
pub(in crate::command) fn started(run: &Run) -> Vec<String> {
    let zone = local::zone();
    let is = if run.state == RunState::Planned { "is planned" } else { "has begun" };
    let number = run.run;
    let mut lines = vec![styled(STRONG, &format!("Run {number} {is}: {}", title(run)))];
    lines.push(row("begins", &local::moment(run.begins, &zone)));
    lines.push(row("ends", &end(run, &zone)));
    lines.extend(plan(run).into_iter().map(|(name, words)| row(name, &words)));
    lines.extend(warmer(run).map(|words| row("warm", &words)));
    lines.push("It goes on without this terminal:".to_owned());
    let next = [
        (format!("settle runs watch {number}"), "how it gets on"),
        (format!("settle runs show {number}"), "what comes of it"),
        (format!("settle runs stop {number}"), "end it"),
    ];
    lines.extend(next.map(|(command, what)| format!("  {command:<24}  {}", styled(FAINT, what))));
    lines
}

/// A line of the list, or a few below each other where the words are many.
fn row(name: &str, words: &str) -> String {
    behind(&format!("  {}  ", styled(FAINT, &format!("{name:<10}"))), words, COLUMNS).join("\n")
}

/// When a run will end, or has ended.
fn end(run: &Run, zone: &TimeZone) -> String {
    let at = run.ends.map(|ends| local::moment(ends, zone));
    match (run.plan.kind, at) {
        (RunKind::WarmUp, Some(at)) if !run.state.is_over() => {
            format!("once the light has settled, or at {at}")
        }
        (_, Some(at)) => at,
        (_, None) => "when somebody stops it".to_owned(),
    }
}

/// What was asked for beside.
fn plan(run: &Run) -> Vec<(&'static str, String)> {
    let plan = &run.plan;
    let mut rows = Vec::new();
    if let Some(nightly) = &plan.nightly {
        let often = nightly.nights.map_or_else(String::new, |nights| {
            format!(", {}", show::counted(u64::from(nights), "time", "times in all"))
        });
        rows.push(("repeats", format!("each day at {}{often}", nightly.at)));
    }
    rows.extend(pace(plan).map(|pace| ("takes", pace)));
    rows.extend(plan.integration_s.map(|integration_s| ("exposes", show::span(integration_s))));
    rows.extend(plan.stimulus.as_ref().map(|stimulus| ("shows", in_words(stimulus))));
    rows.extend(bands(run).map(|bands| ("within", bands)));
    rows.push(("alarmed by", alerts(plan)));
    rows
}

/// What its light is held against, as wide as the verdict has it.
fn bands(run: &Run) -> Option<String> {
    let Bands { luminance, chromaticity, may_widen } = Bands::of(run)?;
    let colour = chromaticity.map_or_else(String::new, |band| format!(", and {band}"));
    let more = if may_widen { "; wider near black" } else { "" };
    Some(format!("{luminance} of its first point{colour}{more}"))
}

/// How often it measures; a warm-up does so without pause.
fn pace(plan: &RunPlan) -> Option<String> {
    if plan.kind == RunKind::WarmUp {
        return None;
    }
    let burst = show::counted(u64::from(plan.burst.unwrap_or(1)), "reading", "readings");
    Some(match plan.pace_s() {
        none if none <= 0.0 => format!("{burst} a point, without pause"),
        interval_s => format!("{burst} each {}", show::span(interval_s)),
    })
}

fn alerts(plan: &RunPlan) -> String {
    let rules = &plan.alert;
    let luminance = rules.luminance.map(|share| format!("luminance beyond {} %", percent(share)));
    let chromaticity = rules.chromaticity.map(|band| format!("chromaticity beyond {band} in u′v′"));
    let beyond = if plan.pace_s() > 0.0 { " longer than planned" } else { "" };
    let lost = format!("no reading for {}{beyond}", show::span(rules.lost_s.unwrap_or(60.0)));
    let all = luminance.into_iter().chain(chromaticity).chain([lost]);
    all.chain(["the log's disk low".to_owned()]).collect::<Vec<_>>().join("; ")
}

/// A share in per cent, without what binary fractions leave behind.
fn percent(share: f64) -> f64 {
    (share * 1e8).round() / 1e6
}

/// All there is to know of a run.
pub(in crate::command) fn whole(run: &Run, events: &Events) -> Vec<String> {
    let zone = local::zone();
    let mut rows = course(run, &zone);
    rows.extend(plan(run));
    rows.extend(light(run));
    // A single reading has no figures beside itself.
    if let Some(figures) = run.statistics.as_ref().filter(|figures| figures.count > 1) {
        rows.extend(statistics(figures));
    } else if let Some(caution) = run.drift.as_ref().and_then(|drift| drift.caution.clone()) {
        // The drift itself is in the words below.
        rows.push(("drift", caution));
    }
    let mut lines = vec![styled(STRONG, &format!("Run {}: {}", run.run, title(run)))];
    lines.extend(rows.iter().map(|(name, words)| row(name, words)));
    lines.extend(standing(run, &zone));
    lines.extend(happened(run, events, &zone));
    lines.push(verdict_line(run));
    lines.push(row("why", &run.message));
    let is_settled = run.verdict == Some(RunVerdict::Settled);
    lines.extend(warmer(run).filter(|_| is_settled).map(|words| row("warm", &words)));
    let mut flags = run.flags.clone();
    flags.retain(|flag| *flag != Flag::Shared);
    if !flags.is_empty() {
        lines.push(format!("  {}", styled(CAUTION, &show::flags(&run.plan.meter, &flags))));
    }
    lines
}

/// Where it is.
fn course(run: &Run, zone: &TimeZone) -> Vec<(&'static str, String)> {
    let progress = progress(run);
    let state = if progress.is_empty() {
        run.state.name().to_owned()
    } else {
        format!("{}, {progress}", run.state.name())
    };
    let mut rows =
        vec![("state", state), ("begins", local::moment(run.begins, zone)), ("ends", end(run, zone))];
    rows.extend(
        run.night_of
            .filter(|first| *first != run.run)
            .map(|first| ("night of", format!("run {first}, which it repeats"))),
    );
    rows
}

/// What it has seen.
fn light(run: &Run) -> Vec<(&'static str, String)> {
    let mut rows = Vec::new();
    let readings = show::counted(run.readings, "reading", "readings");
    let numbers = run.first.zip(run.last).map_or_else(String::new, |(first, last)| {
        if first == last { format!(", number {first}") } else { format!(", numbers {first} to {last}") }
    });
    let missed = match run.missed {
        0 => String::new(),
        missed => format!("; {} could not be taken", show::counted(missed, "point", "points")),
    };
    let points = show::counted(run.points, "point", "points");
    rows.push(("points", format!("{points} of {readings}{numbers}{missed}")));
    if run.gaps > 0 {
        let gaps = show::counted(run.gaps, "gap", "gaps");
        rows.push(("gaps", format!("{gaps}, {} in all", show::span(run.gap_s))));
    }
    rows.extend(run.reference.as_ref().map(|point| ("first", value(run, point.value))));
    rows.extend(run.latest.as_ref().map(|point| ("latest", value(run, point.value))));
    rows.extend(run.latest.and_then(|point| point.chromaticity).map(|it| ("colour", show::chromaticity(it))));
    rows.extend(run.reference.zip(run.latest).map(|(from, to)| ("change", change(run, &from, &to))));
    rows.extend(run.waiting.as_ref().map(|error| ("waiting", error.message.clone())));
    rows.extend(
        run.settled
            .as_ref()
            .and_then(|settled| settled.value.as_ref().map(|value| (settled.quantity.unit(), value)))
            .map(|(unit, value)| {
                ("settled at", format!("{}   (95 %, repeatability alone)", show::estimate(value, unit)))
            }),
    );
    rows
}

/// What it is alarmed at.
fn standing(run: &Run, zone: &TimeZone) -> Vec<String> {
    let alerts = run.standing.iter().map(|alert| {
        let since = local::moment(alert.at, zone);
        row("ALERT", &styled(BAD, &format!("{} (since {since})", alert.message)))
    });
    let mut lines: Vec<String> = alerts.collect();
    if run.alerts > 0 {
        lines.push(row("alerts", &format!("{} in all", run.alerts)));
    }
    lines
}

/// What happened to it, the latest last.
fn happened(run: &Run, events: &Events, zone: &TimeZone) -> Vec<String> {
    let Events { latest, earlier } = events;
    let mut lines = Vec::new();
    if *earlier > 0 {
        let words = format!("{earlier} more before: settle log events --run {}", run.run);
        lines.push(row("events", &styled(FAINT, &words)));
    }
    for (index, event) in latest.iter().enumerate() {
        let name = if index == 0 && *earlier == 0 { "events" } else { "" };
        let at = styled(FAINT, &local::short(event.at, zone));
        lines.push(row(name, &format!("{at}  {}", event.words())));
    }
    lines
}

fn verdict_line(run: &Run) -> String {
    let style = match exit(run) {
        Exit::Done => GOOD,
        Exit::Failed => BAD,
        _ => CAUTION,
    };
    let words = match (run.verdict, run.state) {
        (Some(found), state) if state.is_over() => styled(style, verdict(found)),
        (Some(found), _) => format!("{} so far", verdict(found)),
        (None, RunState::Failed) => styled(BAD, "failed"),
        (None, _) => "none yet".to_owned(),
    };
    row("verdict", &words)
}

/// That a run is over, in one line.
pub(in crate::command) fn ended(run: &Run) -> String {
    let style = match exit(run) {
        Exit::Done => GOOD,
        Exit::Failed => BAD,
        _ => CAUTION,
    };
    let alerts = match run.alerts {
        0 => String::new(),
        alerts => format!(", {}", show::counted(alerts, "alert", "alerts")),
    };
    // The words of a warm-up begin with its verdict.
    let told = run.verdict.filter(|_| run.plan.kind != RunKind::WarmUp);
    let found = told.map_or_else(String::new, |found| format!(", {}", verdict(found)));
    let how = styled(style, &format!("{}{found}{alerts}", run.state.name()));
    format!("Run {}, {}: {how}: {}", run.run, title(run), run.message)
}

#[cfg(test)]
mod tests;
