//! A comparison in words.

use super::{Change, Comparison, Row, Side};
use crate::evaluate::figure::Figure;
use crate::review::figures::Standing;
use crate::show;

/// Whose figures one side's are, with what and when.
#[must_use]
pub fn told(side: &Side) -> String {
    format!("{}: {}, with the meter {}, {}", side.display, side.title, side.meter, show::moment(side.began))
}

/// How many are better, worse and alike.
#[must_use]
pub fn counts(rows: &[Row]) -> String {
    let count = |change: Change| rows.iter().filter(|row| row.change == change).count();
    let all = [Change::Better, Change::Worse, Change::Differs, Change::Alike];
    all.map(|change| format!("{} {}", count(change), self::change(change))).join(", ")
}

/// A change in a word.
#[must_use]
pub fn change(change: Change) -> &'static str {
    match change {
        Change::Alike => "alike",
        Change::Differs => "differs",
        Change::Better => "better",
        Change::Worse => "worse",
    }
}

/// A figure of both in a sentence that begins with what it is called.
#[must_use]
pub fn sentence(row: &Row, name: &str) -> String {
    let unit = unit(row).map(|unit| format!(" {unit}")).unwrap_or_default();
    let (a, b, difference) = (row.a.words(), row.b.words(), signed(&row.difference));
    let stands = if row.standing_a == row.standing_b {
        String::new()
    } else {
        format!("; A {}, B {}", standing(row.standing_a), standing(row.standing_b))
    };
    format!("{name}: from {a}{unit} to {b}{unit}, {difference}{unit}{stands}")
}

fn standing(standing: Standing) -> String {
    match standing {
        Standing::Told => "not judged".to_owned(),
        standing => standing.word().to_owned(),
    }
}

/// The unit of what has one: a ratio's is 1.
#[must_use]
pub fn unit(row: &Row) -> Option<&str> {
    Some(row.unit.as_str()).filter(|unit| !["", "1"].contains(unit))
}

/// What a figure is called within its sequence, whose own name isn't said again: `red` for `saturation_red` of `saturation`.
#[must_use]
pub fn subject(row: &Row) -> String {
    let (sequence, subject) = (row.sequence.replace('_', " "), row.subject.replace('_', " "));
    let rest = subject.strip_prefix(&sequence).and_then(|rest| rest.strip_prefix(' '));
    rest.map_or_else(|| subject.clone(), str::to_owned)
}

/// What a figure is called.
#[must_use]
pub fn name(row: &Row, with_set: bool) -> String {
    let name = format!("{}, {}", row.sequence.replace('_', " "), subject(row));
    if with_set { format!("{}, {name}", row.set) } else { name }
}

/// A difference with its sign.
#[must_use]
pub fn signed(difference: &Figure) -> String {
    difference.signed()
}

/// What the intervals of differences are, and when one is called real.
#[must_use]
pub fn basis(comparison: &Comparison) -> String {
    let of = if comparison.is_calibration_left_out() {
        "repeatability alone, as one meter measured one display twice and what its calibration leaves open is in both alike".to_owned()
    } else {
        let [a, b] = [&comparison.a, &comparison.b].map(|side| side.calibration.words());
        format!("A {a}; B {b}")
    };
    format!(
        "Intervals are of 95 % for each figure by itself: {of}. A difference is called real where it is beyond {:.1} times its interval, so that with 95 % confidence \
         none of these {} is called so by chance.",
        comparison.factor,
        comparison.rows.len()
    )
}
