//! Ways to show a stimulus. Each shows it, and says so only once it is to be seen.
//!
//! | module | idea |
//! |---|---|
//! | [`way`] | which of them, from the command line |
//! | [`page`] | a page in the display's own browser, which tells when it has drawn |
//! | [`command`] | a program that drives a generator or a player |
//! | [`prompt`] | someone who shows it by hand |
//! | [`stage`] | a simulated display, told by the daemon |
//! | [`files`] | files, for players and media files |

use std::fmt;

use serde_json::json;
use settled_protocol::stage::Stimulus;

use crate::connection::CallError;
use crate::output::{CAUTION, Output, styled};
use crate::review::patch::{Coding, Patch};

pub mod command;
pub mod files;
pub mod page;
pub mod prompt;
pub mod stage;
pub mod way;

/// What whoever is at the display does where the last stimulus can't be taken off it.
const LEFT_ON: &str = "take the stimulus off the display: it leaves marks on some";

/// A way to show a stimulus. Only [`show`](Self::show) is required.
///
/// Before the first stimulus, [`can_show`](Self::can_show) is asked once for each coding; after each reading,
/// [`disturbed`](Self::disturbed); and [`end`](Self::end) is called last, however it ended. Any of the futures may be dropped: the next
/// `show` shows the whole of its patch.
#[expect(async_fn_in_trait, reason = "used within this crate and its tests, on one thread")]
pub trait Screen {
    /// Shows `patch`, and returns once it is on the screen (as far as this way can tell).
    ///
    /// # Errors
    /// [`NotShown`], which ends a review: what is on the screen isn't known.
    async fn show(&mut self, patch: &Patch, coding: Coding) -> Result<(), NotShown>;

    /// Whether code values of this coding reach the screen as they are. What isn't shown exactly is refused, never rounded: what a
    /// record says was shown is what was shown.
    ///
    /// # Errors
    /// [`NotShown`], with a coding to take instead.
    fn can_show(&self, _coding: Coding) -> Result<(), NotShown> {
        Ok(())
    }

    /// What has become of the stimulus since it was shown, if anything has that this way can tell: what was read meanwhile may be light
    /// of something else, and is to be read anew. Told once, as a sentence.
    fn disturbed(&mut self) -> Option<String> {
        None
    }

    /// Takes the last stimulus off the screen, where that can be done.
    async fn end(&mut self) {}
}

/// A stimulus could not be shown.
#[derive(Debug)]
pub struct NotShown {
    /// What went wrong and what to do, as a sentence.
    pub why: String,
    /// What a daemon that shows it answered, where one does: it may have gone, or the lease with it.
    pub call: Option<CallError>,
}

impl NotShown {
    fn because(why: impl Into<String>) -> Self {
        Self { why: why.into(), call: None }
    }
}

impl fmt::Display for NotShown {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.why)
    }
}

impl std::error::Error for NotShown {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        self.call.as_ref().map(|call| call as _)
    }
}

/// Says what may go wrong with what is shown.
fn caution(output: Output, words: &str) {
    output.end_status();
    output.note(&styled(CAUTION, words), &json!({ "caution": { "message": words } }));
}

/// The whole of a stimulus, also what was left out on the command line.
pub(crate) fn in_words(stimulus: &Stimulus) -> String {
    stimulus.in_words()
}
