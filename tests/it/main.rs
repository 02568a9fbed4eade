//! End-to-end tests: the real daemon, the real client, a real serial line (a pseudo-terminal), plain sockets.
//!
//! One binary, a behaviour a file. A test's name is a sentence.

#![expect(clippy::disallowed_methods, reason = "tests start processes and watch the time they take")]
#![expect(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::print_stderr,
    reason = "a test that can't go on fails"
)]

mod assessing;
mod bad_input;
mod cancelling;
mod cautioned;
mod commands;
mod conformance;
mod covered;
mod documented;
mod durability;
mod faults;
mod judging;
mod lifecycle;
mod pictures;
mod quantities;
mod settled;
mod sharing;
mod stage;
mod subscriptions;
mod support;
mod tidy;
