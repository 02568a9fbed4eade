//! `settle`: settled readings from the settled daemon.

use std::process::ExitCode;

use clap::Parser;
use settle::command::{Arguments, Exit, run};

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    let exit = match runtime {
        Ok(runtime) => {
            let exit = runtime.block_on(run(arguments));
            // A query that still runs, or a closed terminal, must not hold up the end.
            runtime.shutdown_background();
            exit
        }
        Err(_) => Exit::Failed,
    };
    ExitCode::from(exit.status())
}
