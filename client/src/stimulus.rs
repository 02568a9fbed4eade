//! Ways to show a stimulus. Each shows it, and says so only once it is to be seen.

use std::fmt;

use crate::review::patch::{Coding, Patch};

/// A way to show a stimulus.
#[expect(async_fn_in_trait, reason = "used within this crate and its tests, on one thread")]
pub trait Screen {
    /// Shows `patch`, and returns once it is on the screen (as far as this way can tell).
    ///
    /// # Errors
    /// [`NotShown`], which ends a review: what is on the screen isn't known.
    async fn show(&mut self, patch: &Patch, coding: Coding) -> Result<(), NotShown>;
}

/// A stimulus could not be shown.
#[derive(Debug)]
pub struct NotShown {
    /// What went wrong and what to do, as a sentence.
    pub why: String,
}

impl fmt::Display for NotShown {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.why)
    }
}

impl std::error::Error for NotShown {}
