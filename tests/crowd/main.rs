//! What many clients, or bad ones, can do to others: tests that keep every processor busy and take the meter's pace.
//!
//! A binary of its own, so that it runs beside no other, and one test at a time.

#![expect(clippy::disallowed_methods, reason = "tests start processes and watch the time they take")]
#![expect(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::print_stderr,
    reason = "a test that can't go on fails"
)]

use std::sync::{Mutex, MutexGuard, PoisonError};

#[path = "../benches/settling/noise.rs"]
#[expect(dead_code, reason = "a crowd needs dice alone")]
mod noise;

mod beside;
mod book;
mod five_hundred;
mod ledger;
mod stopped;
mod support;

/// Held by the test that runs.
static TURN: Mutex<()> = Mutex::new(());

/// Waits until no other test runs; none does until what is returned is dropped.
fn alone() -> MutexGuard<'static, ()> {
    // That another test has failed is no reason not to begin.
    TURN.lock().unwrap_or_else(PoisonError::into_inner)
}
