//! A plan as people write it, in TOML: what they leave out has defaults, and every mistake is named at once with its place.
//!
//! ```toml
//! title = "Greys"
//!
//! [[set]]
//! name = "SDR"
//! transfer = "bt1886"
//! primaries = "bt709"
//!
//! [[set.sequence]]
//! kind = "grey"
//! steps = 21
//! ```
//!
//! All else is held against white and black, so that each set begins with them, whether the plan has them or not; only a cold start comes before.
//! The room's light comes last: for that the display is switched off, and as it comes on again it isn't warm.

use std::path::Path;

use settled_drivers::settings::{self, Problems, Table};
use settled_protocol::stage::Range;

use super::{Order, Plan, Sequence, Set, What};
use crate::evaluate::aim::{Aim, Primaries, Transfer};
use crate::review::chart;
use crate::review::expand::steps;
use crate::review::patch::Coding;

/// The longest time that white may be held in a window by a `peak_hold`, in s.
pub const LONGEST_PEAK_HOLD_S: f64 = 1800.0;
/// The longest time that a bright window may be held to see what it leaves behind, in s.
pub const LONGEST_RETENTION_HOLD_S: f64 = 7200.0;
/// The most stimuli of a plan: at some 10 s each they take two days.
pub const MOST_STIMULI: usize = 20_000;

/// A window's share of the screen, in per cent, unless the plan says otherwise.
const WINDOW_PERCENT: f64 = 10.0;
/// The smallest window.
const SMALLEST_WINDOW_PERCENT: f64 = 0.01;
/// The longest rest between two patches, in s.
const LONGEST_REST_S: f64 = 600.0;
/// The longest rest before something bright is held, in s.
const LONGEST_REST_BEFORE_S: f64 = 7200.0;
/// The longest that light is watched, in s.
const LONGEST_WATCH_S: f64 = 86_400.0;

const WHITE_BLACK: &str = "white_black";

impl Plan {
    /// Reads a plan's text. `file` is its name, for messages and for charts beside it.
    ///
    /// # Errors
    /// Every mistake in it.
    pub fn read(file: &Path, text: &str) -> Result<Self, Problems> {
        let folder = file.parent().unwrap_or(Path::new(""));
        settings::read(&file.display().to_string(), text, |table| plan(table, folder))
    }
}

fn plan(table: &mut Table<'_>, folder: &Path) -> Option<Plan> {
    let title = name(table, "title");
    let title = table.required("title", title);
    let mut sets: Vec<Set> = Vec::new();
    let tables = table.tables("set");
    if tables.is_empty() && !table.has("set") {
        table.complain("set", "is missing: a plan has one set or more, each in a table [[set]]");
    }
    let whole = tables.len();
    for mut table in tables {
        let Some(set) = set(&mut table, folder) else { continue };
        if sets.iter().any(|other| other.name == set.name) {
            table.complain("name", format!("another set is called {:?} already", set.name));
        }
        sets.push(set);
    }
    let each = |set: &Set| set.sequences.iter().map(|sequence| steps(set, sequence).len()).sum::<usize>();
    let count: usize = sets.iter().map(each).sum();
    if count > MOST_STIMULI {
        table.complain("set", format!("at most {MOST_STIMULI} stimuli in all, not {count}"));
    }
    (sets.len() == whole).then_some(Plan { title: title?, sets })
}

fn set(table: &mut Table<'_>, folder: &Path) -> Option<Set> {
    let found = name(table, "name");
    let found = table.required("name", found);
    let coding = coding(table);
    let aim = aim(table);
    let defaults = Manner::read(table, Manner::default());
    let tables = table.tables("sequence");
    let whole = tables.len();
    let mut sequences: Vec<Sequence> = Vec::new();
    for mut table in tables {
        let Some(sequence) = sequence(&mut table, defaults, folder) else { continue };
        if sequences.iter().any(|other| other.name == sequence.name) {
            let again =
                format!("another sequence of this set is called {:?} already: name it", sequence.name);
            table.complain("name", again);
        }
        sequences.push(sequence);
    }
    let complete = sequences.len() == whole;
    let sequences = as_measured(sequences, defaults);
    complete.then_some(Set { name: found?, coding: coding?, aim: aim?, sequences })
}

