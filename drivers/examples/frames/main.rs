//! A whole driver in Rust (driver.rs beside this), and its check: `cargo run -p settled-drivers --example frames -- PORT` runs the
//! conformance suite against the instrument on that port.

#![expect(clippy::print_stdout, reason = "it prints the suite's report")]

use std::process::ExitCode;
use std::sync::Arc;

use settled_drivers::clock::{Clock, Still};
use settled_drivers::conformance::{self, Zero};
use settled_drivers::driver::Context;
use settled_drivers::settings;

mod driver;

#[tokio::main(flavor = "current_thread")]
async fn main() -> Result<ExitCode, Box<dyn std::error::Error>> {
    let port = std::env::args().nth(1).ok_or("usage: frames PORT")?;
    let context = Context::at(".");
    let text = format!("port = {port:?}");
    let driver = settings::read("frames", &text, |table| driver::configure(table, &context))?;
    let clock: Arc<dyn Clock> = Arc::new(Still);
    let report = conformance::check(&driver, &clock, Zero::Skip).await;
    println!("{report}");
    Ok(if report.is_kept() { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}
