//! A comparison in words.

use super::{Change, Comparison, Row, Side, Why, names};
use crate::evaluate::figure::Figure;
use crate::review::figures::Standing;
use crate::show;

/// Whose figures one side's are, with what and when.
#[must_use]
pub fn told(side: &Side) -> String {
    format!("{}: {}, with the meter {}, {}", side.display, side.title, side.meter, show::moment(side.began))
}

/// How many are better, worse and alike: `1 better, 0 worse, 11 differ, 22 alike`.
#[must_use]
pub fn counts(rows: &[Row]) -> String {
    let told = |change: Change| match (change, rows.iter().filter(|row| row.change == change).count()) {
        (Change::Differs, count) if count != 1 => format!("{count} differ"),
        (change, count) => format!("{count} {}", self::change(change)),
    };
    [Change::Better, Change::Worse, Change::Differs, Change::Alike].map(told).join(", ")
}

/// The same, and why what differs is neither better nor worse: each reason once.
#[must_use]
pub fn lead(comparison: &Comparison) -> String {
    let rows = &comparison.rows;
    let counts = format!("{}, of {} figures that both have", counts(rows), rows.len());
    let because = Why::ALL.into_iter().filter_map(|why| {
        let count = rows.iter().filter(|row| row.why == Some(why)).count();
        (count > 0).then(|| format!("{} ({count})", self::why(why)))
    });
    let because: Vec<String> = because.collect();
    if because.is_empty() {
        return format!("{counts}.");
    }
    format!("{counts}. Of those that differ nothing is called better or worse: {}.", because.join("; "))
}

/// Why two figures that differ are neither better nor worse.
#[must_use]
pub fn why(why: Why) -> &'static str {
    match why {
        Why::Calibration => "what the meter is off by may be all of it, as its calibration was not stated",
        Why::NoTolerance => "no tolerance says which is better",
        Why::OtherTolerance => "each is held against a tolerance of its own",
        Why::AsFarOff => "one is as far off as the other, as far as the readings can tell",
    }
}

/// The same in a word or two, where the lead has it in whole and there are several reasons to choose from; else nothing.
#[must_use]
pub fn reason(row: &Row, rows: &[Row]) -> &'static str {
    let several = rows.iter().any(|other| other.why.is_some() && other.why != row.why);
    match row.why.filter(|_| several) {
        Some(Why::Calibration) => "calibration not stated",
        Some(Why::NoTolerance) => "no tolerance",
        Some(Why::OtherTolerance) => "tolerances of their own",
        Some(Why::AsFarOff) => "as far off as the other",
        None => "",
    }
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
    let percent =
        row.relative_percent.map_or_else(String::new, |percent| format!(" ({} %)", percent.signed()));
    format!("{name}: from {a}{unit} to {b}{unit}, {difference}{unit}{percent}{stands}")
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

/// What a figure is called within its sequence.
#[must_use]
pub fn subject(row: &Row) -> String {
    names::subject(&row.subject)
}

/// What a figure is called.
#[must_use]
pub fn name(row: &Row) -> String {
    format!("{}, {}, {}", row.set, row.sequence.replace('_', " "), subject(row))
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

/// Figures that only one of the two has, in words.
#[must_use]
pub fn lacking(keys: &[[String; 3]]) -> String {
    let name = |[set, sequence, subject]: &[String; 3]| {
        format!("{set}, {}, {}", sequence.replace('_', " "), names::subject(subject))
    };
    keys.iter().map(name).collect::<Vec<_>>().join("; ")
}
