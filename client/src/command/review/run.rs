//! `settle review run`: from the command line to a review that can begin.

use std::io::IsTerminal;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use clap::Args;
use serde_json::json;
use settled_drivers::nearest;
use settled_protocol::meter::Meter;
use settled_protocol::method::{MetersList, Nothing, RunsList};
use settled_protocol::run::{ListRuns, RunState};
use settled_protocol::text::Text;

use super::super::{Context, Exit, Failure, MeterArgument, flush};
use super::book::{book, must_be_writable};
use super::ended::Ended;
use super::journey::Journey;
use super::looking::must_suit;
use super::plans;
use super::progress::Progress;
use crate::asking;
use crate::connection::Connection;
use crate::output::{CAUTION, GOOD, Output, styled};
use crate::quantities::{number, percent, within};
use crate::review::caution::{cautions, consents};
use crate::review::evaluation::Unsettled;
use crate::review::itinerary::{Again, Itinerary, Stop, stops};
use crate::review::plan::Plan;
use crate::review::record::Entry;
use crate::review::record::reading::Loaded;
use crate::review::record::writing::Book;
use crate::stimulus::way::{Kind, Way};

/// Stimuli that have not settled and are told one by one.
const MOST_TOLD: usize = 6;

#[derive(Debug, Args)]
pub(in crate::command) struct Options {
    /// The plan: a TOML file, or the name of one that comes along (settle review plans).
    plan: String,
    /// The file that what is measured is written to; if it is there already, with the same plan, the review goes on where it stopped.
    #[arg(long, value_name = "FILE")]
    pub(super) into: PathBuf,
    /// The display, in your words [default: the file's name].
    #[arg(long, value_name = "WORDS")]
    pub(super) display: Option<String>,
    /// The meter; may be left out where there is only one.
    #[arg(long)]
    meter: Option<String>,
    /// Measure this set of the plan alone.
    #[arg(long, value_name = "NAME")]
    pub(super) set: Option<String>,
    /// The standard uncertainty of the meter's luminance, with its %, as its certificate states it (half of that for k = 2).
    #[arg(long, value_name = "PERCENT", allow_hyphen_values = true, value_parser = within(percent, 0.0..=50.0, "0% to 50%"))]
    pub(super) luminance_uncertainty: Option<f64>,
    /// The standard uncertainty of its u′ and of its v′.
    #[arg(long, value_name = "UV", allow_hyphen_values = true, value_parser = within(number, 0.0..=0.1, "0 to 0.1"))]
    pub(super) chromaticity_uncertainty: Option<f64>,
    /// Measure anew, too, what has not settled; of each stimulus the last counts.
    #[arg(long)]
    pub(super) again: bool,
    /// Agree to what would be asked: a bright patch that is held for long.
    #[arg(long)]
    yes: bool,
    #[command(flatten)]
    way: Way,
}

pub(super) async fn run(context: &Context, options: Options) -> Result<Exit, Failure> {
    let output = context.output;
    let plan = plan(&options.plan)?;
    must_have(&plan, options.set.as_deref())?;
    let connection = Arc::new(context.connect().await?);
    connection.introduce(Text::try_from("settle review".to_owned()).ok()).await?;
    let meter = meter(&connection, options.meter.clone()).await?;
    must_suit(&meter)?;
    let simulated = meter.simulated && !meter.replayed;
    if let Some(mistake) = options.way.mistake(simulated) {
        return Err(Failure::Usage(mistake));
    }
    must_be_shown(&plan, &options, simulated)?;
    must_be_writable(&plan, &meter, &options)?;
    spare_runs(output, &connection, &meter).await?;
    let consented = consent(output, &plan, &options).await?;
    if !consented {
        return Err(Failure::Usage("nothing was measured: it was not agreed to".to_owned()));
    }
    let book = book(output, &connection, (&plan, &meter), &options).await?;
    let on_stage = options.way.kind(simulated) == Kind::Stage;
    let progress = Progress::new(output);
    let itinerary =
        Itinerary { only: options.set.clone(), again: again(&plan, &options, &book.record().entries) };
    let mut journey =
        Journey::new(context, (meter.id, on_stage), &options.way, itinerary, book, progress, options.yes);
    let ended = journey.travel(&plan, Arc::clone(&connection)).await;
    output.end_status();
    let exit = match ended {
        Ok(()) => Exit::Done,
        Err(Ended::Interrupted) => {
            flush(&connection).await;
            Exit::Interrupted
        }
        Err(ended) => {
            say_how_to_go_on(output, &options.into);
            return Err(ended.into());
        }
    };
    sum_up(output, &plan, &options, journey.book())?;
    if exit == Exit::Interrupted {
        say_how_to_go_on(output, &options.into);
    }
    Ok(exit)
}

