//! The curve: dots of braille in Unicode, stars in ASCII; the band and where the light goes as lines of their own; what is to come
//! right of the latest reading.

use ratatui_core::layout::Rect;
use settled_protocol::settling::Verdict;

use crate::live::pen::Pen;
use crate::live::view::{Line, Picture, Tone};
use crate::show;

/// Columns of the scale, its line included.
const SCALE: u16 = 11;
/// Dots of a braille cell, by column and row (Unicode block U+2800).
const DOTS: [[u8; 4]; 2] = [[0x01, 0x02, 0x04, 0x40], [0x08, 0x10, 0x20, 0x80]];

/// The sign of the band's ends, and of where the light goes.
const BAND: char = '╌';
const LIMIT: char = '═';

pub(super) fn chart(pen: &mut Pen<'_>, area: Rect, picture: Option<&Picture>) {
    let Some(picture) = picture else { return };
    // Below the curve: the axis, its times, and what the lines are where there is room.
    let below = if area.height >= 6 { 3 } else { 2 };
    let curve = Rect {
        x: area.x + SCALE,
        width: area.width.saturating_sub(SCALE + 1),
        height: area.height.saturating_sub(below),
        ..area
    };
    if curve.is_empty() {
        return;
    }
    scale(pen, curve, picture);
    lines(pen, curve, picture);
    dots(pen, curve, picture);
    axis(pen, area, curve, picture);
    if below == 3 {
        legend(pen, Rect { y: area.bottom() - 1, height: 1, ..area }, picture);
    }
}

/// Where a value is between two ends: 0 at the first, 1 at the other.
fn share(value: f64, (from, to): (f64, f64)) -> f64 {
    (value - from) / (to - from)
}

/// A share of so many cells as one of them; nothing beyond the ends.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a whole number of cells, looked at before"
)]
fn cell(share: f64, cells: u16) -> Option<u16> {
    if !(0.0..=1.0).contains(&share) || cells == 0 {
        return None;
    }
    Some(((share * f64::from(cells)) as u16).min(cells - 1))
}

fn row_of(curve: Rect, picture: &Picture, value: f64) -> Option<u16> {
    cell(1.0 - share(value, picture.values), curve.height).map(|row| curve.y + row)
}

fn column_of(curve: Rect, picture: &Picture, t: f64) -> Option<u16> {
    cell(share(t, picture.times), curve.width).map(|column| curve.x + column)
}

fn scale(pen: &mut Pen<'_>, curve: Rect, picture: &Picture) {
    let (low, high) = picture.values;
    let labels = [(curve.y, high), (curve.bottom() - 1, low)];
    for y in curve.rows().map(|row| row.y) {
        pen.sign((curve.x - 1, y), Tone::Faint, '│');
        if let Some((_, value)) = labels.iter().find(|(at, _)| *at == y) {
            pen.text_right((curve.x - 2, y), SCALE - 2, Tone::Faint, &show::number(*value));
        }
    }
    if curve.height >= 4 {
        pen.text_right((curve.x - 2, curve.y + curve.height / 2), SCALE - 2, Tone::Faint, picture.unit);
    }
}

fn lines(pen: &mut Pen<'_>, curve: Rect, picture: &Picture) {
    let across = |pen: &mut Pen<'_>, value: f64, from: u16, tone: Tone, sign: char| {
        if let Some(y) = row_of(curve, picture, value) {
            for x in from..curve.right() {
                pen.sign((x, y), tone, sign);
            }
        }
    };
    let (low, high) = picture.band.unwrap_or((f64::NAN, f64::NAN));
    across(pen, low, curve.x, Tone::Faint, BAND);
    across(pen, high, curve.x, Tone::Faint, BAND);
    if let Some(limit) = picture.limit {
        let now = column_of(curve, picture, 0.0).unwrap_or(curve.x);
        across(pen, limit, now + 1, Tone::Plain, LIMIT);
    }
}

