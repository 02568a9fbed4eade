//! Every difference in one picture: each by what it would take to be called real.

use crate::chart::picture::{Framed, framed};
use crate::chart::scene::{Anchor, Colour};
use crate::chart::{self, BLUE, GREEN, GRID, INK, SOFT, VERMILION};
use crate::report::Plot;
use crate::review::compare::{Change, Comparison, Row, words};

/// How high a line is.
const LINE: f64 = 17.0;
/// How much of the width names have.
const NAMES: f64 = 330.0;
/// Room above the lines and below them.
const ABOVE: f64 = 30.0;
const BELOW: f64 = 34.0;
/// What is farther off has no place: an arrowhead at the edge points to where it is.
const FARTHEST: f64 = 4.0;
/// How long an arrowhead is, and half of how high.
const HEAD: (f64, f64) = (8.0, 4.5);
const LETTERS: f64 = 11.0;

/// The difference, and the ends of its interval, in multiples of what it takes to be called real; nothing without an interval.
fn scaled(row: &Row, factor: f64) -> Option<[f64; 3]> {
    let figure = row.difference;
    let half = if figure.value > 0.0 { figure.value - figure.low } else { figure.high - figure.value };
    let one = half * factor;
    (one > 0.0).then(|| [figure.value, figure.low, figure.high].map(|value| value / one))
}

/// All rows below each other; nothing where there is none.
pub(super) fn plot(comparison: &Comparison, marks: &[String]) -> Result<Option<Plot>, chart::Error> {
    let rows: Vec<(&Row, [f64; 3])> =
        comparison.rows.iter().filter_map(|row| Some((row, scaled(row, comparison.factor)?))).collect();
    if rows.is_empty() {
        return Ok(None);
    }
    #[expect(clippy::cast_precision_loss, reason = "some hundred at most")]
    let height = ABOVE + LINE * rows.len() as f64 + BELOW;
    let what = Framed {
        title: "All differences".to_owned(),
        below: "B less A, each in multiples of what it takes to be called real".to_owned(),
        caution: marks.join(", "),
        height,
    };
    let (mut scene, room) = framed(&what)?;
    let (left, right) = (room.left + NAMES, room.right);
    let x = |value: f64| {
        let held = value.clamp(-FARTHEST, FARTHEST);
        left + (held + FARTHEST) / (2.0 * FARTHEST) * (right - left)
    };
    let (top, bottom) = (room.top + ABOVE, room.top + height - BELOW);
    scene.area("alike", vec![(x(-1.0), top), (x(1.0), top), (x(1.0), bottom), (x(-1.0), bottom)], GRID, 0.6);
    for mark in [-4, -3, -2, -1, 0, 1, 2, 3, 4] {
        let at = x(f64::from(mark));
        scene.line("grid", vec![(at, top), (at, bottom)], GRID, 1.0, None);
        let label = mark.to_string().replace('-', "−");
        scene.words("label", (at, bottom + 16.0), &label, (LETTERS, INK, Anchor::Middle));
    }
    scene.line("zero", vec![(x(0.0), top), (x(0.0), bottom)], SOFT, 1.2, None);
    for (index, (row, [value, low, high])) in rows.iter().enumerate() {
        #[expect(clippy::cast_precision_loss, reason = "some hundred at most")]
        let y = top + LINE * (index as f64 + 0.5);
        let colour = colour(row.change);
        let name = shortened(&words::name(row));
        scene.words("label", (left - 10.0, y + 4.0), &name, (LETTERS, INK, Anchor::End));
        // An interval that begins beyond the edge is seen as little as what it is of.
        if x(*high) > x(*low) {
            scene.line("interval", vec![(x(*low), y), (x(*high), y)], colour, 1.4, None);
        }
        if is_beyond(*value) {
            scene.area("beyond", arrowhead((x(*value), y), value.signum()), colour, 1.0);
        } else {
            scene.dot("difference", (x(*value), y), colour, 3.0);
        }
    }
    let beyond = rows.iter().filter(|(_, [value, ..])| is_beyond(*value)).count();
    legend(&mut scene, (left, room.top + 12.0), beyond > 0);
    scene.description = format!("{}{}", described(comparison, marks), farther(beyond));
    let caption = format!(
        "Beyond the shaded stretch a difference is real with 95 %, all of these {} together.{} {}.",
        rows.len(),
        farther(beyond),
        words::counts(&comparison.rows)
    );
    Ok(Some(Plot { name: "all-differences".to_owned(), scene, caption }))
}

/// Whether a difference is farther off than the axis goes.
fn is_beyond(value: f64) -> bool {
    value.abs() > FARTHEST
}

/// An arrowhead whose tip is at the edge.
fn arrowhead((x, y): (f64, f64), side: f64) -> Vec<(f64, f64)> {
    let (long, high) = HEAD;
    vec![(x, y), (x - side * long, y - high), (x - side * long, y + high)]
}

/// How many differences have no place in the picture; nothing where all have.
pub(super) fn farther(count: usize) -> String {
    match count {
        0 => String::new(),
        1 => format!(
            " 1 difference is farther off than {FARTHEST} times what it takes to be called real: an arrowhead stands for it."
        ),
        count => format!(
            " {count} differences are farther off than {FARTHEST} times what it takes to be called real: arrowheads stand for them."
        ),
    }
}

fn colour(change: Change) -> Colour {
    match change {
        Change::Better => GREEN,
        Change::Worse => VERMILION,
        Change::Differs => BLUE,
        Change::Alike => SOFT,
    }
}

fn legend(scene: &mut chart::scene::Scene, (mut x, y): (f64, f64), has_beyond: bool) {
    for change in [Change::Better, Change::Worse, Change::Differs, Change::Alike] {
        scene.dot("key", (x, y), colour(change), 3.0);
        scene.words("label", (x + 8.0, y + 4.0), words::change(change), (LETTERS, INK, Anchor::Start));
        x += 64.0;
    }
    if has_beyond {
        scene.area("key", arrowhead((x + 6.0, y), 1.0), SOFT, 1.0);
        let words = format!("beyond {FARTHEST}");
        scene.words("label", (x + 12.0, y + 4.0), &words, (LETTERS, INK, Anchor::Start));
    }
}

/// A name that fits its column.
fn shortened(name: &str) -> String {
    const MOST: usize = 52;
    if name.chars().count() <= MOST {
        return name.to_owned();
    }
    name.chars().take(MOST - 1).collect::<String>() + "…"
}

fn described(comparison: &Comparison, marks: &[String]) -> String {
    let unreal = if marks.is_empty() { String::new() } else { format!("{} data. ", marks.join(" and ")) };
    let real = comparison.rows.iter().filter(|row| row.change != Change::Alike);
    let told: Vec<String> = real
        .map(|row| format!("{}: {}", words::change(row.change), words::sentence(row, &words::name(row))))
        .collect();
    let told =
        if told.is_empty() { "No difference is real.".to_owned() } else { format!("{}.", told.join("; ")) };
    format!("{unreal}{} figures: {}. {told}", comparison.rows.len(), words::counts(&comparison.rows))
}
