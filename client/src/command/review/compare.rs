//! `settle review compare`: two displays, or one before and after.

use std::path::PathBuf;

use clap::Args;

use super::layout;
use super::signs::Signs;
use crate::command::{Exit, Failure};
use crate::evaluate::figure::Figure;
use crate::output::{BAD, CAUTION, GOOD, Output, STRONG, styled};
use crate::review::compare::{Change, Comparison, Row, Side};
use crate::review::figures::{Standing, Table};
use crate::show;

#[derive(Debug, Args)]
pub(in crate::command) struct Options {
    /// The record of the first, or of before.
    a: PathBuf,
    /// The record of the second, or of after.
    b: PathBuf,
}

pub(in crate::command) fn run(output: Output, options: &Options) -> Result<Exit, Failure> {
    let comparison = Comparison::of(&super::read(&options.a)?, &super::read(&options.b)?);
    if output.json {
        output.object(&comparison)?;
    } else {
        for line in lines(&comparison, Signs::of_locale()) {
            output.line(&line)?;
        }
    }
    Ok(Exit::Done)
}

fn lines(comparison: &Comparison, signs: Signs) -> Vec<String> {
    let mut lines = Vec::new();
    let sides = [("A", &comparison.a), ("B", &comparison.b)];
    for (letter, side) in sides.iter().filter(|(_, side)| !side.flags.is_empty()) {
        lines.extend(layout::wrapped(&format!("{letter}  "), &show::flags(&side.meter, &side.flags)));
    }
    for (letter, side) in sides {
        lines.extend(layout::wrapped(&format!("{letter}  "), &told(side)));
    }
    for caution in &comparison.cautions {
        lines.extend(layout::wrapped("!  ", caution).iter().map(|line| styled(CAUTION, line)));
    }
    lines.push(counts(&comparison.rows));
    lines.extend(changes(comparison));
    lines.extend(tables(comparison));
    lines.extend(lacking(comparison));
    lines.push(String::new());
    lines.extend(basis(comparison));
    signs.told(lines)
}

fn told(side: &Side) -> String {
    format!("{}: {}, with the meter {}, {}", side.display, side.title, side.meter, show::moment(side.began))
}

fn counts(rows: &[Row]) -> String {
    let count = |change: Change| rows.iter().filter(|row| row.change == change).count();
    let all = [Change::Better, Change::Worse, Change::Differs, Change::Alike];
    all.map(|change| format!("{} {}", count(change), word(change))).join(", ")
}

/// A change in a word.
fn word(change: Change) -> &'static str {
    match change {
        Change::Alike => "alike",
        Change::Differs => "differs",
        Change::Better => "better",
        Change::Worse => "worse",
    }
}

/// What is not alike, and what stands otherwise than before, in sentences.
fn changes(comparison: &Comparison) -> Vec<String> {
    let is_told = |row: &&Row| row.change != Change::Alike || row.standing_a != row.standing_b;
    let told = comparison.rows.iter().filter(is_told);
    told.flat_map(|row| {
        let style = match row.change {
            Change::Better => GOOD,
            Change::Worse => BAD,
            Change::Alike | Change::Differs => STRONG,
        };
        let plain = format!("{:<7}", word(row.change));
        let lead = format!("  {plain}  ");
        let mut lines = layout::wrapped(&lead, &sentence(row));
        if let Some(first) = lines.first_mut() {
            let rest = first.chars().skip(lead.chars().count()).collect::<String>();
            *first = format!("  {}  {rest}", styled(style, &plain));
        }
        lines
    })
    .collect()
}

fn sentence(row: &Row) -> String {
    let unit = unit(row).map(|unit| format!(" {unit}")).unwrap_or_default();
    let (a, b, difference) = (row.a.words(), row.b.words(), signed(&row.difference));
    let stands = if row.standing_a == row.standing_b {
        String::new()
    } else {
        format!("; A {}, B {}", standing(row.standing_a), standing(row.standing_b))
    };
    format!("{}: from {a}{unit} to {b}{unit}, {difference}{unit}{stands}", name(row, true))
}

fn standing(standing: Standing) -> String {
    match standing {
        Standing::Told => "not judged".to_owned(),
        standing => standing.word().to_owned(),
    }
}

/// The unit of what has one: a ratio's is 1.
fn unit(row: &Row) -> Option<&str> {
    Some(row.unit.as_str()).filter(|unit| !["", "1"].contains(unit))
}

fn name(row: &Row, with_set: bool) -> String {
    let name = format!("{}, {}", row.sequence.replace('_', " "), row.subject.replace('_', " "));
    if with_set { format!("{}, {name}", row.set) } else { name }
}

/// A difference with its sign.
fn signed(difference: &Figure) -> String {
    let words = difference.words();
    if difference.value > 0.0 { format!("+{words}") } else { words }
}

/// All figures side by side, a table a set.
fn tables(comparison: &Comparison) -> Vec<String> {
    let mut sets: Vec<&str> = comparison.rows.iter().map(|row| row.set.as_str()).collect();
    sets.dedup();
    let mut lines = Vec::new();
    for set in sets {
        let rows = comparison.rows.iter().filter(|row| row.set == set);
        let cells = rows.map(|row| {
            let unit = unit(row).map(|unit| format!(", {unit}")).unwrap_or_default();
            let name = format!("{}{unit}", name(row, false));
            vec![name, row.a.words(), row.b.words(), signed(&row.difference), word(row.change).to_owned()]
        });
        let columns = ["figure", "A", "B", "B − A", ""].map(str::to_owned).to_vec();
        let table = Table { title: set.to_owned(), columns, rows: cells.collect() };
        lines.push(String::new());
        lines.push(styled(STRONG, set));
        lines.extend(layout::table(&table, 2));
    }
    lines
}

/// What only one of the two has.
fn lacking(comparison: &Comparison) -> Vec<String> {
    let mut lines = Vec::new();
    for (letter, keys) in [("A", &comparison.only_a), ("B", &comparison.only_b)] {
        if !keys.is_empty() {
            let names: Vec<String> = keys.iter().map(|key| key.join(" ").replace('_', " ")).collect();
            lines.push(String::new());
            lines.extend(layout::wrapped(&format!("only in {letter}: "), &names.join(", ")));
        }
    }
    lines
}

fn basis(comparison: &Comparison) -> Vec<String> {
    let of = if comparison.is_calibration_left_out() {
        "repeatability alone, as one meter measured one display twice and what its calibration leaves open is in both alike".to_owned()
    } else {
        let [a, b] = [&comparison.a, &comparison.b].map(|side| side.calibration.words());
        format!("A {a}; B {b}")
    };
    let words = format!(
        "Intervals are 95 %: {of}. A difference is called real where it is beyond {:.1} times its interval, so that with 95 % confidence \
         none of these {} is called so by chance.",
        comparison.factor,
        comparison.rows.len()
    );
    layout::wrapped("", &words)
}

#[cfg(test)]
mod tests;
