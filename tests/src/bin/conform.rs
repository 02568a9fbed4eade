//! Runs the conformance suite on one meter: `conform DRIVER FILE`, where FILE holds the meter's settings in TOML, and relative paths
//! start at its folder. Prints the report, a line for each clause; its exit status is 0 if every clause is kept.
//!
//! Dark readings are left out: nobody covers the aperture.

#![expect(clippy::print_stdout, reason = "the report is what it is for")]

use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;

use settled::clock::Clock;
use settled_drivers::clock::Clock as Spans;
use settled_drivers::conformance::{Zero, check};
use settled_drivers::driver::{Context, Registry};
use settled_drivers::settings;

type Failure = Box<dyn std::error::Error>;

fn main() -> Result<ExitCode, Failure> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [driver, file] = arguments.as_slice() else { return Err("usage: conform DRIVER FILE".into()) };
    let configure = Registry::built_in().get(driver).ok_or("no such driver")?;
    let folder = Path::new(file).parent().map_or_else(PathBuf::new, Path::to_owned);
    let context = Context::at(folder);
    let text = std::fs::read_to_string(file)?;
    let driver = settings::read(file, &text, |table| configure(table, &context))?;
    let clock: Arc<dyn Spans> = Arc::new(Clock::system());
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let report = runtime.block_on(check(&driver, &clock, Zero::Skip));
    print!("{report}");
    Ok(if report.is_kept() { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}