fn say_how_to_go_on(output: Output, file: &Path) {
    if !output.json {
        output.aside(&format!(
            "what was measured is in {}: the same command goes on where it stopped",
            file.display()
        ));
    }
}

/// The plan of a file, or one that comes along.
pub(super) fn plan(named: &str) -> Result<Plan, Failure> {
    let path = Path::new(named);
    if !path.exists() {
        return plans::plan_of(plans::named(named)?);
    }
    let text =
        std::fs::read_to_string(path).map_err(|error| Failure::Input(format!("reading {named}: {error}")))?;
    Plan::read(path, &text).map_err(|problems| Failure::Usage(format!("the plan has mistakes\n{problems}")))
}

/// Refuses the name of a set that the plan hasn't.
pub(super) fn must_have(plan: &Plan, set: Option<&str>) -> Result<(), Failure> {
    let names: Vec<&str> = plan.sets.iter().map(|set| set.name.as_str()).collect();
    match set.filter(|set| !names.contains(set)) {
        None => Ok(()),
        Some(set) => {
            let hint = nearest::hint(set, &names, "it has");
            Err(Failure::Usage(format!("--set: the plan has no {set:?}{hint}")))
        }
    }
}

/// What of the plan is still to be measured.
fn left<'a>(plan: &'a Plan, options: &Options) -> Vec<Stop<'a>> {
    // What can't be read is told once it is to be gone on with.
    let known = Loaded::read(&options.into).map(|loaded| loaded.record.entries).unwrap_or_default();
    again(plan, options, &known).stops(plan, &known, options.set.as_deref())
}

/// What of it is measured anew.
pub(super) fn again(plan: &Plan, options: &Options, entries: &[Entry]) -> Again {
    if options.again { Again::unsettled(plan, entries) } else { Again::default() }
}

/// Refuses what can't be shown in this way as it is meant, before anything is asked, written or opened.
fn must_be_shown(plan: &Plan, options: &Options, simulated: bool) -> Result<(), Failure> {
    for stop in left(plan, options) {
        let (set, sequence) = (stop.set, stop.sequence);
        let shown = options.way.can_show(simulated, set.coding, set.aim.transfer);
        shown.map_err(|error| Failure::Usage(format!("{}: {}", set.name, error.why)))?;
        if let Some(words) = options.way.mistaken(&stop.step.patch.name, &stop.place()) {
            return Err(Failure::Usage(format!("{}, {}: {words}", set.name, sequence.name)));
        }
    }
    Ok(())
}

async fn meter(connection: &Connection, named: Option<String>) -> Result<Meter, Failure> {
    let id = MeterArgument::named(named).resolve(connection).await?;
    let meters = connection.call::<MetersList>(&Nothing {}).await?.meters;
    let known = meters.into_iter().find(|meter| meter.id == id);
    known
        .ok_or_else(|| Failure::Usage(format!("there is no meter {id}; settle meters lists those there are")))
}

/// Says what one should know before, and asks for what must be agreed to.
async fn consent(output: Output, plan: &Plan, options: &Options) -> Result<bool, Failure> {
    let stops = left(plan, options);
    if stops.is_empty() {
        return Ok(true);
    }
    for words in cautions(&stops) {
        output.note(&styled(CAUTION, &words), &json!({ "caution": { "message": words } }));
    }
    let asked = consents(&stops);
    if asked.is_empty() || options.yes {
        return Ok(true);
    }
    let words = format!("{}. That can leave a mark that stays.", asked.join("; "));
    if !std::io::stdin().is_terminal() {
        return Err(Failure::Usage(format!("{words} Agree to it with --yes, or leave it out of the plan")));
    }
    Ok(asking::agrees(output, &format!("{words} Go on?")).await)
}

