//! `--verbose`: what the client library tells of its connection, on standard error.

use std::io::IsTerminal;

use tracing::level_filters::LevelFilter;
use tracing_subscriber::Layer;
use tracing_subscriber::filter::Targets;
use tracing_subscriber::layer::SubscriberExt;
use tracing_subscriber::util::SubscriberInitExt;

/// Whose words: this crate's alone, and not those of a daemon that runs within it.
const OURS: &str = "settle::";

/// Begins to say what there is, a line each. Once is enough.
pub(super) fn begin() {
    let colour =
        std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none_or(|set| set.is_empty());
    let lines = tracing_subscriber::fmt::layer().without_time().with_level(false).with_target(false);
    let lines = lines.with_ansi(colour).with_writer(std::io::stderr);
    let only = Targets::new().with_target(OURS, LevelFilter::DEBUG);
    let _first = tracing_subscriber::registry().with(lines.with_filter(only)).try_init().is_ok();
}
