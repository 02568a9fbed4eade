//! Someone who shows the stimulus by hand, and says when it is to be seen.

use super::{LEFT_ON, NotShown, Screen, in_words};
use crate::asking;
use crate::output::Output;
use crate::review::patch::{Coding, Patch};
use crate::stimulus::way::Pause;

/// Someone at the display, asked on standard error, who presses Enter.
#[derive(Debug)]
pub struct Prompt {
    output: Output,
    pause: Pause,
    asked: bool,
}

impl Prompt {
    /// Asks by `output`, and waits for `pause` more after each Enter.
    #[must_use]
    pub fn new(output: Output, pause: Pause) -> Self {
        Self { output, pause, asked: false }
    }
}

impl Screen for Prompt {
    async fn show(&mut self, patch: &Patch, coding: Coding) -> Result<(), NotShown> {
        self.asked = true;
        let words = format!("Show {}: {}", patch.name, in_words(&patch.stimulus(coding)));
        asking::enter(self.output, &words).await.map_err(|error| NotShown::because(error.to_string()))?;
        self.pause.over().await;
        Ok(())
    }

    async fn end(&mut self) {
        if std::mem::take(&mut self.asked) && !self.output.json {
            self.output.aside(LEFT_ON);
        }
    }
}
