//! The first moment of a command that runs under a lease: it asks to be ended with its `settle`, and only then becomes the command.

use std::ffi::OsString;
use std::io::ErrorKind;
use std::os::unix::process::{CommandExt, parent_id};
use std::process::Command;

use rustix::process::{Signal, set_parent_process_death_signal};
use serde_json::json;

use crate::output::{BAD, Output, styled};

/// What this program is called, instead of by its own name, to do that.
pub const NAME: &str = "settle-leash";

/// The exit status of a command that can't be found.
const NOT_FOUND: u8 = 127;

/// The exit status of one that can't be run.
const NOT_RUN: u8 = 126;

/// How the failure is told.
pub(super) fn form(output: Output) -> &'static str {
    if output.json { "json" } else { "words" }
}

/// Becomes the command. `words` are its `settle`'s process id, the form of its errors, then the command. Gives an exit status
/// where that fails.
#[must_use]
pub fn become_command(words: &[OsString]) -> u8 {
    let [settle, form, command, arguments @ ..] = words else { return NOT_FOUND };
    let settle = settle.to_str().and_then(|id| id.parse::<u32>().ok());
    // Where the kernel can't, there is no leash; and a settle that is gone by now gives no signal.
    let _asked = set_parent_process_death_signal(Some(Signal::TERM)).is_ok();
    if settle != Some(parent_id()) {
        return NOT_RUN;
    }
    let error = Command::new(command).args(arguments).exec();
    let output = Output { json: form == "json", ..Output::default() };
    let message = format!("{} can't be run: {error}", command.to_string_lossy());
    let object = json!({ "error": { "message": message, "data": { "kind": "command" } } });
    output.note(&format!("{} {message}", styled(BAD, "error:")), &object);
    if error.kind() == ErrorKind::NotFound { NOT_FOUND } else { NOT_RUN }
}
