//! The record of a review: begun, or gone on with where it is of this review.

use std::path::Path;

use rustix::fs::{Access, access};
use serde_json::json;
use settled_protocol::meter::Meter;
use settled_protocol::method::{DaemonStatus, Nothing};

use super::super::{Failure, wall_clock};
use super::run::{Options, again};
use crate::connection::Connection;
use crate::output::Output;
use crate::review::plan::Plan;
use crate::review::record::attached::Attached;
use crate::review::record::reading::Loaded;
use crate::review::record::writing::Book;
use crate::review::record::{Entry, Header};
use crate::show;

/// Refuses a file that can't be written, or is of another review, before anything is asked.
pub(super) fn must_be_writable(plan: &Plan, meter: &Meter, options: &Options) -> Result<(), Failure> {
    let path = &options.into;
    if path.exists() && !Book::is_to_begin(path) {
        let failed = |error: &dyn std::error::Error| Failure::Input(settled_drivers::fault::chain(error));
        let loaded = Loaded::read(path).map_err(|error| failed(&error))?;
        must_be_of_this(&loaded.record.header, (plan, meter), options)?;
    }
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let place = if path.exists() { path } else { folder };
    access(place, Access::WRITE_OK)
        .map_err(|error| Failure::Input(format!("{}: {}", path.display(), std::io::Error::from(error))))
}

fn must_be_of_this(header: &Header, of: (&Plan, &Meter), options: &Options) -> Result<(), Failure> {
    let differing = differing(header, of, options);
    if differing.is_empty() {
        return Ok(());
    }
    let (path, differing) = (options.into.display(), differing.join("; "));
    Err(Failure::Usage(format!("{path} is of another review: {differing}; name another file with --into")))
}

/// Begins the record, or goes on with it.
pub(super) async fn book(
    output: Output,
    connection: &Connection,
    (plan, meter): (&Plan, &Meter),
    options: &Options,
) -> Result<Book, Failure> {
    let path = &options.into;
    let failed = |error: &dyn std::error::Error| Failure::Input(settled_drivers::fault::chain(error));
    let status = connection.call::<DaemonStatus>(&Nothing {}).await?;
    let (log, attached) = (status.log.id, Attached::of(meter, &status.version));
    if Book::is_to_begin(path) {
        let stem = || path.file_stem().map_or_else(String::new, |stem| stem.to_string_lossy().into_owned());
        let display = options.display.clone().unwrap_or_else(stem);
        let header = Header {
            unnamed: options.display.is_none(),
            serial: serial(meter),
            attached: Some(attached),
            log,
            least_cd_m2: meter.instrument.as_ref().and_then(|instrument| Some(instrument.range?.min)),
            luminance_u: options.luminance_uncertainty.map(|percent| percent / 100.0),
            chromaticity_u: options.chromaticity_uncertainty,
            ..Header::of(display, meter.id.clone(), plan.clone(), wall_clock())
        };
        return Book::create(path, header).map_err(|error| failed(&error));
    }
    let (mut book, torn) = Book::reopen(path).map_err(|error| failed(&error))?;
    must_be_of_this(&book.record().header, (plan, meter), options)?;
    let cut = if torn.is_some() { "; a line that was cut off was dropped" } else { "" };
    let again = again(plan, options, &book.record().entries);
    let left = again.stops(plan, &book.record().entries, options.set.as_deref()).len();
    if left > 0 {
        let other = other_log(book.record().header.log.as_deref(), log.as_deref());
        let another = maybe_another(book.record().header.serial.as_deref(), serial(meter).as_deref());
        let corrected = other_correction(book.record().header.attached.as_ref(), &attached);
        let anew = anew(again.count(plan, &book.record().entries, options.set.as_deref()));
        let words = format!("the review was gone on with{anew}{cut}{other}{another}{corrected}");
        book.append(Entry::Note { at: wall_clock(), words }).map_err(|error| failed(&error))?;
    }
    let stimuli = show::counted(left as u64, "stimulus is", "stimuli are");
    output.note(
        &format!("{} is there already: {stimuli} left of it", path.display()),
        &json!({ "resumed": { "file": path, "left": left } }),
    );
    Ok(book)
}

/// What is to be said where so many stimuli are there already and are to be measured again: none of them has been yet.
fn anew(count: usize) -> String {
    if count == 0 {
        return String::new();
    }
    let stimuli =
        show::counted(count as u64, "stimulus that had not settled is", "stimuli that had not settled are");
    format!("; {stimuli} to be measured anew")
}

fn serial(meter: &Meter) -> Option<String> {
    meter.instrument.as_ref().and_then(|instrument| instrument.serial.clone())
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

/// What is to be said where readings go through another correction than as the record began, and that is known.
fn other_correction(began: Option<&Attached>, now: &Attached) -> String {
    let applied = |attached: &Attached| {
        attached
            .correction
            .as_ref()
            .filter(|correction| correction.applied)
            .map(|correction| correction.id.clone())
    };
    let named = |id: Option<String>| id.unwrap_or_else(|| "none".to_owned());
    match began.map(applied) {
        Some(began) if began != applied(now) => {
            format!(
                "; the meter's correction is {} from here on, and was {}",
                named(applied(now)),
                named(began)
            )
        }
        Some(_) | None => String::new(),
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
        Header { luminance_u: Some(0.02), ..Header::of("monitor 3", "m", plan.clone(), wall_clock()) }
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
    fn another_correction_is_told_where_it_is_known_what_was_in_force_before() {
        let of = |id: Option<&str>| {
            let in_force = |id: &str| {
                let at = "2026-11-28T01:00:00Z";
                serde_json::from_value(json!({ "id": id, "name": "panel", "at": at, "since": at, "applied": true, "warnings": [] })).unwrap()
            };
            Attached { correction: id.map(in_force), ..Attached::of(&meter(None), "1") }
        };
        assert_eq!(
            other_correction(Some(&of(Some("c1"))), &of(Some("c1")))
                + &other_correction(None, &of(Some("c1"))),
            ""
        );
        let told = other_correction(Some(&of(None)), &of(Some("c1")));
        assert_eq!(told, "; the meter's correction is c1 from here on, and was none");
    }

    #[test]
    fn what_is_to_be_measured_anew_is_told_as_what_is_to_come() {
        assert_eq!([anew(0), anew(1)], ["", "; 1 stimulus that had not settled is to be measured anew"]);
        assert_eq!(anew(2), "; 2 stimuli that had not settled are to be measured anew");
    }

    #[test]
    fn another_log_is_told_and_the_same_is_not() {
        assert_eq!(other_log(Some("a"), Some("a")), "");
        assert!(other_log(Some("a"), Some("b")).contains("another log from here on, b"));
        assert!(other_log(Some("a"), None).contains("no log"));
    }
}
