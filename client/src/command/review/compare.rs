//! `settle review compare`: two displays, or one before and after.

use std::path::PathBuf;

use clap::Args;

use super::layout;
use super::signs::Signs;
use crate::command::{Exit, Failure};
use crate::output::{BAD, CAUTION, GOOD, Output, STRONG, styled};
use crate::review::compare::{Change, Comparison, Row, words};
use crate::review::figures::Table;
use crate::show;

/// Columns of the longest word for a change.
const CHANGE: usize = 7;

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
        lines.extend(layout::wrapped(&format!("{letter}  "), &words::told(side)));
    }
    for caution in &comparison.cautions {
        lines.extend(layout::wrapped("!  ", caution).iter().map(|line| styled(CAUTION, line)));
    }
    lines.extend(layout::wrapped("", &words::lead(comparison)));
    lines.extend(changes(comparison));
    lines.extend(tables(comparison));
    lines.extend(lacking(comparison));
    lines.push(String::new());
    lines.extend(basis(comparison));
    signs.told(lines)
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
        let plain = format!("{:<CHANGE$}", words::change(row.change));
        let lead = format!("  {plain}  ");
        let mut lines = layout::wrapped(&lead, &words::sentence(row, &words::name(row)));
        if let Some(first) = lines.first_mut() {
            let rest = first.chars().skip(lead.chars().count()).collect::<String>();
            *first = format!("  {}  {rest}", styled(style, &plain));
        }
        lines
    })
    .collect()
}

/// All figures side by side, a table a sequence.
fn tables(comparison: &Comparison) -> Vec<String> {
    let mut places: Vec<(&str, &str)> = Vec::new();
    for row in &comparison.rows {
        let place = (row.set.as_str(), row.sequence.as_str());
        if !places.contains(&place) {
            places.push(place);
        }
    }
    let mut lines = Vec::new();
    for (set, sequence) in places {
        let rows = comparison.rows.iter().filter(|row| row.set == set && row.sequence == sequence);
        let cells = rows.map(|row| {
            let unit = words::unit(row).map(|unit| format!(", {unit}")).unwrap_or_default();
            let name = format!("{}{unit}", words::subject(row));
            let change = words::change(row.change);
            // In one column with the difference: where columns go on below, none of them is a word alone.
            let difference = format!("{}  {change:<CHANGE$}", words::signed(&row.difference));
            vec![name, row.a.words(), row.b.words(), difference]
        });
        let difference = format!("B − A  {:CHANGE$}", "");
        let columns = ["figure", "A", "B", &difference].map(str::to_owned).to_vec();
        let title = format!("{set}, {}", sequence.replace('_', " "));
        let table = Table { title: title.clone(), columns, rows: cells.collect() };
        lines.push(String::new());
        lines.push(styled(STRONG, &title));
        lines.extend(layout::table(&table, 2));
    }
    lines
}

/// What only one of the two has.
fn lacking(comparison: &Comparison) -> Vec<String> {
    let mut lines = Vec::new();
    for (letter, keys) in [("A", &comparison.only_a), ("B", &comparison.only_b)] {
        if !keys.is_empty() {
            lines.push(String::new());
            lines.extend(layout::wrapped(&format!("only in {letter}: "), &words::lacking(keys)));
        }
    }
    lines
}

fn basis(comparison: &Comparison) -> Vec<String> {
    layout::wrapped("", &words::basis(comparison))
}

#[cfg(test)]
mod tests;
