//! What the daemon says of itself: to the journal where the service manager keeps one of it, else in lines on standard error.

use std::io::IsTerminal;

use nix::sys::stat::fstat;
use tracing::Level;
use tracing::level_filters::LevelFilter;
use tracing_journald::{Priority, PriorityMappings};
use tracing_subscriber::layer::SubscriberExt;
use tracing_subscriber::util::SubscriberInitExt;

/// The environment's word that standard error goes to the journal, and by which file: systemd.exec(5).
const STREAM: &str = "JOURNAL_STREAM";

/// What the journal calls the daemon.
const IDENTIFIER: &str = "settled";

/// How important each level is, as syslog(3) counts: what is said in the ordinary course is no notice.
const PRIORITIES: PriorityMappings = PriorityMappings {
    error: Priority::Error,
    warn: Priority::Warning,
    info: Priority::Informational,
    debug: Priority::Debug,
    trace: Priority::Debug,
};

/// Where it goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Goes {
    /// To the journal.
    Journal,
    /// To standard error.
    Here,
}

/// Begins to say what there is, from this level on.
pub(crate) fn begin(level: Level) -> Goes {
    if is_journal() && journal(level).is_ok() {
        return Goes::Journal;
    }
    let colour =
        std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none_or(|set| set.is_empty());
    let trace = tracing_subscriber::fmt().with_max_level(level).with_ansi(colour).with_target(false);
    trace.with_writer(std::io::stderr).init();
    Goes::Here
}

/// Whether standard error goes to the journal, and hasn't been sent elsewhere since.
fn is_journal() -> bool {
    let Ok(stream) = std::env::var(STREAM) else { return false };
    fstat(std::io::stderr()).is_ok_and(|file| stream == format!("{}:{}", file.st_dev, file.st_ino))
}

/// Fields have no prefix, as `journalctl METER=bench` is typed by people.
fn journal(level: Level) -> std::io::Result<()> {
    let layer = tracing_journald::layer()?
        .with_field_prefix(None)
        .with_priority_mappings(PRIORITIES)
        .with_syslog_identifier(IDENTIFIER.to_owned());
    tracing_subscriber::registry().with(LevelFilter::from_level(level)).with(layer).init();
    Ok(())
}
