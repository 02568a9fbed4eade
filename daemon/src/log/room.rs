//! The room that is left for the log: on its disk, or of its quota.
//!
//! The last of it is kept for what isn't a reading: events, corrections, runs and zeros are few, and are what tells afterwards what
//! happened. So readings go out unlogged before the disk is really full, and nothing that is old gives way.

use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};

use nix::sys::statvfs::statvfs;
use rusqlite::Connection;
use settled_protocol::method::LogRoom;

use super::opening::Place;
use crate::config::LogFile;

/// Bytes that are left to what isn't a reading: some thousand events.
const KEPT: u64 = 1 << 20;

/// One looks again after so many commits, or after so long, in s: a commit of readings takes some 30 kB at most without spectra.
const COMMITS: u32 = 16;
const PAUSE_S: f64 = 1.0;

/// The room is no longer called low once there is this much more than what one is warned below, as a share of it.
const HYSTERESIS: f64 = 0.25;

/// What the config says of the room. It may be changed while the log is written.
#[derive(Debug)]
pub(super) struct Bounds {
    /// The most bytes of the log; the largest number where there is no such bound.
    quota: AtomicU64,
    warn_below: AtomicU64,
}

impl Bounds {
    pub(super) fn new(of: &LogFile) -> Self {
        let bounds = Self { quota: AtomicU64::new(u64::MAX), warn_below: AtomicU64::new(0) };
        bounds.change(of);
        bounds
    }

    pub(super) fn change(&self, of: &LogFile) {
        self.quota.store(of.quota.unwrap_or(u64::MAX), Ordering::Relaxed);
        self.warn_below.store(of.warn_below, Ordering::Relaxed);
    }

    fn quota(&self) -> Option<u64> {
        Some(self.quota.load(Ordering::Relaxed)).filter(|quota| *quota < u64::MAX)
    }

    /// One is warned when fewer bytes than this are left.
    pub(super) fn warn_below(&self) -> u64 {
        self.warn_below.load(Ordering::Relaxed)
    }
}

/// What is known of the room.
#[derive(Debug, Default)]
pub(super) struct Room {
    looked: Option<(f64, LogRoom)>,
    commits: u32,
    low: bool,
}

/// What there is to say once.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Turn {
    /// It has become low.
    Low,
    /// It is no longer low.
    Enough,
}

impl Room {
    /// Looks, where that is due or `asked` for; tells where it has become low, or is so no more.
    pub(super) fn look(
        &mut self,
        place: &Place,
        connection: Option<&Connection>,
        now_s: f64,
        asked: bool,
    ) -> Option<Turn> {
        self.commits += 1;
        let due = |(at_s, room): &(f64, LogRoom)| {
            self.commits >= COMMITS || now_s - at_s >= PAUSE_S || room.left_bytes < 4 * KEPT
        };
        if !asked && self.looked.as_ref().is_some_and(|looked| !due(looked)) {
            return None;
        }
        self.commits = 0;
        let quota = place.bounds.quota();
        let left = left(place, quota, connection)?;
        let was = self.low;
        self.low = is_low(left, place.bounds.warn_below(), was);
        self.looked = Some((now_s, LogRoom { left_bytes: left, quota_bytes: quota, low: self.low }));
        match (was, self.low) {
            (false, true) => Some(Turn::Low),
            (true, false) => Some(Turn::Enough),
            _ => None,
        }
    }

    /// What clients are told.
    pub(super) fn told(&self) -> Option<LogRoom> {
        self.looked.map(|(_, room)| room)
    }

    /// Why no reading may be written; nothing where there is room, or that isn't known.
    pub(super) fn refuses(&self) -> Option<String> {
        let (_, room) = self.looked.filter(|(_, room)| room.left_bytes < KEPT)?;
        let what = match room.quota_bytes {
            Some(_) => "its quota, or its disk, is used up",
            None => "its disk is full",
        };
        Some(format!("{what} but for the last {} kB, which are kept for events", KEPT / 1000))
    }
}

#[expect(clippy::cast_precision_loss, reason = "a share of bytes")]
fn is_low(left: u64, below: u64, was: bool) -> bool {
    let enough = if was { below as f64 * (1.0 + HYSTERESIS) } else { below as f64 };
    (left as f64) < enough
}

/// Bytes that are left; nothing where neither disk nor quota tells.
fn left(place: &Place, quota: Option<u64>, connection: Option<&Connection>) -> Option<u64> {
    let folder =
        place.path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let disk = statvfs(folder).ok().map(|disk| disk.blocks_available().saturating_mul(disk.fragment_size()));
    let quota = quota.zip(connection.and_then(|connection| used(place, connection)));
    let quota = quota.map(|(quota, used)| quota.saturating_sub(used));
    disk.into_iter().chain(quota).min()
}

/// Bytes that the log takes: its pages that are in use, and its write-ahead log.
fn used(place: &Place, connection: &Connection) -> Option<u64> {
    let pragma = |name| connection.pragma_query_value(None, name, |row| row.get::<_, i64>(0)).ok();
    let pages = pragma("page_count")? - pragma("freelist_count")?;
    let pages = u64::try_from(pages.saturating_mul(pragma("page_size")?)).ok()?;
    let mut wal = place.path.clone().into_os_string();
    wal.push("-wal");
    Some(pages + std::fs::metadata(wal).map_or(0, |file| file.len()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_low_stays_so_until_there_is_clearly_more() {
        let mut low = false;
        for (left, expected) in
            [(120, false), (99, true), (101, true), (124, true), (125, false), (101, false)]
        {
            low = is_low(left, 100, low);
            assert_eq!(low, expected, "{left}");
        }
    }
}
