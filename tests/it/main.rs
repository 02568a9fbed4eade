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
// What the benchmark of the settling engine is made of: its series, and what it makes of answers.
#[path = "../benches/settling/family.rs"]
mod family;
#[path = "../benches/settling/noise.rs"]
mod noise;
#[path = "../benches/settling/rules.rs"]
#[expect(dead_code, reason = "rules of thumb are for the benchmark alone")]
mod rules;
#[path = "../benches/settling/score.rs"]
#[expect(dead_code, reason = "some columns are for the benchmark alone")]
mod score;
#[path = "../benches/settling/series.rs"]
mod series;
#[path = "../benches/settling/truth.rs"]
mod truth;

mod access;
mod asides;
mod asked;
mod bad_input;
mod cancelling;
mod cautioned;
mod commands;
mod conformance;
mod copying;
mod correcting;
mod covered;
mod dbus;
mod deriving;
mod documented;
mod durability;
mod exporting;
mod faults;
mod following;
mod full_disk;
mod guide;
mod iio;
mod judging;
mod kernel_usb;
mod leased_twice;
mod leases;
mod leasing_client;
mod lifecycle;
mod limits;
mod links;
mod live;
mod manual;
mod metrics;
mod month;
mod night_reports;
mod nights;
mod outside;
mod package;
mod page;
mod page_awake;
mod page_guard;
mod page_line;
mod page_scripts;
mod page_still;
mod page_truth;
mod page_viewers;
mod page_words;
mod pictures;
mod plugin_guide;
mod plugins;
mod power;
mod proven;
mod python;
mod quantities;
mod recording;
mod replayed;
mod reports;
mod review_disturbed;
mod review_loop;
mod review_resumed;
mod review_run;
mod review_shown;
mod runs;
mod schema_page;
mod service;
mod settled;
mod sharing;
mod shell_page;
mod slips;
mod smallest;
mod spectra;
mod stage;
mod statistics;
mod stepping;
mod stimuli_files;
mod stimulus_page;
mod subscriptions;
mod support;
mod thinning;
mod tidy;
mod unwritable;
mod usb;
mod zero;
