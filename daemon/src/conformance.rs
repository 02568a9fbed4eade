//! `settled --conformance`: the suite that every driver passes, run on a configured meter, a line a clause as it goes.

use std::io::{IsTerminal, Write};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use serde_json::json;
use settled_drivers::conformance::{Clause, Extent, Kit, Report, Told, Zero, run};

use crate::clock::Clock;
use crate::config::Config;

/// What takes longer than this is announced.
const LONG: Duration = Duration::from_secs(2);

/// What a fault says where another program holds the instrument.
const BUSY: &str = "Busy: ";

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
    let mut said = Ok(());
    let report = runtime.block_on(run(&kit, &mut |told| {
        let outcome = say(&told, form);
        if said.is_ok() {
            said = outcome;
        }
    }));
    runtime.shutdown_background();
    said?;
    conclude(&report, meter, form)?;
    Ok(report.is_kept())
}

fn say(told: &Told<'_>, form: Form) -> std::io::Result<()> {
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
                Form::Words => writeln!(stdout, "{clause}"),
                Form::Json => writeln!(stdout, "{}", object(clause)),
            }
        }
    }
}

fn object(clause: &Clause) -> serde_json::Value {
    match &clause.failure {
        None => json!({"clause": clause.name, "kept": true}),
        Some(failure) => json!({"clause": clause.name, "kept": false, "failure": failure}),
    }
}

fn conclude(report: &Report, meter: &str, form: Form) -> std::io::Result<()> {
    let (count, mut stdout) = (report.clauses.len(), std::io::stdout());
    let failures: Vec<&String> = report.clauses.iter().filter_map(|clause| clause.failure.as_ref()).collect();
    if form == Form::Json {
        let summary =
            json!({"meter": meter, "kept": report.is_kept(), "clauses": count, "broken": failures.len()});
        return writeln!(stdout, "{summary}");
    }
    match failures.as_slice() {
        [] => writeln!(stdout, "{meter} keeps all {count} clauses."),
        [busy] if busy.starts_with(BUSY) => {
            writeln!(stdout, "{meter} is in use. If it is the daemon that owns it, stop that first.")
        }
        broken => writeln!(stdout, "{meter} breaks {} of {count} clauses.", broken.len()),
    }
}
