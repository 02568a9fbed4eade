//! What the program does instead of running the daemon: a look at its config, or at a meter's driver.

use std::io::Write;
use std::path::Path;
use std::process::ExitCode;

use serde_json::json;
use settled::config::Config;
use settled::conformance::{self, Form};
use settled_drivers::driver::Registry;
use settled_drivers::fault::chain;
use settled_drivers::settings::{Problem, Problems};

use super::{Failure, NO_METERS};

/// Says what is wrong with the config, a line each, as a compiler would: a person reads this, or another program, not a journal.
pub(crate) fn check(file: &Path, form: Form) -> ExitCode {
    let (mut stdout, mut stderr) = (std::io::stdout(), std::io::stderr());
    let (said, code) = match read(file) {
        Ok(_) if form == Form::Json => (Ok(()), ExitCode::SUCCESS),
        Err(error) if form == Form::Json => (write!(stdout, "{}", mistakes(file, &error)), ExitCode::FAILURE),
        Ok((config, _)) => {
            let meters = match config.meters.len() {
                0 => format!("but {NO_METERS}"),
                1 => "1 meter".to_owned(),
                count => format!("{count} meters"),
            };
            (writeln!(stdout, "{}: no mistakes; {meters}", file.display()), ExitCode::SUCCESS)
        }
        Err(error) => (writeln!(stderr, "{}", chain(error.as_ref())), ExitCode::FAILURE),
    };
    if said.is_ok() { code } else { ExitCode::FAILURE }
}

/// The mistakes in a config, an object a line. What has no place in the file is told without one.
fn mistakes(file: &Path, error: &Failure) -> String {
    let objects: Vec<_> = match error.downcast_ref::<Problems>() {
        None => vec![json!({"file": file.display().to_string(), "message": chain(error.as_ref())})],
        Some(Problems(problems)) => problems
            .iter()
            .map(|Problem { file, line, column, key, message }| {
                let mut object = json!({"file": file, "line": line, "column": column, "message": message});
                if !key.is_empty() {
                    object["key"] = json!(key);
                }
                object
            })
            .collect(),
    };
    objects.iter().map(|object| format!("{object}\n")).collect()
}

/// Tries a meter's driver. A person, or another program, reads what comes of it.
pub(crate) fn conform(file: &Path, meter: &str, covered: bool, form: Form) -> ExitCode {
    let kept = read(file).and_then(|(config, _)| conformance::check(&config, file, meter, covered, form));
    match kept {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::FAILURE,
        // `settled --conformance … | head`: who has heard enough is told no more.
        Err(error)
            if error.downcast_ref().map(std::io::Error::kind) == Some(std::io::ErrorKind::BrokenPipe) =>
        {
            ExitCode::FAILURE
        }
        Err(error) => {
            // Where that can't be told either, the exit status does.
            let _told = writeln!(std::io::stderr(), "{}", chain(error.as_ref())).is_ok();
            ExitCode::FAILURE
        }
    }
}

/// Why a config can't be read, and what to do about that.
fn unread(file: &Path, error: &std::io::Error) -> String {
    let what = match error.kind() {
        std::io::ErrorKind::NotFound => {
            "; name the config with --config FILE: CONFIG.md says what belongs into one"
        }
        std::io::ErrorKind::PermissionDenied => "; it is read by the user that settled runs as",
        _ => "",
    };
    format!("reading {}: {error}{what}", file.display())
}

/// The config, and its text.
pub(crate) fn read(file: &Path) -> Result<(Config, String), Failure> {
    let text = std::fs::read_to_string(file).map_err(|error| unread(file, &error))?;
    let config = Config::load(file, &text, &Registry::built_in())?;
    Ok((config, text))
}
