//! Someone at the terminal: asked to do something, and waited for.

use std::fmt;
use std::io::BufRead;

use serde_json::json;
use tokio::sync::oneshot;

use crate::output::{Output, STRONG, styled};

/// Standard input has ended: nobody is there to do what is asked for.
#[derive(Debug)]
pub(crate) struct Unattended {
    /// What was to be done.
    words: String,
}

impl fmt::Display for Unattended {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "standard input ended, and nobody is there to do this: {}", self.words)
    }
}

impl std::error::Error for Unattended {}

/// The next line of standard input; nothing at its end. It is read on a thread of its own, which ends with the process: so that Ctrl-C
/// need not wait for Enter.
pub(crate) async fn line() -> Option<String> {
    let (sender, receiver) = oneshot::channel();
    std::thread::spawn(move || {
        let mut line = String::new();
        let read = std::io::stdin().lock().read_line(&mut line);
        let read = read.ok().filter(|count| *count > 0).map(|_| line);
        // Nobody waits any more after Ctrl-C.
        let _waiting = sender.send(read).is_ok();
    });
    receiver.await.ok().flatten()
}

/// Says what is to be done, and waits for Enter.
pub(crate) async fn enter(output: Output, words: &str) -> Result<(), Unattended> {
    output.end_status();
    output.note(
        &styled(STRONG, &format!("{words}, then press Enter.")),
        &json!({ "prompt": { "message": words } }),
    );
    line().await.map(drop).ok_or_else(|| Unattended { words: words.to_owned() })
}

/// Asks; yes is y or yes, anything else is no, and so is the end of standard input.
pub(crate) async fn agrees(output: Output, words: &str) -> bool {
    output.note(&styled(STRONG, &format!("{words} [y/N]")), &json!({ "prompt": { "message": words } }));
    let answer = line().await.unwrap_or_default();
    ["y", "yes"].contains(&answer.trim().to_lowercase().as_str())
}
