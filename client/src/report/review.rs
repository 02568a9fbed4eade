//! A review as a document.

use settled_protocol::reading::Flag;

use super::{Document, Plot, Section, Statement, Tone, tolerance};
use crate::chart;
use crate::review::evaluation::{Evaluated, Evaluation, Placed, Sequenced, Unsettled};
use crate::review::figures::Standing;
use crate::review::figures::part::Part;
use crate::review::record::Record;
use crate::show;

use view::View;

mod balance;
mod conditions;
mod course;
pub(super) mod gamut;
mod greys;
pub(super) mod instrument;
mod swatches;
mod uniformity;
pub(super) mod view;
mod white;
mod window;

/// Unsettled patches that are told one by one.
const MOST_TOLD: usize = 12;

/// What the words of a verdict have that say themselves what the figure is held against.
const SAID: [&str; 4] = [" is allowed", "it shall be within", "it should be within", "1/21"];

/// A record and what it comes to as a document.
///
/// # Errors
/// [`chart::Error`] if a picture can't be drawn.
pub fn document(record: &Record, evaluation: &Evaluation) -> Result<Document, chart::Error> {
    let mut sections = Vec::new();
    for set in &evaluation.sets {
        for sequence in &set.sequences {
            sections.push(section(record, evaluation, set, sequence)?);
        }
    }
    let ended = evaluation.ended.map_or_else(String::new, |ended| format!(" to {}", show::moment(ended)));
    Ok(Document {
        title: format!("Review of {}", evaluation.display),
        subtitle: format!(
            "{}, with the meter {}, {}{ended}",
            evaluation.title,
            evaluation.meter,
            show::moment(evaluation.began)
        ),
        marks: marks(evaluation),
        first: unfinished(evaluation).into_iter().chain(evaluation.rests_on_unsettled()).collect(),
        lead: lead(evaluation),
        summary: summary(evaluation),
        sections,
        conditions: conditions::conditions(record, evaluation),
        cautions: conditions::cautions(record, evaluation),
        provenance: conditions::provenance(record, evaluation),
    })
}

/// That not all of the plan was measured, where that is so.
fn unfinished(evaluation: &Evaluation) -> Option<String> {
    let (measured, planned) = evaluation.progress();
    (measured < planned).then(|| {
        format!("{measured} of {planned} stimuli measured: the review isn't finished, and what is missing is in no figure")
    })
}

/// Every verdict, those beyond a tolerance first.
fn summary(evaluation: &Evaluation) -> Vec<Statement> {
    let of = |standing: Standing| {
        evaluation.findings.iter().filter(move |placed| placed.finding.standing == standing).map(statement)
    };
    Standing::ALL.into_iter().flat_map(of).collect()
}

/// How many verdicts there are of each standing.
fn lead(evaluation: &Evaluation) -> String {
    let counted = Standing::ALL.map(|standing| format!("{} {}", evaluation.count(standing), standing.word()));
    let words = "within and beyond a tolerance are about the whole interval of 99 %; undecided is what readings can't tell";
    if evaluation.findings.is_empty() { String::new() } else { format!("{}: {words}.", counted.join(", ")) }
}

/// What stands on each page where nothing of it was seen on a display.
pub(super) fn marks(evaluation: &Evaluation) -> Vec<String> {
    let words = [(Flag::Simulated, "SIMULATED"), (Flag::Replayed, "REPLAYED")];
    let found = words.into_iter().filter(|(flag, _)| evaluation.flags.contains(flag));
    found.map(|(_, word)| word.to_owned()).collect()
}

fn statement(placed: &Placed) -> Statement {
    let finding = &placed.finding;
    let held = finding.tolerance.as_ref();
    let is_said = SAID.iter().any(|words| finding.words.contains(words));
    Statement {
        tone: Tone::from(finding.standing),
        verdict: finding.standing.word().to_owned(),
        place: heading(&placed.set, &placed.sequence),
        words: finding.words.clone(),
        tolerance: held.filter(|_| !is_said).map(|held| tolerance(held, &finding.unit)).unwrap_or_default(),
        source: held.map(|held| held.source.clone()).unwrap_or_default(),
    }
}

fn heading(set: &str, sequence: &str) -> String {
    format!("{set}, {}", sequence.replace('_', " "))
}

fn section(
    record: &Record,
    evaluation: &Evaluation,
    set: &Evaluated,
    sequence: &Sequenced,
) -> Result<Section, chart::Error> {
    let mut plots = Vec::new();
    if let Some(view) = View::new(record, evaluation, set, sequence) {
        for part in &sequence.figures {
            plots.extend(plots_of(&view, part)?);
        }
    }
    Ok(Section {
        heading: heading(&set.name, &sequence.name),
        words: words(sequence),
        plots,
        tables: sequence.figures.iter().flat_map(Part::tables).collect(),
    })
}

fn plots_of(view: &View<'_>, part: &Part) -> Result<Vec<Plot>, chart::Error> {
    match part {
        Part::White(figures) => white::plots(view, figures),
        Part::Eotf(figures) => greys::ramp(view, figures),
        Part::NearBlack(figures) => greys::near_black(view, figures),
        Part::Balance(figures) => balance::plots(view, figures),
        Part::Gamut(figures) => gamut::gamut(view, figures),
        Part::Saturation(figures) => gamut::saturation(view, figures),
        Part::Chart(figures) => swatches::plots(view, figures),
        Part::Window(figures) => window::plots(view, figures),
        Part::PeakHold(figures) => course::peak_hold(view, figures),
        Part::ColdStart(figures) => course::cold_start(view, figures),
        Part::Retention(figures) => course::retention(view, figures),
        Part::Uniformity(figures) => uniformity::plots(view, figures),
        Part::Ambient(_) => Ok(Vec::new()),
    }
}

/// What is lacking in a sequence, and what to mind.
fn words(sequence: &Sequenced) -> Vec<String> {
    let mut words = Vec::new();
    if sequence.measured == 0 {
        words.push("Not measured.".to_owned());
    } else if sequence.measured < sequence.planned {
        words.push(format!("{} of {} stimuli were measured.", sequence.measured, sequence.planned));
    }
    if sequence.measured > 0 && sequence.figures.is_empty() {
        words.push("Too little was measured for any figure.".to_owned());
    }
    words.extend(Unsettled::line(&sequence.unsettled, MOST_TOLD).map(|told| format!("Not settled: {told}.")));
    words.extend(sequence.cautions.iter().map(|caution| format!("Caution: {caution}.")));
    words
}
