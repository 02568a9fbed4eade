//! `settle review run`: from the command line to a review that can begin.

use std::io::IsTerminal;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use clap::Args;
use serde_json::json;
use settled_drivers::nearest;
use settled_protocol::meter::Meter;
use settled_protocol::method::{DaemonStatus, MetersList, Nothing, RunsList};
use settled_protocol::run::{ListRuns, RunState};
use settled_protocol::settling::Verdict;
use settled_protocol::text::Text;

use super::super::{Context, Exit, Failure, MeterArgument, flush, wall_clock};
use super::ended::Ended;
use super::journey::Journey;
use super::plans;
use super::progress::Progress;
use crate::asking;
use crate::connection::Connection;
use crate::output::{CAUTION, GOOD, Output, styled};
use crate::quantities::{number, percent, within};
use crate::review::caution::{cautions, consents};
use crate::review::itinerary::{Stop, stops};
use crate::review::plan::Plan;
use crate::review::record::reading::{FORM, Loaded};
use crate::review::record::writing::Book;
use crate::review::record::{Entry, Header};
use crate::stimulus::way::{Kind, Way};

#[derive(Debug, Args)]
pub(in crate::command) struct Options {
    /// The plan: a TOML file, or the name of one that comes along (settle review plans).
    plan: String,
    /// The file that what is measured is written to; if it is there already, with the same plan, the review goes on where it stopped.
    #[arg(long, value_name = "FILE")]
    into: PathBuf,
    /// The display, in your words [default: the file's name].
    #[arg(long, value_name = "WORDS")]
    display: Option<String>,
    /// The meter; may be left out where there is only one.
    #[arg(long)]
    meter: Option<String>,
    /// Measure this set of the plan alone.
    #[arg(long, value_name = "NAME")]
    set: Option<String>,
    /// The standard uncertainty of the meter's luminance, with its %, as its certificate states it (half of that for k = 2).
    #[arg(long, value_name = "PERCENT", allow_hyphen_values = true, value_parser = within(percent, 0.0..=50.0, "0% to 50%"))]
    luminance_uncertainty: Option<f64>,
    /// The standard uncertainty of its u′ and of its v′.
    #[arg(long, value_name = "UV", allow_hyphen_values = true, value_parser = within(number, 0.0..=0.1, "0 to 0.1"))]
    chromaticity_uncertainty: Option<f64>,
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
    let simulated = meter.simulated && !meter.replayed;
    if let Some(mistake) = options.way.mistake(simulated) {
        return Err(Failure::Usage(mistake));
    }
    must_be_shown(&plan, &options, simulated)?;
    spare_runs(output, &connection, &meter).await?;
    let consented = consent(output, &plan, &options).await?;
    if !consented {
        return Err(Failure::Usage("nothing was measured: it was not agreed to".to_owned()));
    }
    let book = book(output, &connection, (&plan, &meter), &options).await?;
    let on_stage = options.way.kind(simulated) == Kind::Stage;
    let progress = Progress::new(output);
    let (only, agreed) = (options.set.clone(), options.yes);
    let mut journey = Journey::new(context, (meter.id, on_stage), &options.way, only, book, progress, agreed);
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
    stops(plan, &known, options.set.as_deref())
}

/// Refuses what can't be shown in this way as it is meant, before anything is asked, written or opened.
fn must_be_shown(plan: &Plan, options: &Options, simulated: bool) -> Result<(), Failure> {
    for Stop { set, .. } in left(plan, options) {
        let shown = options.way.can_show(simulated, set.coding, set.aim.transfer);
        shown.map_err(|error| Failure::Usage(format!("{}: {}", set.name, error.why)))?;
    }
    Ok(())
}

