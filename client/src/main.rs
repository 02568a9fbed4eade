//! `settle`: settled readings from the settled daemon.

use std::ffi::OsString;
use std::process::ExitCode;

use clap::Parser;
use settle::command::{Arguments, Exit, leash, refuse, run, say_no_runtime};

fn main() -> ExitCode {
    let words: Vec<OsString> = std::env::args_os().collect();
    if let [name, words @ ..] = words.as_slice()
        && name == leash::NAME
    {
        return ExitCode::from(leash::become_command(words));
    }
    let exit = match Arguments::try_parse_from(&words) {
        Ok(arguments) => start(arguments),
        Err(error) => refuse(error, &words),
    };
    ExitCode::from(exit.status())
}

fn start(arguments: Arguments) -> Exit {
    match tokio::runtime::Builder::new_current_thread().enable_all().build() {
        Ok(runtime) => {
            let exit = runtime.block_on(run(arguments));
            // A query that still runs, or a closed terminal, must not hold up the end.
            runtime.shutdown_background();
            exit
        }
        Err(error) => say_no_runtime(&arguments, error),
    }
}