/// White and black come first: what follows is held against them. A display is cold but once: what is watched of that comes before. What it is
/// switched off for comes last: switched on again, it would have to warm up.
fn as_measured(mut sequences: Vec<Sequence>, manner: Manner) -> Vec<Sequence> {
    let at = sequences.iter().position(|sequence| sequence.what == What::WhiteBlack);
    let first = at
        .map_or_else(|| manner.sequence(WHITE_BLACK.to_owned(), What::WhiteBlack), |at| sequences.remove(at));
    let (mut ordered, rest): (Vec<_>, Vec<_>) =
        sequences.into_iter().partition(|sequence| matches!(sequence.what, What::ColdStart { .. }));
    let (off, rest): (Vec<_>, Vec<_>) = rest.into_iter().partition(|sequence| sequence.what == What::Ambient);
    ordered.push(first);
    ordered.extend(rest);
    ordered.extend(off);
    ordered
}

fn coding(table: &mut Table<'_>) -> Option<Coding> {
    let bits = if table.has("bits") { table.integer("bits", 8, 12)? } else { 10 };
    let bits = u8::try_from(bits).ok().filter(|bits| [8, 10, 12].contains(bits));
    if bits.is_none() {
        table.complain("bits", "expected 8, 10 or 12");
    }
    let range = table.choice("range", &[("full", Range::Full), ("narrow", Range::Narrow)]);
    Some(Coding { bits: bits?, range: range.unwrap_or_default() })
}

fn aim(table: &mut Table<'_>) -> Option<Aim> {
    let kinds = [("power", 0), ("bt1886", 1), ("srgb", 2), ("pq", 3), ("hlg", 4)];
    let kind = table.choice("transfer", &kinds);
    let transfer = table.required("transfer", kind).map(|kind| match kind {
        0 => Transfer::Power { gamma: table.number("gamma", 1.0, 4.0).unwrap_or(2.2) },
        1 => Transfer::Bt1886,
        2 => Transfer::Srgb,
        3 => Transfer::Pq,
        _ => Transfer::Hlg { surround_cd_m2: table.number("surround_cd_m2", 0.0, 10_000.0).unwrap_or(5.0) },
    });
    let all = [Primaries::Bt709, Primaries::P3D65, Primaries::Bt2020];
    let [bt709, p3, bt2020] = all;
    let primaries = table.choice("primaries", &[("bt709", bt709), ("p3-d65", p3), ("bt2020", bt2020)]);
    let primaries = table.required("primaries", primaries);
    let white = table.numbers::<2>("white", 0.05, 0.8);
    if white.is_some_and(|[x, y]| x + y >= 1.0) {
        table.complain("white", "x and y of a colour are less than 1 together");
    }
    Some(Aim { transfer: transfer?, primaries: primaries?, white })
}

/// What a set may say for all of its sequences, and each for itself.
#[derive(Clone, Copy)]
struct Manner {
    window_percent: f64,
    background: f64,
    order: Order,
    rest_s: f64,
}

impl Default for Manner {
    fn default() -> Self {
        Self { window_percent: WINDOW_PERCENT, background: 0.0, order: Order::default(), rest_s: 0.0 }
    }
}

impl Manner {
    fn read(table: &mut Table<'_>, default: Self) -> Self {
        let orders =
            [("dark_to_light", Order::DarkToLight), ("shuffled", Order::Shuffled), ("listed", Order::Listed)];
        let window = table.number("window_percent", SMALLEST_WINDOW_PERCENT, 100.0);
        Self {
            window_percent: window.unwrap_or(default.window_percent),
            background: table.number("background", 0.0, 1.0).unwrap_or(default.background),
            order: table.choice("order", &orders).unwrap_or(default.order),
            rest_s: table.duration_s("rest", 0.0, LONGEST_REST_S).unwrap_or(default.rest_s),
        }
    }

    fn sequence(self, name: String, what: What) -> Sequence {
        let Self { window_percent, background, order, rest_s } = self;
        Sequence { name, what, window_percent, background, order, rest_s, rest_before_s: None }
    }
}

/// The kinds of sequence by their names.
const KINDS: [&str; 12] = [
    WHITE_BLACK,
    "grey",
    "near_black",
    "primaries",
    "saturation",
    "chart",
    "window",
    "peak_hold",
    "cold_start",
    "retention",
    "uniformity",
    "ambient",
];

