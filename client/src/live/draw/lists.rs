//! Meters, notes, details, runs and events: a line each.

use ratatui_core::layout::Rect;

use crate::live::pen::Pen;
use crate::live::view::{Focus, Happened, Said, Tone, View};

/// The columns of a meter's line: how wide the longest id may be, its state, light and age.
const COLUMNS: (u16, u16, u16, u16) = (16, 10, 15, 12);
/// How wide an age may be where there is little room, and below how many columns there is.
const LITTLE: (u16, u16) = (9, 72);
/// Where words begin behind the name of a list.
const NAME: u16 = 9;
/// From so many lines on events are told in full.
const ROOMY: u16 = 6;

pub(super) fn meters(pen: &mut Pen<'_>, area: Rect, view: &View) {
    let room = usize::from(area.height);
    // Where not all fit, those about the chosen one are shown.
    let first = view.chosen.saturating_sub(room / 2).min(view.meters.len().saturating_sub(room));
    let widest = view.meters.iter().map(|row| row.id.chars().count()).max().unwrap_or(0);
    let id_width = u16::try_from(widest).unwrap_or(COLUMNS.0).clamp(5, COLUMNS.0);
    let shown = view.meters.iter().enumerate().skip(first).take(room);
    for ((index, row), y) in shown.zip(area.rows().map(|row| row.y)) {
        let is_chosen = index == view.chosen;
        let tone = if is_chosen { Tone::Strong } else { Tone::Plain };
        pen.text((area.x, y), 2, tone, if is_chosen { "▸" } else { "" });
        pen.text_right((area.x + 4, y), 2, Tone::Faint, &(index + 1).to_string());
        let mut x = area.x + 5;
        pen.text((x, y), id_width, tone, &row.id);
        x += id_width + 1;
        pen.text((x, y), COLUMNS.1, row.state.0, &row.state.1);
        x += COLUMNS.1 + 1;
        let light = if row.light.0 == Tone::Plain { tone } else { row.light.0 };
        pen.text_right((x + COLUMNS.2, y), COLUMNS.2, light, &row.light.1);
        x += COLUMNS.2 + 1;
        let (age_width, age) = if area.width < LITTLE.1 {
            (LITTLE.0, row.age.1.trim_end_matches(" ago").trim_start_matches("of "))
        } else {
            (COLUMNS.3, row.age.1.as_str())
        };
        pen.text((x, y), age_width, row.age.0, age);
        x += age_width;
        if x < area.right() {
            pen.row((x, y), area.right() - x, &row.words);
        }
    }
    let beside = view.meters.len().saturating_sub(room);
    and_more(pen, area, beside);
}

/// What is said of the chosen meter in the line above it: that it isn't of this world.
pub(super) fn beside_the_rule(pen: &mut Pen<'_>, rule: Rect, focus: &Focus) {
    let words: Vec<&str> = focus.unreal.iter().map(|(_, words)| words.as_str()).collect();
    if !words.is_empty() {
        let words = format!(" {} ", words.join(", "));
        pen.text_right((rule.right() - 2, rule.y), rule.width / 2, Tone::Caution, &words);
    }
}

pub(super) fn notes(pen: &mut Pen<'_>, area: Rect, focus: &Focus) {
    for ((tone, words), row) in focus.notes.iter().zip(area.rows()) {
        pen.text((row.x + 2, row.y), row.width - 2, *tone, words);
    }
}

/// The name of a list before its first line.
fn name(pen: &mut Pen<'_>, area: Rect, name: &str) -> Rect {
    pen.text((area.x, area.y), NAME, Tone::Faint, name);
    Rect { x: area.x + NAME, width: area.width.saturating_sub(NAME), ..area }
}

pub(super) fn details(pen: &mut Pen<'_>, area: Rect, focus: &Focus) {
    let mut left = area;
    for (name, words) in &focus.details {
        if left.is_empty() {
            return;
        }
        pen.text((left.x, left.y), 11, Tone::Faint, name);
        let room =
            Rect { x: left.x + 12, width: left.width.saturating_sub(12), height: left.height.min(3), ..left };
        let taken = pen.paragraph(room, Tone::Plain, words).max(1);
        left = Rect { y: left.y + taken, height: left.height - taken, ..left };
    }
}

/// So many there is no room for.
fn and_more_of(beside: usize) -> String {
    if beside > 0 { format!(" and {beside} more") } else { String::new() }
}

/// Says how many there is no room for.
fn and_more(pen: &mut Pen<'_>, area: Rect, beside: usize) {
    if beside > 0 {
        pen.text_right((area.right(), area.bottom() - 1), area.width, Tone::Faint, &and_more_of(beside));
    }
}

/// A line each, cut off between two parts; in full, where there is room for that.
pub(super) fn runs(pen: &mut Pen<'_>, area: Rect, runs: &[Said]) {
    let area = name(pen, area, "runs");
    let room = usize::from(area.height);
    let folded: Vec<Vec<String>> = runs.iter().map(|(_, words)| pen.wrapped(words, area.width)).collect();
    if folded.iter().map(Vec::len).sum::<usize>() <= room {
        let lines = runs
            .iter()
            .zip(&folded)
            .flat_map(|((tone, _), lines)| lines.iter().map(move |line| (*tone, line)));
        for ((tone, line), row) in lines.zip(area.rows()) {
            pen.text((row.x, row.y), row.width, tone, line);
        }
        return;
    }
    let beside = runs.len().saturating_sub(room);
    let more = and_more_of(beside);
    for (index, ((tone, words), row)) in runs.iter().zip(area.rows()).enumerate() {
        let taken = if index + 1 == room { pen.columns(&more) } else { 0 };
        pen.parts((row.x, row.y), row.width.saturating_sub(taken), *tone, words);
    }
    and_more(pen, area, beside);
}

/// The latest, the last of them last. Where there is room the latest are told in full.
pub(super) fn events(pen: &mut Pen<'_>, area: Rect, events: &[Happened]) {
    let area = name(pen, area, "events");
    let (mut left, mut lines) = (usize::from(area.height), Vec::new());
    for event in events.iter().rev() {
        let indent = if event.at.is_empty() { 0 } else { pen.columns(&event.at) + 2 };
        let mut folded = pen.wrapped(&event.said.1, area.width.saturating_sub(indent));
        if area.height < ROOMY || folded.len() > left {
            folded = vec![event.said.1.clone()];
        }
        if left == 0 {
            break;
        }
        left -= folded.len().min(left);
        lines.extend(folded.into_iter().enumerate().rev().map(|(index, line)| (event, indent, index, line)));
    }
    for ((event, indent, index, line), row) in lines.into_iter().rev().zip(area.rows()) {
        if index == 0 {
            pen.text((row.x, row.y), row.width, Tone::Faint, &event.at);
        }
        pen.text((row.x + indent, row.y), row.width.saturating_sub(indent), event.said.0, &line);
    }
}
