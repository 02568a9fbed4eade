//! `settled --conformance`: the suite that every driver passes, run on a configured meter, a line a clause as it goes.

use std::collections::HashSet;
use std::io::{IsTerminal, Write};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use serde_json::json;
use settled_drivers::conformance::failure::Failure;
use settled_drivers::conformance::{Clause, Extent, Kit, Report, Told, Zero, run};
use settled_drivers::fault::FaultKind;
use tokio::sync::Notify;

use crate::clock::Clock;
use crate::config::Config;

/// What takes longer than this is announced.
const LONG: Duration = Duration::from_secs(2);

/// How it is said.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// In words.
    Words,
    /// As an object a line.
    Json,
}

/// Runs the suite on one meter of a config; gives whether every clause was kept. `covered` says that the aperture is covered.
///
/// # Errors
/// If there is no such meter, or nobody listens.
pub fn check(
    config: &Config,
    file: &Path,
    meter: &str,
    covered: bool,
    form: Form,
) -> Result<bool, Box<dyn std::error::Error>> {
    let Some(found) = config.meters.iter().find(|found| found.id == meter) else {
        let ids: Vec<&str> = config.meters.iter().map(|meter| meter.id.as_str()).collect();
        return Err(format!("{} has no meter {meter:?}; it has: {}", file.display(), ids.join(", ")).into());
    };
    let clock = Arc::new(config.speed.map_or_else(Clock::system, Clock::simulated));
    let zero = if covered { Zero::Covered } else { Zero::Skip };
    let kit = Kit { driver: Arc::clone(&found.driver), clock, zero, extent: Extent::Thorough };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let (mut said, deaf, mut causes) = (Ok(()), Notify::new(), HashSet::new());
    let suite = async {
        let mut tell = |told: Told<'_>| {
            if said.is_ok() {
                said = say(&told, form, &mut causes);
            }
            if said.is_err() {
                deaf.notify_one();
            }
        };
        tokio::select! {
            report = run(&kit, &mut tell) => Some(report),
            () = deaf.notified() => None,
        }
    };
    let report = runtime.block_on(suite);
    runtime.shutdown_background();
    said?;
    let Some(report) = report else { return Ok(false) };
    conclude(&report, meter, form)?;
    Ok(report.is_kept())
}

/// Tells it; `causes` are those that have been told.
fn say(told: &Told<'_>, form: Form, causes: &mut HashSet<String>) -> std::io::Result<()> {
    match told {
        Told::Begins { name, left } => {
            let mut stderr = std::io::stderr();
            if form == Form::Words && *left >= LONG && stderr.is_terminal() {
                write!(stderr, "trying  {name}, about {} s", left.as_secs())?;
                stderr.flush()?;
            }
            Ok(())
        }
        Told::Ends(clause) => {
            let mut stderr = std::io::stderr();
            if form == Form::Words && stderr.is_terminal() {
                // What was announced is wiped out.
                write!(stderr, "\r\x1b[K")?;
                stderr.flush()?;
            }
            let mut stdout = std::io::stdout();
            match form {
                Form::Words => writeln!(stdout, "{}", words(clause, causes))?,
                Form::Json => writeln!(stdout, "{}", object(clause))?,
            }
            // Whoever reads along waits for it.
            stdout.flush()
        }
    }
}

/// A clause in words; a cause that has been told is not told again.
fn words(clause: &Clause, causes: &mut HashSet<String>) -> String {
    match &clause.failure {
        Some(failure) if !causes.insert(failure.cause.clone()) => {
            let place = failure.place().map(|place| format!(" ({place})")).unwrap_or_default();
            format!("BROKEN  {}: in the same way{place}", clause.name)
        }
        _ => clause.to_string(),
    }
}

fn object(clause: &Clause) -> serde_json::Value {
    match &clause.failure {
        None => json!({"clause": clause.name, "kept": true}),
        Some(failure) => json!({"clause": clause.name, "kept": false, "failure": failure.to_string()}),
    }
}

/// What to do about an instrument that can't be tried.
fn remedy(meter: &str, halted: &Failure) -> String {
    match halted.kind {
        Some(FaultKind::Busy) => {
            format!("{meter} is in use. If it is the daemon that owns it, stop that first.")
        }
        Some(FaultKind::BelowRange) => {
            format!("It is too dark for {meter} to measure: put some light in front of it, and try again.")
        }
        Some(FaultKind::AboveRange) => {
            format!("It is too bright for {meter} to measure: show it less light, and try again.")
        }
        Some(FaultKind::Silent | FaultKind::Gone) => format!(
            "{meter} does not answer. If another program has it, the daemon perhaps, stop that first: many instruments talk to one program only."
        ),
        _ => format!("Nothing more can be tried until {meter} gives a reading."),
    }
}

fn conclude(report: &Report, meter: &str, form: Form) -> std::io::Result<()> {
    let (count, mut stdout) = (report.clauses.len(), std::io::stdout());
    let broken = report.clauses.iter().filter(|clause| clause.failure.is_some()).count();
    let remedy = report.halted.as_ref().map(|halted| remedy(meter, halted));
    if form == Form::Json {
        let mut summary =
            json!({"meter": meter, "kept": report.is_kept(), "clauses": count, "broken": broken});
        if let Some(remedy) = remedy {
            summary["halted"] = json!(remedy);
        }
        return writeln!(stdout, "{summary}");
    }
    match remedy {
        Some(remedy) => writeln!(stdout, "{remedy}"),
        None if broken == 0 => writeln!(stdout, "{meter} keeps all {count} clauses."),
        None => writeln!(stdout, "{meter} breaks {broken} of {count} clauses."),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cause_that_has_been_told_is_not_told_again() {
        let mut causes = HashSet::new();
        let clause = |name, cases| {
            let failure = Failure { cases: Some(cases), ..Failure::from("it is stale") };
            Clause { name, failure: Some(failure) }
        };
        assert_eq!(words(&clause("one", (4, 47)), &mut causes), "BROKEN  one: it is stale (4 of 47 cases)");
        assert_eq!(words(&clause("two", (3, 7)), &mut causes), "BROKEN  two: in the same way (3 of 7 cases)");
    }

    #[test]
    fn who_owns_an_instrument_is_told_what_to_do() {
        let told = |kind| remedy("bench", &Failure { kind: Some(kind), ..Failure::from("it fails") });
        assert!(told(FaultKind::BelowRange).contains("put some light in front of it"));
        assert!(told(FaultKind::AboveRange).contains("show it less light"));
        assert!(told(FaultKind::Silent).contains("the daemon perhaps"));
        assert!(told(FaultKind::Busy).contains("stop that first"));
    }
}
