//! `settle review show`: what a review comes to. Verdicts first, then tables, then what they rest on.

use std::path::PathBuf;

use clap::Args;

use super::layout;
use super::signs::Signs;
use crate::command::{Exit, Failure};
use crate::evaluate::figure::COVERED;
use crate::output::{CAUTION, FAINT, Output, STRONG, styled};
use crate::review::evaluation::{Evaluated, Evaluation, Placed, Sequenced, Unsettled};
use crate::review::figures::Standing;
use crate::review::record::Record;
use crate::review::record::shown::Shown;
use crate::show;

/// Unsettled patches that are told one by one.
const MOST_TOLD: usize = 6;

/// What it means where something has not settled.
const UNSETTLED: &str = "What has not settled counts with the best value there was and that value's interval, which knows nothing of where light that still moved was going; \
                         without a value it is in no figure.";

#[derive(Debug, Args)]
pub(in crate::command) struct Options {
    /// The record that settle review run wrote.
    file: PathBuf,
    /// Only this set.
    #[arg(long, value_name = "NAME")]
    set: Option<String>,
    /// The verdicts without the tables.
    #[arg(long)]
    brief: bool,
}

pub(in crate::command) fn run(output: Output, options: &Options) -> Result<Exit, Failure> {
    let record = super::read(&options.file)?;
    let evaluation = Evaluation::of(&record);
    let evaluation = match &options.set {
        None => evaluation,
        Some(name) => evaluation.only(name).ok_or_else(|| no_such_set(&record, name))?,
    };
    if output.json {
        output.object(&evaluation)?;
    } else {
        for line in lines(&evaluation, Signs::of_locale(), options.brief) {
            output.line(&line)?;
        }
    }
    Ok(Exit::Done)
}

fn no_such_set(record: &Record, name: &str) -> Failure {
    let names: Vec<&str> = record.header.plan.sets.iter().map(|set| set.name.as_str()).collect();
    Failure::Usage(format!("the record has no set {name}: there is {}", names.join(", ")))
}

/// All that is said.
fn lines(evaluation: &Evaluation, signs: Signs, brief: bool) -> Vec<String> {
    let mut lines = head(evaluation);
    for set in &evaluation.sets {
        lines.push(String::new());
        lines.push(styled(STRONG, &format!("{}  held against {}", set.name, set.aim.words())));
        for sequence in &set.sequences {
            lines.extend(verdicts(evaluation, set, sequence, signs));
        }
    }
    if !brief {
        lines.extend(evaluation.sets.iter().flat_map(tables));
    }
    lines.push(String::new());
    lines.extend(basis(evaluation));
    signs.told(lines)
}

/// The display, how it was measured, and how many verdicts there are of each standing.
fn head(evaluation: &Evaluation) -> Vec<String> {
    let Evaluation { display, meter, title, began, .. } = evaluation;
    let mut lines = vec![styled(STRONG, display)];
    let cautions = show::flags(meter, &evaluation.flags);
    if !cautions.is_empty() {
        lines.extend(layout::wrapped("", &cautions));
    }
    let ended = evaluation.ended.map(|ended| format!(" to {}", show::moment(ended))).unwrap_or_default();
    let words = format!("{title}, with the meter {meter}, {}{ended}", show::moment(*began));
    lines.extend(layout::wrapped("", &words));
    let counted = Standing::ALL.map(|standing| format!("{} {}", evaluation.count(standing), standing.word()));
    lines.push(counted.join(", "));
    lines.extend(lacking(evaluation));
    lines
}

/// That not all of the plan was measured, where that is so.
fn lacking(evaluation: &Evaluation) -> Option<String> {
    let (measured, planned) = evaluation.progress();
    (measured < planned).then(|| {
        styled(CAUTION, &format!("{measured} of {planned} stimuli measured: the review isn't finished"))
    })
}

