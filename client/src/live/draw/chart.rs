//! The curve: dots of braille in Unicode, stars in ASCII; the band and where the light goes as lines of their own; what is to come
//! right of the latest reading.

use ratatui_core::layout::Rect;
use settled_protocol::settling::Verdict;

use crate::live::pen::Pen;
use crate::live::view::{Line, Picture, Said, Tone, round_step};
use crate::show;

/// Columns of the scale, its line included.
const SCALE: u16 = 11;
/// Dots of a braille cell, by column and row (Unicode block U+2800).
const DOTS: [[u8; 4]; 2] = [[0x01, 0x02, 0x04, 0x40], [0x08, 0x10, 0x20, 0x80]];

/// The sign of the band's ends, and of where the light goes.
const BAND: char = '╌';
const LIMIT: char = '═';

/// Rows from one number of the scale to the next at the least, and columns from one time of the axis to the next.
const APART: (u16, u16) = (5, 16);
/// Steps of the axis, in s; beyond, whole hours.
const TIMES: [f64; 11] = [1.0, 2.0, 5.0, 10.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1800.0, 3600.0];
/// What the keys for it do, where there is room to say so.
const ZOOM: &str = "+ zooms in, - zooms out";

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
    let labels = labels(curve, picture);
    for y in curve.rows().map(|row| row.y) {
        let label = labels.iter().find(|(at, _)| *at == y);
        // The ends are those of the scale itself.
        let is_within = label.is_some() && y > curve.y && y + 1 < curve.bottom();
        pen.sign((curve.x - 1, y), Tone::Faint, if is_within { '┤' } else { '│' });
        if let Some((_, value)) = label {
            pen.text_right((curve.x - 2, y), SCALE - 2, Tone::Faint, &show::number(*value));
        }
    }
    if curve.height >= 4 {
        pen.text_right((curve.x - 2, curve.y + 1), SCALE - 2, Tone::Faint, picture.unit);
    }
}

/// The numbers of the scale and their rows: its ends, and round ones between them where there is room.
fn labels(curve: Rect, picture: &Picture) -> Vec<(u16, f64)> {
    let (low, high) = picture.values;
    let mut labels = vec![(curve.y, high), (curve.bottom() - 1, low)];
    let step = round_step((high - low) * f64::from(APART.0) / f64::from(curve.height));
    let mut value = (low / step).ceil() * step;
    while value < high {
        let row = row_of(curve, picture, value);
        let is_free = |row: &u16| labels.iter().all(|(taken, _)| taken.abs_diff(*row) + 2 >= APART.0);
        if let Some(row) = row.filter(is_free) {
            labels.push((row, value));
        }
        value += step;
    }
    labels
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
    times(pen, Rect { y, height: 1, ..curve }, x, picture);
}

/// Times between the beginning and the latest reading, which stands from a column on.
fn times(pen: &mut Pen<'_>, below: Rect, latest: u16, picture: &Picture) {
    let past_s = -picture.times.0;
    let least_s = past_s * f64::from(APART.1) / f64::from((latest - below.x).max(1));
    let hours = 3600.0 * (least_s / 3600.0).ceil();
    let step_s = TIMES.into_iter().find(|step_s| *step_s >= least_s).unwrap_or(hours);
    let mut back_s = step_s;
    while back_s < past_s {
        let words = format!("-{}", show::span(back_s));
        let half = pen.columns(&words) / 2;
        if let Some(x) = column_of(below, picture, -back_s)
            && x >= below.x + half + 10
            && x + half + 2 < latest
        {
            pen.sign((x, below.y - 1), Tone::Faint, '┴');
            pen.text((x - half, below.y), 2 * half + 2, Tone::Faint, &words);
        }
        back_s += step_s;
    }
}

fn legend(pen: &mut Pen<'_>, area: Rect, picture: &Picture) {
    let (x, width) = (area.x + SCALE, area.width.saturating_sub(SCALE));
    let mut end = x;
    for (index, (tone, words)) in meanings(picture).into_iter().enumerate() {
        let begin = if index > 0 { end + 2 } else { end };
        // What isn't whole is no help, unless it is a sentence; all of it can be had by a key.
        let left = (x + width).saturating_sub(begin);
        let is_whole = pen.columns(&words) <= left;
        let is_room = is_whole || (left >= 24 && words.split(' ').count() > 4);
        end = pen.text((begin, area.y), left, tone, if is_room { &words } else { pen.more() });
        if !is_whole {
            return;
        }
    }
    if end + 2 + pen.columns(ZOOM) < x + width {
        pen.text_right((x + width - 1, area.y), width, Tone::Faint, ZOOM);
    }
}

/// What the lines and signs of a picture are, in words.
pub(super) fn meanings(picture: &Picture) -> Vec<Said> {
    let mut parts: Vec<Said> = Vec::new();
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
    parts
}
