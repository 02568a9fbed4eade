//! What is to be seen, drawn into the cells of a screen of any size. Pure: the same view and the same size give the same cells.
//!
//! | module | idea |
//! |---|---|
//! | `layout` | what goes where |
//! | `reading` | the value and the verdict |
//! | `chart` | the curve |
//! | `lists` | meters, runs, events, notes |
//! | `whole` | all there is to say of one meter, in full |

use ratatui_core::buffer::Buffer;
use ratatui_core::layout::Rect;

use super::pen::{Means, Pen};
use super::view::{Tone, View};
use layout::Layout;

pub use layout::{LEAST_HEIGHT, LEAST_WIDTH};

mod chart;
mod layout;
mod lists;
mod reading;
mod whole;

/// Keys, and what they do.
const KEYS: [(&str, &str); 10] = [
    ("up, down, k, j", "another meter"),
    ("1 to 9", "that meter"),
    ("m", "measure: ask for readings without pause; again: only watch"),
    ("i", "all there is to say of it, in full"),
    ("+", "zoom in: less of the past, in finer steps"),
    ("-", "zoom out: more of the past"),
    ("Ctrl-L", "draw everything anew"),
    ("Ctrl-Z", "to the shell; fg comes back"),
    ("q, Ctrl-C", "end"),
    ("?", "these keys; again, or Escape: back"),
];

/// What is worth knowing beside.
const ABOUT: [&str; 4] = [
    "Watching causes no exposure: what is seen is what others measure.",
    "The verdict is reckoned here, by the daemon's own engine, from what is seen.",
    "Its promise lasts one hold: without readings for longer it is called stale.",
    "Uncertainties are repeatability at 95 %; the meter's calibration comes on top.",
];

/// Draws all of it.
pub fn draw(buffer: &mut Buffer, view: &View, means: Means) {
    let area = *buffer.area();
    let mut pen = Pen::new(buffer, means);
    if area.width < LEAST_WIDTH || area.height < LEAST_HEIGHT {
        too_small(&mut pen, area);
        return;
    }
    title(&mut pen, area, view);
    if view.help {
        help(&mut pen, area);
        return;
    }
    if let Some(turned) = view.whole {
        whole::whole(&mut pen, Rect { y: area.y + 1, height: area.height - 1, ..area }, view, turned);
        return;
    }
    let layout = Layout::of(area, view.meters.len());
    lists::meters(&mut pen, layout.meters, view);
    if let Some(focus) = &view.focus {
        pen.rule((layout.rule.x, layout.rule.y), layout.rule.width, &focus.id);
        lists::beside_the_rule(&mut pen, layout.rule, focus);
        reading::value(&mut pen, layout.value, &focus.value);
        reading::ruling(&mut pen, layout.ruling, &focus.ruling);
        lists::notes(&mut pen, layout.notes, focus);
        chart::chart(&mut pen, layout.chart, focus.picture.as_ref());
        if let Some(details) = layout.details {
            lists::details(&mut pen, details, focus);
        }
    } else {
        let words = "The daemon has no meters: add a [[meter]] to its config.";
        pen.paragraph(layout.ruling, Tone::Caution, words);
    }
    lists::runs(&mut pen, layout.runs, &view.runs);
    lists::events(&mut pen, layout.events, &view.events);
}

fn title(pen: &mut Pen<'_>, area: Rect, view: &View) {
    let keys = if view.help { "? or Esc: back" } else { "? keys  q end" };
    let room = area.width.saturating_sub(u16::try_from(keys.len()).unwrap_or(0) + 2);
    match (&view.lost, &view.focus) {
        (Some(words), _) => {
            pen.text((area.x, area.y), room, Tone::Bad, words);
        }
        (None, Some(focus)) => {
            let (tone, words) = &focus.manner;
            let name = "settle live";
            // What it does to the meter comes before what it is called.
            let is_room = pen.columns(name) + 2 + pen.columns(words) <= room;
            let x = if is_room { pen.text((area.x, area.y), room, Tone::Strong, name) + 2 } else { area.x };
            pen.text((x, area.y), room.saturating_sub(x - area.x), *tone, words);
        }
        (None, None) => {
            pen.text((area.x, area.y), room, Tone::Strong, "settle live");
        }
    }
    pen.text_right((area.right(), area.y), area.width, Tone::Faint, keys);
}

fn help(pen: &mut Pen<'_>, area: Rect) {
    let mut y = area.y + 2;
    for (key, what) in KEYS {
        pen.text((area.x + 2, y), 16, Tone::Strong, key);
        let room = Rect::new(area.x + 19, y, area.width.saturating_sub(19), area.bottom().saturating_sub(y));
        y += pen.paragraph(room, Tone::Plain, what).max(1);
    }
    for words in ABOUT {
        let width = area.width.saturating_sub(4);
        let room = Rect::new(area.x + 2, y, width, area.bottom().saturating_sub(y));
        // What there is no room for is left out, not cut.
        if pen.wrapped(words, width).len() > usize::from(room.height) {
            break;
        }
        y += pen.paragraph(room, Tone::Faint, words);
    }
}

/// Says which size it needs, in whatever room there is.
fn too_small(pen: &mut Pen<'_>, area: Rect) {
    let words = format!(
        "settle live needs {LEAST_WIDTH} columns and {LEAST_HEIGHT} lines; here are {} and {}. q ends it.",
        area.width, area.height
    );
    pen.paragraph(area, Tone::Caution, &words);
}

#[cfg(test)]
mod tests;
