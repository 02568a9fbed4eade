//! `[log]`: where readings are kept, what they survive, and how much room they may take.

use std::path::PathBuf;

use settled_drivers::driver::Context;
use settled_drivers::settings::Table;

use super::retention::{self, Retention};
use crate::size;

/// The least that a quota may be, in bytes: an empty log and its write-ahead log take some 5 MB by themselves.
const LEAST_QUOTA: u64 = 8 << 20;

/// From how little room on one is warned, in bytes, unless the config says so: a year of one reading a minute takes about as much.
const WARN_BELOW: u64 = 100 << 20;

/// Where readings are kept.
#[derive(Clone, Debug, PartialEq)]
pub enum LogConfig {
    /// Nowhere: readings are given with the flag `unlogged`.
    Off,
    /// In a database.
    File(LogFile),
}

/// The database that readings are kept in.
#[derive(Clone, Debug, PartialEq)]
pub struct LogFile {
    /// Its path; the usual place if absent.
    pub path: Option<PathBuf>,
    /// What a reading must survive before it is given out.
    pub survives: Survives,
    /// The most bytes that it may take in all; as many as its disk has, if absent.
    pub quota: Option<u64>,
    /// One is warned when fewer bytes than this are left.
    pub warn_below: u64,
    /// The folder of its copies; `backups` beside it if absent.
    pub backups: Option<PathBuf>,
    /// How long readings are kept as they are; for ever if absent.
    pub retention: Option<Retention>,
}

/// What an acknowledged reading survives.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Survives {
    /// A power cut: it is on the disk.
    PowerCut,
    /// The daemon's own death: it is with the kernel.
    Crash,
}

impl Default for LogFile {
    /// What a config has that says nothing.
    fn default() -> Self {
        Self {
            path: None,
            survives: Survives::PowerCut,
            quota: None,
            warn_below: WARN_BELOW,
            backups: None,
            retention: None,
        }
    }
}

pub(super) fn read(table: &mut Table<'_>, context: &Context) -> LogConfig {
    let usual = LogFile::default();
    let path = table.text("path");
    let survives = table.choice("survives", &[("power-cut", Survives::PowerCut), ("crash", Survives::Crash)]);
    let quota = bytes(table, "quota").filter(|quota| {
        let enough = *quota >= LEAST_QUOTA;
        if !enough {
            table.complain("quota", format!("expected at least {} MiB", LEAST_QUOTA >> 20));
        }
        enough
    });
    let warn_below = bytes(table, "warn_below").unwrap_or(usual.warn_below);
    let backups = table.text("backups").map(|path| context.folder.join(path));
    let retention = retention::read(table);
    match path.as_deref() {
        Some("off") => LogConfig::Off,
        _ => LogConfig::File(LogFile {
            path: path.map(|path| context.folder.join(path)),
            survives: survives.unwrap_or(usual.survives),
            quota,
            warn_below,
            backups,
            retention,
        }),
    }
}

/// A size as people write it.
fn bytes(table: &mut Table<'_>, key: &str) -> Option<u64> {
    let text = table.text(key)?;
    size::bytes(&text).map_err(|wrong| table.complain(key, format!("{wrong}, found {text:?}"))).ok()
}

#[cfg(test)]
mod tests {
    use super::super::tests::{load, problems};
    use super::*;

    #[test]
    fn room_is_written_as_people_write_it() {
        let config = load("[log]\nquota = \"2 GiB\"\nwarn_below = \"50MB\"\nbackups = \"copies\"\n").unwrap();
        let expected = LogFile {
            quota: Some(2 << 30),
            warn_below: 50_000_000,
            backups: Some(PathBuf::from("/etc/bench/copies")),
            ..LogFile::default()
        };
        assert_eq!(config.log, LogConfig::File(expected));
        let found = problems("[log]\nquota = \"1 MiB\"\nwarn_below = \"little\"\n");
        assert!(found[0].contains("2:9: log.quota: expected at least 8 MiB"), "{found:?}");
        assert!(found[1].contains("3:14: log.warn_below: expected a whole number and a unit"), "{found:?}");
    }
}