/// Says that a run will lack what the review takes: it has the meter for itself.
async fn spare_runs(output: Output, connection: &Connection, meter: &Meter) -> Result<(), Failure> {
    let running =
        ListRuns { meter: Some(meter.id.clone()), state: Some(RunState::Running), ..ListRuns::default() };
    // Without a log there are no runs.
    let Ok(page) = connection.call::<RunsList>(&running).await else { return Ok(()) };
    for run in page.runs {
        let words = format!(
            "run {} is under way with {}: it has no readings while the review has the meter, and its record a gap",
            run.run, meter.id
        );
        output.note(&styled(CAUTION, &words), &json!({ "caution": { "message": words } }));
    }
    Ok(())
}

/// Says how far it has come.
fn sum_up(output: Output, plan: &Plan, options: &Options, book: &Book) -> Result<(), Failure> {
    let entries = &book.record().entries;
    let left = stops(plan, entries, options.set.as_deref()).len();
    let all = stops(plan, &[], options.set.as_deref()).len();
    let unsettled = unsettled(plan, options, book);
    let (file, measured) = (book.path(), all - left);
    if output.json {
        output.object(&json!({ "review": {
            "file": file, "measured": measured, "settled": measured.saturating_sub(unsettled.len()), "left": left,
        } }))?;
        return Ok(());
    }
    output.line(&styled(GOOD, &format!("{measured} of {all} stimuli measured, in {}", file.display())))?;
    for words in unsettled.iter().take(MOST_TOLD) {
        output.line(&format!("  not settled: {words}"))?;
    }
    if unsettled.len() > MOST_TOLD {
        output.line(&format!("  and {} more: settle review show has them", unsettled.len() - MOST_TOLD))?;
    }
    if !unsettled.is_empty() {
        let single = Again::unsettled(plan, entries).count(plan, entries, options.set.as_deref());
        output.line(what_of_them(single, unsettled.len() - single.min(unsettled.len())))?;
    }
    Ok(())
}

/// What becomes of what has not settled, and what can be done: a part of a procedure is never measured anew.
fn what_of_them(single: usize, parts: usize) -> &'static str {
    match (single, parts) {
        (_, 0) => {
            "They count with the best value there was. The same command with --again measures them anew."
        }
        (0, _) => {
            "They count with the best value there was. As parts of a procedure none is measured anew by itself: that takes another record."
        }
        _ => {
            "They count with the best value there was. The same command with --again measures them anew, but for parts of a procedure: that takes another record."
        }
    }
}

/// What has not settled, each with where it belongs and how that ended.
fn unsettled(plan: &Plan, options: &Options, book: &Book) -> Vec<String> {
    let only = options.set.as_deref();
    let sets = plan.sets.iter().filter(|set| only.is_none_or(|only| set.name == only));
    let sequences = sets.flat_map(|set| set.sequences.iter().map(move |sequence| (set, sequence)));
    let told = sequences.flat_map(|(set, sequence)| {
        let patches = book.record().patches(set, &sequence.name).into_iter();
        let place = format!("{}, {}", set.name, sequence.name.replace('_', " "));
        patches.filter_map(move |patch| Some(format!("{place}: {}", Unsettled::of(patch)?.words())))
    });
    told.collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nobody_is_told_to_measure_anew_what_is_not_measured_anew() {
        assert!(what_of_them(2, 0).ends_with("with --again measures them anew."));
        assert!(!what_of_them(0, 1).contains("--again") && what_of_them(0, 1).contains("another record"));
        let both = what_of_them(2, 1);
        assert!(
            both.contains("--again measures them anew, but for parts") && both.contains("another record")
        );
    }
}
