//! The client: a library for Rust programs, and the commands of `settle`.
//!
//! | module | idea |
//! |---|---|
//! | [`connection`] | one connection to the daemon: calls, progress, subscriptions |
//! | [`subscription`] | readings as they come |
//! | [`following`] | the same across the daemon's end and its new start |
//! | [`runs`] | how runs get on, across the same |
//! | [`lease`] | a meter for oneself, for as long as it is wanted |
//! | [`command`] | one file a command of `settle` |
//! | [`live`] | how the light gets on, on the whole screen |
//! | [`local`] | moments as the clock on the wall has them |
//! | [`output`] | what goes to the terminal or the pipe |
//! | [`show`] | numbers for people |
//! | [`quantities`] | numbers from people: durations, percentages, colours |
//! | [`plot`] | a curve in text |
//! | [`course`] | bins of readings, gaps and events: what plots are drawn from |
//! | [`chart`] | the same as SVG and PNG, and the Allan deviation |
//! | [`exchange`] | readings as CSV, JSON lines and CGATS.17, written and read |
//! | `asking` | someone at the terminal, asked and waited for |
//! | [`zone`] | the time zone of an axis |
//! | [`evaluate`] | formulas of colour science and television |
//! | [`stimulus`] | ways to show a colour |
//! | [`review`] | a display measured: plans, records, figures |
//! | [`report`] | what was measured as a document, in HTML |
//! | [`statistics`] | mean, spread and drift of a stretch of readings |

mod asking;
pub mod chart;
pub mod command;
pub mod connection;
pub mod course;
pub mod evaluate;
pub mod exchange;
#[cfg(test)]
mod fake;
pub mod following;
pub mod lease;
pub mod live;
pub mod local;
pub mod output;
pub mod plot;
pub mod quantities;
pub mod report;
pub mod review;
pub mod runs;
pub mod show;
pub mod statistics;
pub mod stimulus;
pub mod subscription;
pub mod wrap;
pub mod zone;