fn sequence(table: &mut Table<'_>, defaults: Manner, folder: &Path) -> Option<Sequence> {
    let kind = table.choice("kind", &KINDS.map(|kind| (kind, kind)));
    let Some(kind) = table.required("kind", kind) else {
        table.ignore_rest();
        return None;
    };
    let named = name(table, "name");
    let manner = Manner::read(table, defaults);
    let what = what(table, kind, folder)?;
    let mut sequence = manner.sequence(named.unwrap_or_else(|| kind.to_owned()), what);
    if sequence.rests_before_s() > 0.0 {
        sequence.rest_before_s = table.duration_s("rest_before", 0.0, LONGEST_REST_BEFORE_S);
    }
    Some(sequence)
}

fn what(table: &mut Table<'_>, kind: &str, folder: &Path) -> Option<What> {
    Some(match kind {
        "grey" => What::Grey { steps: count(table, "steps", 2, 1025, 21) },
        "near_black" => What::NearBlack {
            up_to: table.number("up_to", 0.001, 0.5).unwrap_or(0.1),
            steps: count(table, "steps", 1, 200, 10),
        },
        "primaries" => What::Primaries,
        "saturation" => What::Saturation { steps: count(table, "steps", 1, 50, 4) },
        "chart" => chart_of(table, folder)?,
        "window" => What::Window {
            areas_percent: table
                .some_numbers("areas_percent", 100, SMALLEST_WINDOW_PERCENT, 100.0)
                .unwrap_or_else(|| vec![1.0, 2.0, 5.0, 10.0, 18.0, 25.0, 50.0, 75.0, 100.0]),
        },
        "peak_hold" => What::PeakHold { hold_s: time(table, "hold", LONGEST_PEAK_HOLD_S, 120.0) },
        "cold_start" => What::ColdStart {
            watch_s: time(table, "watch", LONGEST_WATCH_S, 3600.0),
            signal: signal(table, 0.75),
        },
        "retention" => What::Retention {
            hold_s: time(table, "hold", LONGEST_RETENTION_HOLD_S, 300.0),
            watch_s: time(table, "watch", LONGEST_WATCH_S, 300.0),
            signal: signal(table, 0.5),
        },
        "uniformity" => What::Uniformity {
            columns: count(table, "columns", 1, 25, 5),
            rows: count(table, "rows", 1, 25, 3),
            signal: signal(table, 0.75),
        },
        "ambient" => What::Ambient,
        _ => What::WhiteBlack,
    })
}

fn count(table: &mut Table<'_>, key: &str, least: i64, most: i64, default: usize) -> usize {
    table.integer(key, least, most).and_then(|count| usize::try_from(count).ok()).unwrap_or(default)
}

fn time(table: &mut Table<'_>, key: &str, most_s: f64, default_s: f64) -> f64 {
    table.duration_s(key, 1.0, most_s).unwrap_or(default_s)
}

fn signal(table: &mut Table<'_>, default: f64) -> f64 {
    table.number("signal", 0.0, 1.0).unwrap_or(default)
}

/// A chart's colours, read once: the plan has them from then on.
fn chart_of(table: &mut Table<'_>, folder: &Path) -> Option<What> {
    let Some(file) = table.text("file") else {
        return (!table.has("file")).then_some(What::Chart { file: None, colours: Vec::new() });
    };
    let text = match std::fs::read_to_string(folder.join(&file)) {
        Ok(text) => text,
        Err(error) => {
            table.complain("file", format!("reading {}: {error}", folder.join(&file).display()));
            return None;
        }
    };
    match chart::read(&text) {
        Ok(colours) => Some(What::Chart { file: Some(file), colours }),
        Err(bad) => {
            bad.mistakes.iter().for_each(|mistake| table.complain("file", format!("{file}, {mistake}")));
            None
        }
    }
}

/// Whether a name can be shown on a line, handed to a program and written anywhere: 1 to 80 characters, and none that controls a terminal.
#[must_use]
pub fn fits_a_line(name: &str) -> bool {
    (1..=80).contains(&name.chars().count()) && !name.chars().any(char::is_control)
}

/// A text that can be shown on a line.
fn name(table: &mut Table<'_>, key: &str) -> Option<String> {
    let text = table.text(key)?;
    let fits = fits_a_line(&text);
    if !fits {
        table.complain(key, "expected 1 to 80 characters on one line");
    }
    fits.then_some(text)
}

#[cfg(test)]
mod tests;
