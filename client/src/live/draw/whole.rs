//! All there is to say of the chosen meter, its runs and what happened, line by line and in full: what a narrow screen cuts off can be had here. Where
//! it takes more lines than there are, it is turned over like pages.

use ratatui_core::layout::Rect;

use super::chart::meanings;
use crate::live::pen::Pen;
use crate::live::view::{Focus, MEASURING, Said, Tone, View};

/// Columns of a name before what it is.
const NAME: u16 = 12;
/// Lines of one part at the most: a label or a reason may be long, and is no reason to see nothing else.
const MOST: usize = 12;

/// `turned`: how many pages were turned over; behind the last comes the first.
pub(super) fn whole(pen: &mut Pen<'_>, area: Rect, view: &View, turned: usize) {
    let lines = lines(pen, area.width.saturating_sub(NAME + 1), view);
    let room = usize::from(area.height.saturating_sub(1)).max(1);
    let pages = lines.len().div_ceil(room).max(1);
    let page = turned % pages;
    let shown = lines.iter().skip(page * room).take(room);
    for ((name, (tone, words)), row) in shown.zip(area.rows()) {
        pen.text((row.x, row.y), NAME - 1, Tone::Faint, name);
        pen.text((row.x + NAME, row.y), row.width.saturating_sub(NAME), *tone, words);
    }
    let turn = if pages > 1 {
        format!("page {} of {pages}: up and down turn them over   ", page + 1)
    } else {
        String::new()
    };
    let y = area.bottom().saturating_sub(1);
    pen.text((area.x, y), area.width, Tone::Faint, &format!("{turn}i  back"));
}

/// The name of a line, where it is the first of its part, and its words.
type Named = (String, Said);

fn lines(pen: &Pen<'_>, width: u16, view: &View) -> Vec<Named> {
    let mut lines = Vec::new();
    let mut part = |name: &str, (tone, words): Said| {
        for (index, line) in pen.wrapped(&words, width).into_iter().take(MOST).enumerate() {
            lines.push((if index == 0 { name.to_owned() } else { String::new() }, (tone, line)));
        }
    };
    let named = |index: usize, name: &'static str| if index == 0 { name } else { "" };
    if let Some(row) = view.meters.get(view.chosen) {
        let (tone, state) = &row.state;
        // A name may be longer than there is room before what it is.
        part("name", (Tone::Strong, row.id.clone()));
        part("state", (*tone, state.clone()));
        part("latest", (row.light.0, format!("{}   {}", row.light.1, row.age.1)));
        let beside = row.words.iter().filter(|(_, words)| !is_told(view, words));
        beside.enumerate().for_each(|(index, words)| part(named(index, "meter"), words.clone()));
    }
    if let Some(focus) = &view.focus {
        of_meter(focus, view.lost.is_some(), &mut part);
    }
    view.runs.iter().enumerate().for_each(|(index, run)| part(named(index, "runs"), run.clone()));
    for (index, event) in view.events.iter().rev().enumerate() {
        part(named(index, "events"), (event.said.0, format!("{}  {}", event.at, event.said.1)));
    }
    lines
}

/// Whether words of a meter's line are told elsewhere here: above it, or below as what one must know.
fn is_told(view: &View, words: &str) -> bool {
    let is_note = view.focus.as_ref().is_some_and(|focus| focus.notes.iter().any(|(_, note)| note == words));
    is_note || words == MEASURING
}

fn of_meter(focus: &Focus, is_lost: bool, part: &mut impl FnMut(&str, Said)) {
    let Focus { manner, value, ruling, notes, details, picture, .. } = focus;
    if is_lost {
        part("", manner.clone());
    }
    if !value.number.is_empty() {
        let tone = if value.fresh { Tone::Strong } else { Tone::Faint };
        part("value", (tone, format!("{} {} {}", value.number, value.uncertainty, value.unit)));
        for words in [&value.xy, &value.uv, &value.of].into_iter().filter(|words| !words.is_empty()) {
            part("", (Tone::Plain, words.clone()));
        }
    }
    part("verdict", ruling.verdict.clone());
    part("", (Tone::Plain, ruling.ahead.clone()));
    part("", (Tone::Plain, ruling.sentence.clone()));
    notes.iter().for_each(|note| part("mind", note.clone()));
    let meanings = picture.as_ref().map(meanings).unwrap_or_default();
    meanings
        .into_iter()
        .enumerate()
        .for_each(|(index, line)| part(if index == 0 { "curve" } else { "" }, line));
    details.iter().for_each(|(name, words)| part(name, (Tone::Plain, words.clone())));
}
