//! Two reviews side by side as a document: what got better or worse beyond uncertainty, and both curves in each picture.
//!
//! A is what it is held against, B what is reported; differences are B less A, as in [`crate::review::compare`].

use settled_protocol::reading::Flag;

use super::review::instrument;
use super::rows::Row;
use super::{Document, Fact, Section, Statement, Tone};
use crate::chart;
use crate::evaluate::figure::COVERED;
use crate::review::compare::{Change, Comparison, Row as Compared, Side, words};
use crate::review::evaluation::Evaluation;
use crate::review::figures::Table;
use crate::review::record::Record;
use crate::show;

mod curves;
mod overview;

use curves::Pair;

/// Two records, A first, and what they come to as a document; `evaluations` as [`Comparison::with_evaluations`] gives them.
///
/// # Errors
/// [`chart::Error`] if a picture can't be drawn.
pub fn document(
    records: [&Record; 2],
    comparison: &Comparison,
    evaluations: &[Evaluation; 2],
) -> Result<Document, chart::Error> {
    let pair = Pair { records, evaluations, marks: marks(comparison) };
    let mut sections = vec![all(comparison, &pair)?];
    for set in &evaluations[0].sets {
        for sequence in &set.sequences {
            sections.extend(section(&pair, comparison, &set.name, &sequence.name)?);
        }
    }
    Ok(Document {
        title: title(comparison),
        subtitle: format!("A is {}. B is {}.", words::told(&comparison.a), words::told(&comparison.b)),
        marks: marks(comparison),
        first: comparison.cautions.clone(),
        lead: words::lead(comparison),
        summary: summary(comparison),
        sections,
        conditions: conditions(comparison, records, evaluations),
        cautions: cautions(),
        provenance: provenance(records),
    })
}

fn title(comparison: &Comparison) -> String {
    if comparison.same_display {
        format!("{}, measured twice", comparison.a.display)
    } else {
        format!("{} beside {}", comparison.b.display, comparison.a.display)
    }
}

/// What stands on each page where nothing of either was seen on a display.
fn marks(comparison: &Comparison) -> Vec<String> {
    let has = |flag: &Flag| comparison.a.flags.contains(flag) || comparison.b.flags.contains(flag);
    let words = [(Flag::Simulated, "SIMULATED"), (Flag::Replayed, "REPLAYED")];
    words.into_iter().filter(|(flag, _)| has(flag)).map(|(_, word)| word.to_owned()).collect()
}

fn tone(change: Change) -> Tone {
    match change {
        Change::Better => Tone::Good,
        Change::Worse => Tone::Bad,
        Change::Differs => Tone::Other,
        Change::Alike => Tone::Plain,
    }
}

/// Each difference that is one, or that stands otherwise than before: the worse first.
fn summary(comparison: &Comparison) -> Vec<Statement> {
    let told = |row: &Compared| Statement {
        tone: tone(row.change),
        verdict: words::change(row.change).to_owned(),
        place: heading(&row.set, &row.sequence),
        words: words::sentence(row, &words::subject(row)),
        tolerance: words::reason(row, &comparison.rows).to_owned(),
        source: String::new(),
    };
    let of = |change: Change| {
        let rows = comparison.rows.iter().filter(move |row| row.change == change);
        rows.filter(|row| row.change != Change::Alike || row.standing_a != row.standing_b).map(told)
    };
    [Change::Worse, Change::Better, Change::Differs, Change::Alike].into_iter().flat_map(of).collect()
}

fn heading(set: &str, sequence: &str) -> String {
    format!("{set}, {}", sequence.replace('_', " "))
}

/// Every difference in one picture, and what only one of the two has.
fn all(comparison: &Comparison, pair: &Pair<'_>) -> Result<Section, chart::Error> {
    let mut told = vec![words::basis(comparison)];
    for (letter, keys) in [("A", &comparison.only_a), ("B", &comparison.only_b)] {
        if !keys.is_empty() {
            told.push(format!("Only in {letter}: {}.", words::lacking(keys)));
        }
    }
    let plots = overview::plot(comparison, &pair.marks)?.into_iter().collect();
    Ok(Section { heading: "All differences".to_owned(), words: told, plots, tables: Vec::new() })
}

