//! A copy of the log, made while it goes on, and looked through before it counts.
//!
//! Clients name no path: copies are made in one folder, which the config names.

use std::fs::{File, OpenOptions};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use nix::sys::statvfs::statvfs;
use rusqlite::Connection;
use rusqlite::backup::Backup as Copying;
use settled_drivers::fault::chain;
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::log::EventKind;
use settled_protocol::status::Backup;

use super::check::{on_a_thread, problems};
use super::health::Health;
use super::lookup::be_patient;
use super::opening::Place;
use super::{Happening, Log, off, query, schema};
use crate::clock::{Clock, Moment, unique_id};

/// Pages that are copied at once, and the pause after them, in which measuring has the disk: at most some 500 MB/s.
const PAGES: i32 = 256;
const PAUSE: Duration = Duration::from_millis(2);

/// What a copy's name ends with until it is complete.
const PART: &str = ".part";

/// The turn of one who copies the log, or looks through it: there is one of each.
#[derive(Debug)]
pub(super) struct Turn(Arc<Health>, fn(&Health) -> &AtomicBool);

impl Turn {
    pub(super) fn take(health: &Arc<Health>, which: fn(&Health) -> &AtomicBool) -> Option<Self> {
        let free = !which(health).swap(true, Ordering::AcqRel);
        free.then(|| Self(Arc::clone(health), which))
    }
}

impl Drop for Turn {
    fn drop(&mut self) {
        (self.1)(&self.0).store(false, Ordering::Release);
    }
}

impl Log {
    /// Copies the log into a new file while it goes on; one copy at a time.
    ///
    /// # Errors
    /// `overloaded` while another is made; `log_unavailable` if the log is off, can't be read, or its copy not be written.
    pub async fn backup(&self, clock: &Clock) -> Result<Backup, RpcError> {
        let file = self.file.as_ref().ok_or_else(off)?;
        let turn = Turn::take(&file.health, |health| &health.copying)
            .ok_or_else(|| RpcError::new(ErrorKind::Overloaded, "the log is being copied already"))?;
        let (place, begun) = (Arc::clone(&file.place), clock.now());
        let made = on_a_thread("log-backup", move || {
            let _turn = turn;
            be_patient();
            copy(&place, begun)
        });
        let (path, bytes, last) = made
            .await
            .map_err(|why| RpcError::new(ErrorKind::LogUnavailable, format!("copying the log: {why}")))?;
        let backup = Backup {
            file: path.display().to_string(),
            bytes,
            at: clock.now().at,
            last_sequence: Some(last).filter(|last| *last > 0),
        };
        let detail = format!("the log was copied to {}: {bytes} bytes, up to sequence {last}", backup.file);
        self.event(clock, Happening::new(EventKind::LogCopied, detail)).await;
        Ok(backup)
    }
}

/// Why there is no copy.
fn failed<E: std::error::Error>(doing: &str) -> impl FnOnce(E) -> String {
    move |error| format!("{doing}: {}", chain(&error))
}

/// Makes a copy in the folder of copies: its path, its size, and the last sequence in it. The log's own room is not for copies: what one is
/// warned below stays.
fn copy(place: &Place, begun: Moment) -> Result<(PathBuf, u64, u64), String> {
    let (path, folder) = (&place.path, &place.backups);
    std::fs::create_dir_all(folder).map_err(failed("making the folder of copies"))?;
    let folder = folder.canonicalize().map_err(failed("looking for the folder of copies"))?;
    clear(&folder);
    let source = schema::open_to_read(path).map_err(failed("opening the log"))?;
    let bytes = std::fs::metadata(path).map_or(0, |file| file.len());
    let device = |path: &Path| std::fs::metadata(path).map(|file| file.dev()).ok();
    let beside = device(path) == device(&folder);
    let room = statvfs(&folder).map_err(failed("looking for room"))?;
    let room = room.blocks_available().saturating_mul(room.fragment_size());
    if room < bytes {
        return Err(format!("it takes {bytes} bytes, and the disk of {} has {room} left", folder.display()));
    }
    if beside && room - bytes < place.bounds.warn_below() {
        return Err(format!(
            "it takes {bytes} bytes, and the disk of {} has {room} left, of which the log itself needs some ([log] warn_below): take \
             copies away, or name a folder on another disk with [log] backups",
            folder.display()
        ));
    }
    let name = name(&folder, begun)?;
    let part = part(&name);
    let made = fill(&source, &part).and_then(|last| {
        let bytes = std::fs::metadata(&part).map_err(failed("looking at the copy"))?.len();
        // Over our own empty file of that name: nobody else's.
        std::fs::rename(&part, &name).map_err(failed("naming the copy"))?;
        File::open(&folder)
            .and_then(|folder| folder.sync_all())
            .map_err(failed("making sure of the copy"))?;
        Ok((name.clone(), bytes, last))
    });
    if made.is_err() {
        for left in [&part, &name] {
            let _gone = std::fs::remove_file(left).is_ok();
        }
    }
    made
}