fn dots(pen: &mut Pen<'_>, curve: Rect, picture: &Picture) {
    let tone = if picture.fresh { Tone::Strong } else { Tone::Faint };
    let ascii = pen.means().ascii;
    let (width, height) = (usize::from(curve.width), usize::from(curve.height));
    let mut cells = vec![0_u8; width * height];
    let (columns, lines) =
        if ascii { (curve.width, curve.height) } else { (2 * curve.width, 4 * curve.height) };
    for (t, y) in &picture.points {
        let column = cell(share(*t, picture.times), columns).map(usize::from);
        let line = cell(1.0 - share(*y, picture.values), lines).map(usize::from);
        let Some((column, line)) = column.zip(line) else { continue };
        let (place, bit) = if ascii {
            (line * width + column, 1)
        } else {
            (line / 4 * width + column / 2, DOTS[column % 2][line % 4])
        };
        if let Some(cell) = cells.get_mut(place) {
            *cell |= bit;
        }
    }
    for (row, cells) in curve.rows().zip(cells.chunks(width)) {
        for (x, dots) in (row.x..).zip(cells).filter(|(_, dots)| **dots > 0) {
            let sign = if ascii { '*' } else { char::from_u32(0x2800 + u32::from(*dots)).unwrap_or('*') };
            pen.sign((x, row.y), tone, sign);
        }
    }
}

/// The line below the curve with what happened on it, and the times below that.
fn axis(pen: &mut Pen<'_>, area: Rect, curve: Rect, picture: &Picture) {
    let y = curve.bottom();
    pen.sign((curve.x - 1, y), Tone::Faint, '└');
    for x in curve.x..curve.right() {
        pen.sign((x, y), Tone::Faint, '─');
    }
    let now = column_of(curve, picture, 0.0).unwrap_or(curve.x);
    pen.sign((now, y), Tone::Strong, '┴');
    if let Some(x) = picture.settles.and_then(|t| column_of(curve, picture, t)) {
        pen.sign((x, y), Tone::Strong, '▼');
    }
    for (t, verdict) in &picture.changes {
        let sign = match verdict {
            Verdict::Settled => (Tone::Good, '▲'),
            Verdict::Lost => (Tone::Bad, '▽'),
            Verdict::NoiseLimited | Verdict::WontSettle | Verdict::TimedOut => continue,
        };
        if let Some(x) = column_of(curve, picture, *t) {
            pen.sign((x, y), sign.0, sign.1);
        }
    }
    let y = y + 1;
    if y >= area.bottom() {
        return;
    }
    let (past, ahead) =
        (format!("-{}", show::span(-picture.times.0)), format!("+{}", show::span(picture.times.1)));
    pen.text((curve.x, y), curve.width, Tone::Faint, &past);
    pen.text_right((curve.right(), y), curve.width, Tone::Faint, &ahead);
    // In the middle below the latest reading, as far as there is room before the end.
    let latest = "latest";
    let x = now.saturating_sub(3).min(curve.right().saturating_sub(16)).max(curve.x + 10);
    pen.text((x, y), curve.right().saturating_sub(x), Tone::Faint, latest);
}

fn legend(pen: &mut Pen<'_>, area: Rect, picture: &Picture) {
    let mut parts: Vec<(Tone, String)> = Vec::new();
    for line in &picture.legend {
        parts.push(match line {
            Line::Band(words) => (Tone::Faint, format!("{BAND}{BAND} {words}")),
            Line::Limit(words) => (Tone::Plain, format!("{LIMIT}{LIMIT} {words}")),
            Line::Beside(words) => (Tone::Faint, words.clone()),
        });
    }
    if picture.changes.iter().any(|(_, verdict)| *verdict == Verdict::Settled) {
        parts.push((Tone::Faint, "▲ settled".to_owned()));
    }
    if picture.changes.iter().any(|(_, verdict)| *verdict == Verdict::Lost) {
        parts.push((Tone::Faint, "▽ lost".to_owned()));
    }
    if picture.settles.is_some_and(|t| t <= picture.times.1) {
        parts.push((Tone::Faint, "▼ may settle".to_owned()));
    }
    pen.row((area.x + SCALE, area.y), area.width.saturating_sub(SCALE), &parts);
}
