//! A review as a document.

use super::{Document, Fact, Section, Statement, Tone, tolerance};
use crate::review::evaluation::{Evaluated, Evaluation, Placed, Sequenced};
use crate::review::record::Record;
use crate::show;

/// What stands on each page where nothing of it was seen on a display.
fn marks(evaluation: &Evaluation) -> Vec<String> {
    use settled_protocol::reading::Flag;
    let words = [(Flag::Simulated, "SIMULATED"), (Flag::Replayed, "REPLAYED")];
    words
        .into_iter()
        .filter(|(flag, _)| evaluation.flags.contains(flag))
        .map(|(_, word)| word.to_owned())
        .collect()
}

/// A record and what it comes to as a document.
#[must_use]
pub fn document(record: &Record, evaluation: &Evaluation) -> Document {
    let sections = evaluation
        .sets
        .iter()
        .flat_map(|set| set.sequences.iter().map(move |sequence| section(set, sequence)));
    Document {
        title: evaluation.display.clone(),
        subtitle: format!("{}, {}", evaluation.title, show::moment(evaluation.began)),
        marks: marks(evaluation),
        summary: evaluation.findings.iter().map(statement).collect(),
        sections: sections.collect(),
        conditions: vec![Fact::new("Meter", record.header.meter.clone())],
        cautions: Vec::new(),
        provenance: Vec::new(),
    }
}

fn statement(placed: &Placed) -> Statement {
    let finding = &placed.finding;
    let held = finding.tolerance.as_ref();
    Statement {
        tone: Tone::from(finding.standing),
        verdict: finding.standing.word().to_owned(),
        place: format!("{}, {}", placed.set, placed.sequence.replace('_', " ")),
        words: finding.words.clone(),
        tolerance: held.map(|held| tolerance(held, &finding.unit)).unwrap_or_default(),
        source: held.map(|held| held.source.clone()).unwrap_or_default(),
    }
}

fn section(set: &Evaluated, sequence: &Sequenced) -> Section {
    Section {
        heading: format!("{}, {}", set.name, sequence.name.replace('_', " ")),
        words: Vec::new(),
        plots: Vec::new(),
        tables: sequence.figures.iter().flat_map(crate::review::figures::part::Part::tables).collect(),
    }
}