fn part(name: &Path) -> PathBuf {
    let mut part = name.as_os_str().to_owned();
    part.push(PART);
    PathBuf::from(part)
}

/// Takes a name by the time, which nothing has.
fn name(folder: &Path, begun: Moment) -> Result<PathBuf, String> {
    let at = begun.at.to_string();
    let second: String = at.chars().take_while(|c| *c != '.').filter(|c| !"-:".contains(*c)).collect();
    let names = (1..1000_u32).map(|count| match count {
        1 => folder.join(format!("log-{second}Z.sqlite")),
        more => folder.join(format!("log-{second}Z-{more}.sqlite")),
    });
    for name in names {
        match OpenOptions::new().write(true).create_new(true).open(&name) {
            Ok(_) => return Ok(name),
            Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {}
            Err(error) => return Err(failed("making the copy's file")(error)),
        }
    }
    Err("every name for the copy is taken".to_owned())
}

/// Takes away what a copy has left that was cut off: the part, and the empty file that kept its name.
fn clear(folder: &Path) {
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
        let Some(name) = path.to_str().and_then(|path| path.strip_suffix(PART)) else { continue };
        let ours = Path::new(name).file_name().is_some_and(|name| {
            let name = name.to_string_lossy();
            name.starts_with("log-") && name.ends_with(".sqlite")
        });
        if ours {
            let empty = std::fs::metadata(name).is_ok_and(|file| file.len() == 0);
            let _gone = std::fs::remove_file(&path).is_ok() && empty && std::fs::remove_file(name).is_ok();
        }
    }
}

/// Copies the log page by page, looks through the copy, and has it on the disk. Gives the last sequence in it.
fn fill(source: &Connection, part: &Path) -> Result<u64, String> {
    let mut copy = Connection::open(part).map_err(failed("opening the copy"))?;
    copy_pages(source, &mut copy).map_err(failed("copying"))?;
    // In one file, to be opened anywhere. It is another log from here on: should it ever be written, its numbers go their own way.
    copy.execute_batch("PRAGMA journal_mode = DELETE; PRAGMA synchronous = FULL;")
        .map_err(failed("closing the copy"))?;
    copy.execute("UPDATE identity SET id = ?1", [unique_id()]).map_err(failed("naming the copy"))?;
    let problems = problems(&copy, "integrity_check", 1).map_err(failed("looking through the copy"))?;
    if let Some(problem) = problems.first() {
        return Err(format!("the copy is not whole: {problem}"));
    }
    let last = query::last_sequence(&copy).map_err(failed("reading the copy"))?;
    copy.close().map_err(|(_, error)| failed("closing the copy")(error))?;
    File::open(part).and_then(|file| file.sync_all()).map_err(failed("having the copy on the disk"))?;
    Ok(last)
}

/// Of one moment, however long it takes: what is written meanwhile is not in it, and doesn't have it begin anew.
fn copy_pages(source: &Connection, copy: &mut Connection) -> rusqlite::Result<()> {
    let moment = source.unchecked_transaction()?;
    moment.query_row("SELECT count(*) FROM meters", [], |_| Ok(()))?;
    Copying::new(&moment, copy)?.run_to_completion(PAGES, PAUSE, None)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::{LogFile, Survives};

    #[test]
    fn copies_leave_the_log_its_room() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("log.sqlite");
        drop(schema::open(&path, Survives::Crash).unwrap());
        let begun = Clock::system().now();
        let disk = statvfs(folder.path()).unwrap();
        let all = disk.blocks().saturating_mul(disk.fragment_size());
        let with = |warn_below| {
            copy(&Place::new(path.clone(), &LogFile { warn_below, ..LogFile::default() }), begun)
        };
        let refused = with(all).unwrap_err();
        assert!(refused.contains("[log] backups"), "{refused}");
        assert_eq!(std::fs::read_dir(folder.path().join("backups")).unwrap().count(), 0);
        with(0).unwrap();
    }
}
