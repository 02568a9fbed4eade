//! The value and the verdict, at places that stay the same whatever they are.

use ratatui_core::layout::Rect;

use crate::live::pen::Pen;
use crate::live::view::{Ruling, Tone, Value};

/// The column of a number's point, so that it stays where it is as the digits change.
const POINT: u16 = 8;
/// The column of its uncertainty.
const UNCERTAINTY: u16 = 16;
/// The column of the chromaticity beside the value, where there is room for it.
const COLOUR: u16 = 46;
/// The least columns for a value and its chromaticity in one line.
const ROOM: u16 = 118;
/// Where the rest of what is cut off is to be had.
const WHOLE: &str = " i: in full";

pub(super) fn value(pen: &mut Pen<'_>, area: Rect, value: &Value) {
    if value.number.is_empty() || area.is_empty() {
        return;
    }
    let tone = if value.fresh { Tone::Strong } else { Tone::Faint };
    let whole = value.number.split('.').next().unwrap_or_default().chars().count();
    let indent = POINT.saturating_sub(u16::try_from(whole).unwrap_or(POINT));
    let end = pen.text((area.x + indent, area.y), area.width, tone, &value.number);
    let x = end.max(area.x + UNCERTAINTY - 1) + 1;
    let amount = format!("{} {}", value.uncertainty, value.unit);
    let room = area.right().saturating_sub(x);
    let end = pen.text((x, area.y), room, tone, amount.trim_start());
    let tone = if value.fresh { Tone::Plain } else { Tone::Faint };
    let colour = format!("{}   {}", value.xy, value.uv);
    let (of, mut lines) = (value.of.as_str(), area.rows().skip(1).map(|row| row.y));
    if area.width >= ROOM {
        let x = (area.x + COLOUR).max(end + 2);
        pen.text((x, area.y), area.right().saturating_sub(x), tone, colour.trim());
    } else if let Some(y) = lines.next() {
        pen.text((area.x + 2, y), area.width - 2, tone, colour.trim());
    }
    if let Some(y) = lines.next() {
        pen.text((area.x + 2, y), area.width - 2, Tone::Faint, of);
    }
}

pub(super) fn ruling(pen: &mut Pen<'_>, area: Rect, ruling: &Ruling) {
    let (tone, verdict) = &ruling.verdict;
    let x = pen.text((area.x + 2, area.y), area.width - 2, *tone, verdict);
    if !ruling.ahead.is_empty() {
        let x = x.max(area.x + 2 + 15) + 2;
        pen.text((x, area.y), area.right().saturating_sub(x), Tone::Plain, &ruling.ahead);
    }
    let below = Rect { x: area.x + 2, y: area.y + 1, width: area.width - 2, height: area.height - 1 };
    pen.paragraph_and(below, Tone::Faint, &ruling.sentence, WHOLE);
}
