//! A whole driver in Rust (driver.rs beside this), and its check: `cargo run -p settled-drivers --example frames -- PORT` runs the
//! conformance suite against the instrument on that port.

#![expect(clippy::print_stdout, reason = "it prints the suite's report")]

use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;

use settled_drivers::clock::{Boxed, Clock};
use settled_drivers::conformance::{self, Zero};
use settled_drivers::driver::Context;
use settled_drivers::settings;

mod driver;

/// Nothing here waits on it: it is for simulated instruments.
#[derive(Debug)]
struct Still;

impl Clock for Still {
    fn now_s(&self) -> f64 {
        0.0
    }

    fn sleep_until(&self, _: f64) -> Boxed<'_, ()> {
        Box::pin(async {})
    }
}

#[tokio::main(flavor = "current_thread")]
async fn main() -> Result<ExitCode, Box<dyn std::error::Error>> {
    let port = std::env::args().nth(1).ok_or("usage: frames PORT")?;
    let context = Context { folder: PathBuf::from(".") };
    let text = format!("port = {port:?}");
    let driver = settings::read("frames", &text, |table| driver::configure(table, &context))?;
    let clock: Arc<dyn Clock> = Arc::new(Still);
    let report = conformance::check(&driver, &clock, Zero::Skip).await;
    println!("{report}");
    Ok(if report.is_kept() { ExitCode::SUCCESS } else { ExitCode::FAILURE })
}