async fn meter(connection: &Connection, named: Option<String>) -> Result<Meter, Failure> {
    let id = MeterArgument { meter: named }.resolve(connection).await?;
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

fn serial(meter: &Meter) -> Option<String> {
    meter.instrument.as_ref().and_then(|instrument| instrument.serial.clone())
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

/// Begins the record, or goes on with it.
async fn book(
    output: Output,
    connection: &Connection,
    (plan, meter): (&Plan, &Meter),
    options: &Options,
) -> Result<Book, Failure> {
    let path = &options.into;
    let failed = |error: &dyn std::error::Error| Failure::Input(settled_drivers::fault::chain(error));
    let log = connection.call::<DaemonStatus>(&Nothing {}).await?.log.id;
    if Book::is_to_begin(path) {
        let stem = || path.file_stem().map_or_else(String::new, |stem| stem.to_string_lossy().into_owned());
        let header = Header {
            review: FORM,
            display: options.display.clone().unwrap_or_else(stem),
            meter: meter.id.clone(),
            serial: serial(meter),
            log,
            began: wall_clock(),
            plan: plan.clone(),
            least_cd_m2: meter.instrument.as_ref().and_then(|instrument| Some(instrument.range?.min)),
            luminance_u: options.luminance_uncertainty.map(|percent| percent / 100.0),
            chromaticity_u: options.chromaticity_uncertainty,
        };
        return Book::create(path, header).map_err(|error| failed(&error));
    }
    let (mut book, torn) = Book::reopen(path).map_err(|error| failed(&error))?;
    let differing = differing(&book.record().header, (plan, meter), options);
    if !differing.is_empty() {
        let (path, differing) = (path.display(), differing.join("; "));
        return Err(Failure::Usage(format!(
            "{path} is of another review: {differing}; name another file with --into"
        )));
    }
    let cut = if torn.is_some() { "; a line that was cut off was dropped" } else { "" };
    let left = stops(plan, &book.record().entries, options.set.as_deref()).len();
    if left > 0 {
        let other = other_log(book.record().header.log.as_deref(), log.as_deref());
        let another = maybe_another(book.record().header.serial.as_deref(), serial(meter).as_deref());
        let words = format!("the review was gone on with{cut}{other}{another}");
        book.append(Entry::Note { at: wall_clock(), words }).map_err(|error| failed(&error))?;
    }
    output.note(
        &format!("{} is there already: {left} stimuli are left of it", path.display()),
        &json!({ "resumed": { "file": path, "left": left } }),
    );
    Ok(book)
}

/// What is to be said of the numbers of readings, where the log is another one than that which the record began with.
fn other_log(began: Option<&str>, now: Option<&str>) -> String {
    match (began, now) {
        (began, now) if began == now => String::new(),
        (_, Some(now)) => format!("; numbers of readings are those of another log from here on, {now}"),
        (_, None) => "; readings are in no log from here on".to_owned(),
    }
}

/// What is to be said where nobody knows whether the instrument is the one that the record began with.
fn maybe_another(began: Option<&str>, now: Option<&str>) -> String {
    match (began, now) {
        (Some(began), None) => format!("; the meter tells no serial number from here on, which was {began}"),
        (None, Some(now)) => {
            format!("; the meter's serial number is {now} from here on, and was not known before")
        }
        (Some(_), Some(_)) | (None, None) => String::new(),
    }
}

/// In what a record is not of this review.
fn differing(header: &Header, (plan, meter): (&Plan, &Meter), options: &Options) -> Vec<String> {
    let mut differing = header.plan.differences(plan);
    if header.meter != meter.id {
        differing.push(format!("the meter is {}, not {}", meter.id, header.meter));
    }
    let now = serial(meter);
    if let (Some(began), Some(now)) = (&header.serial, &now)
        && began != now
    {
        differing.push(format!("the meter's serial number is {now}, not {began}: it is another instrument"));
    }
    let named = |now: &str| format!("the display is {now:?}, not {:?}", header.display);
    let display = options.display.as_ref().filter(|display| **display != header.display);
    differing.extend(display.map(|display| named(display)));
    let stated = |of: &str, before: Option<f64>, now: Option<f64>| {
        let before_words = before.map_or("not stated".to_owned(), |before| before.to_string());
        let differs = now.filter(|now| before != Some(*now));
        differs
            .map(|now| format!("the meter's standard uncertainty of {of} is {now}, and was {before_words}"))
    };
    let luminance_u = options.luminance_uncertainty.map(|percent| percent / 100.0);
    differing.extend(stated("luminance", header.luminance_u, luminance_u));
    differing.extend(stated("u′ and v′", header.chromaticity_u, options.chromaticity_uncertainty));
    differing
}

/// Says how far it has come.
fn sum_up(output: Output, plan: &Plan, options: &Options, book: &Book) -> Result<(), Failure> {
    let entries = &book.record().entries;
    let left = stops(plan, entries, options.set.as_deref()).len();
    let all = stops(plan, &[], options.set.as_deref()).len();
    let mut unsettled: Vec<String> = Vec::new();
    let only = options.set.as_deref();
    for set in plan.sets.iter().filter(|set| only.is_none_or(|only| set.name == only)) {
        for sequence in &set.sequences {
            for patch in book.record().patches(set, &sequence.name) {
                if patch.verdict != Verdict::Settled {
                    let place = format!("{}, {}: {}", set.name, sequence.name, patch.patch.name);
                    unsettled.push(format!("{place} ({})", patch.verdict.name()));
                }
            }
        }
    }
    let (file, measured) = (book.path(), all - left);
    if output.json {
        let unsettled_count = unsettled.len();
        output.object(&json!({ "review": {
            "file": file, "measured": measured, "settled": measured.saturating_sub(unsettled_count), "left": left,
        } }))?;
        return Ok(());
    }
    output.line(&styled(GOOD, &format!("{measured} of {all} stimuli measured, in {}", file.display())))?;
    for words in &unsettled {
        output.line(&format!("  not settled: {words}"))?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use clap::Parser;

    use super::*;
    use crate::review::ready::READY;

    #[derive(Parser)]
    struct Line {
        #[command(flatten)]
        options: Options,
    }

    fn options(more: &[&str]) -> Options {
        let line = ["run", "sdr-quick", "--into", "r.jsonl"].iter().chain(more);
        Line::try_parse_from(line).ok().unwrap().options
    }

    fn header(plan: &Plan) -> Header {
        Header {
            review: FORM,
            display: "monitor 3".to_owned(),
            meter: "m".to_owned(),
            serial: None,
            log: None,
            began: wall_clock(),
            plan: plan.clone(),
            least_cd_m2: None,
            luminance_u: Some(0.02),
            chromaticity_u: None,
        }
    }

    #[test]
    fn an_uncertainty_that_was_not_stated_so_as_the_record_began_is_refused() {
        let plan = READY[0].plan().unwrap();
        let header = header(&plan);
        let of = |more: &[&str]| differing(&header, (&plan, &meter(None)), &options(more));
        assert!(of(&[]).is_empty() && of(&["--luminance-uncertainty", "2%"]).is_empty());
        assert!(of(&["--luminance-uncertainty", "1%"])[0].contains("is 0.01, and was 0.02"));
        assert!(of(&["--chromaticity-uncertainty", "0.002"])[0].contains("was not stated"));
    }

    /// The meter m, with an instrument of this serial number.
    fn meter(serial: Option<&str>) -> Meter {
        let instrument =
            json!({ "model": "meter", "serial": serial, "kind": "colorimeter", "quantities": ["luminance"] });
        let told = json!({ "id": "m", "driver": "profile", "simulated": false, "state": "ready", "faults": 0, "instrument": instrument });
        serde_json::from_value(told).unwrap()
    }

    #[test]
    fn another_instrument_is_refused_and_one_that_may_be_another_is_told() {
        let plan = READY[0].plan().unwrap();
        let header = Header { serial: Some("0042".to_owned()), luminance_u: None, ..header(&plan) };
        let of = |serial| differing(&header, (&plan, &meter(serial)), &options(&[]));
        assert!(of(Some("0042")).is_empty() && of(None).is_empty());
        assert!(of(Some("0043"))[0].contains("serial number is 0043, not 0042"), "{:?}", of(Some("0043")));
        assert!(maybe_another(Some("0042"), None).contains("which was 0042"));
        assert!(maybe_another(None, Some("0042")).contains("0042 from here on"));
        assert_eq!(maybe_another(None, None) + &maybe_another(Some("a"), Some("a")), "");
    }

    #[test]
    fn another_log_is_told_and_the_same_is_not() {
        assert_eq!(other_log(Some("a"), Some("a")), "");
        assert!(other_log(Some("a"), Some("b")).contains("another log from here on, b"));
        assert!(other_log(Some("a"), None).contains("no log"));
    }
}