/// One sequence that both have; nothing where they have neither a figure nor a curve in common.
fn section(
    pair: &Pair<'_>,
    comparison: &Comparison,
    set: &str,
    sequence: &str,
) -> Result<Option<Section>, chart::Error> {
    let plots = curves::plots(pair, set, sequence)?;
    let rows = comparison.rows.iter().filter(|row| row.set == set && row.sequence == sequence);
    let rows: Vec<Vec<String>> = rows.map(cells).collect();
    if plots.is_empty() && rows.is_empty() {
        return Ok(None);
    }
    let columns = ["figure", "A", "B", "B − A", "of A, %", ""].map(str::to_owned).to_vec();
    let table =
        Table { title: "Figures of both, each with its own interval of 95 %".to_owned(), columns, rows };
    let tables = if table.rows.is_empty() { Vec::new() } else { vec![table] };
    Ok(Some(Section { heading: heading(set, sequence), words: Vec::new(), plots, tables }))
}

fn cells(row: &Compared) -> Vec<String> {
    let unit = words::unit(row).map(|unit| format!(", {unit}")).unwrap_or_default();
    let name = format!("{}{unit}", words::subject(row));
    let change = words::change(row.change).to_owned();
    let percent = row.relative_percent.map(|percent| percent.signed()).unwrap_or_default();
    vec![name, row.a.words(), row.b.words(), words::signed(&row.difference), percent, change]
}

fn conditions(comparison: &Comparison, records: [&Record; 2], evaluations: &[Evaluation; 2]) -> Vec<Fact> {
    let sides = [("A", &comparison.a), ("B", &comparison.b)];
    let mut facts = Vec::new();
    for (((letter, side), record), evaluation) in sides.into_iter().zip(records).zip(evaluations) {
        let Side { display, meter, title, began, calibration, .. } = side;
        let ended = evaluation.ended.map_or_else(String::new, |ended| format!(" to {}", show::moment(ended)));
        facts.push(Fact::new(&format!("{letter}: display"), display.clone()));
        facts.push(Fact::new(&format!("{letter}: plan"), title.clone()));
        facts.push(Fact::new(&format!("{letter}: measured"), format!("{}{ended}", show::moment(*began))));
        let told = instrument::facts(&record.header).into_iter();
        facts.extend(
            told.map(|Fact { name, value }| Fact::new(&format!("{letter}: {}", name.to_lowercase()), value)),
        );
        facts.push(Fact::new(
            &format!("{letter}: intervals"),
            format!("{COVERED}; beside the other, of 95 %: {}", calibration.words()),
        ));
        let told: Vec<Flag> = side.flags.iter().copied().filter(|flag| *flag != Flag::Shared).collect();
        let flags = if told.is_empty() { "none".to_owned() } else { show::flags(meter, &told) };
        facts.push(Fact::new(&format!("{letter}: flags on readings"), flags));
    }
    facts
}

fn cautions() -> Vec<String> {
    vec![
        "A difference that isn't called real may be one all the same: the readings can't tell it. Verdicts are about what was measured where the meter looked, on those days."
            .to_owned(),
    ]
}

fn provenance([a, b]: [&Record; 2]) -> Vec<Fact> {
    let mut facts = Vec::new();
    for (letter, record) in [("A", a), ("B", b)] {
        let measured = instrument::measured_by(&record.header);
        facts.extend(measured.map(|words| Fact::new(&format!("{letter}: measured by"), words)));
        let plan = &record.header.plan;
        facts.push(Fact::new(
            &format!("{letter}: sets of the plan"),
            plan.sets.iter().map(|set| set.name.clone()).collect::<Vec<_>>().join(", "),
        ));
    }
    facts.push(Fact::new("Report by", format!("settle {}", env!("CARGO_PKG_VERSION"))));
    facts
}

/// Every figure of both and its difference, one a line: `patch` says whose it is.
#[must_use]
pub fn rows(comparison: &Comparison) -> Vec<Row> {
    let of = |row: &Compared| {
        let one = |patch: &str, figure: &crate::evaluate::figure::Figure, verdict: &str| Row {
            set: row.set.clone(),
            sequence: row.sequence.clone(),
            patch: patch.to_owned(),
            quantity: row.subject.clone(),
            verdict: verdict.to_owned(),
            ..Row::default().with(Some(*figure), words::unit(row).unwrap_or_default())
        };
        [
            one("A", &row.a, row.standing_a.word()),
            one("B", &row.b, row.standing_b.word()),
            one("B - A", &row.difference, words::change(row.change)),
        ]
    };
    comparison.rows.iter().flat_map(of).collect()
}

#[cfg(test)]
mod tests;