/// A sequence's verdicts, and what is lacking.
fn verdicts(evaluation: &Evaluation, set: &Evaluated, sequence: &Sequenced, signs: Signs) -> Vec<String> {
    let mut lines = vec![format!("  {}", sequence.name.replace('_', " "))];
    let is_here = |placed: &&Placed| placed.set == set.name && placed.sequence == sequence.name;
    for Placed { finding, .. } in evaluation.findings.iter().filter(is_here) {
        lines.extend(signs.verdict(finding.standing, &finding.words));
    }
    if sequence.measured == 0 {
        lines.push(styled(FAINT, "    not measured"));
    } else if sequence.measured < sequence.planned {
        lines.push(format!("    {} of {} stimuli measured", sequence.measured, sequence.planned));
    }
    if sequence.measured > 0 && sequence.figures.is_empty() {
        lines.push("    too little was measured for any figure".to_owned());
    }
    lines.extend(unsettled(sequence));
    let cautions = sequence.cautions.iter().flat_map(|caution| layout::wrapped("    !  ", caution));
    lines.extend(cautions.map(|line| styled(CAUTION, &line)));
    lines
}

/// The patches without a settled value.
fn unsettled(sequence: &Sequenced) -> Vec<String> {
    let told = Unsettled::line(&sequence.unsettled, MOST_TOLD);
    told.map(|told| layout::wrapped("    not settled: ", &told)).unwrap_or_default()
}

fn tables(set: &Evaluated) -> Vec<String> {
    let mut lines = Vec::new();
    for sequence in &set.sequences {
        for table in sequence.figures.iter().flat_map(|part| part.tables()) {
            lines.push(String::new());
            lines.push(styled(
                STRONG,
                &format!("{}, {}: {}", set.name, sequence.name.replace('_', " "), table.title),
            ));
            lines.extend(layout::table(&table, 2));
        }
    }
    lines
}

/// What the figures rest on.
fn basis(evaluation: &Evaluation) -> Vec<String> {
    let words = format!(
        "Intervals are {COVERED}: {}. Verdicts are by 99 % throughout.",
        evaluation.calibration.words()
    );
    let mut lines = layout::wrapped("", &words);
    if evaluation.findings.iter().any(|placed| placed.repeatability_alone) {
        let words = "A verdict by repeatability alone takes the meter for exact where it holds the display against what isn't its own: \
                     --luminance-uncertainty and --chromaticity-uncertainty of settle review run state how exact it is.";
        lines.extend(layout::wrapped("", words));
    }
    lines
        .extend(anew(evaluation).iter().flat_map(|anew| layout::wrapped("", &format!("{UNSETTLED} {anew}"))));
    lines.extend(evaluation.corrections.as_deref().and_then(corrected));
    lines.extend(shown(&evaluation.shown));
    for noted in &evaluation.notes {
        lines.extend(layout::wrapped(&format!("{}  ", show::moment(noted.at)), &noted.words));
    }
    lines
}

/// What can be done about what has not settled; nothing where all has.
fn anew(evaluation: &Evaluation) -> Option<&'static str> {
    let unsettled =
        evaluation.sets.iter().flat_map(|set| &set.sequences).filter(|of| !of.unsettled.is_empty());
    let (parts, single): (Vec<_>, Vec<_>) = unsettled.partition(|sequence| sequence.is_procedure);
    match (single.is_empty(), parts.is_empty()) {
        (true, true) => None,
        (false, true) => Some("settle review run with --again measures it anew."),
        (false, false) => Some(
            "settle review run with --again measures it anew, but for parts of a procedure: that takes another record.",
        ),
        (true, false) => {
            Some("A part of a procedure isn't measured anew by itself: that takes another record.")
        }
    }
}

/// What became of the light before it was read; nothing where nothing was read.
fn corrected(corrections: &[String]) -> Option<String> {
    match corrections {
        [] => None,
        [none] if none == "none" => Some("The meter's readings were not corrected.".to_owned()),
        [one] => Some(format!("The meter's readings went through its correction {one}.")),
        several => {
            let words = format!(
                "The meter's readings went through more than one correction: {}.",
                several.join(", ")
            );
            Some(styled(CAUTION, &words))
        }
    }
}

/// How stimuli were shown, with the time where there is more than one way; then what may make their light other than it should be.
fn shown(ways: &[Shown]) -> Vec<String> {
    let mut lines = Vec::new();
    for Shown { at, means } in ways {
        let since = if ways.len() > 1 { format!("{}  ", show::moment(*at)) } else { String::new() };
        lines.extend(layout::wrapped(&since, &format!("Stimuli were {}.", means.words())));
        let cautions = means.cautions.iter().flat_map(|words| layout::wrapped("!  ", words));
        lines.extend(cautions.map(|line| styled(CAUTION, &line)));
    }
    lines
}

#[cfg(test)]
mod tests;
