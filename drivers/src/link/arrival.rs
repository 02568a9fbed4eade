//! News that an instrument may have been attached: a file on the way to it has come, or may be opened now. The only file that
//! names `nix`.
//!
//! The way to a serial port is often a symbolic link that comes and goes with the instrument, in a folder that does so too, to a
//! node whose permissions are put right a moment after it was made. So every link of the chain is watched for, each in its
//! folder, or in the nearest one above it that is there.

use std::ffi::OsString;
use std::fmt;
use std::io;
use std::os::fd::{AsFd, AsRawFd, RawFd};
use std::path::{Path, PathBuf};

use nix::sys::inotify::{AddWatchFlags, InitFlags, Inotify, InotifyEvent, WatchDescriptor};
use tokio::io::Interest;
use tokio::io::unix::AsyncFd;

use crate::clock::Boxed;

/// Links that are followed from one to the next: more than any way to a port has.
const MOST_LINKS: usize = 8;

/// Times that the way is looked at anew because it changed meanwhile.
const MOST_LOOKS: usize = 8;

/// A watch on the place where an instrument comes and goes. It begins when this is made, so that nothing that happens
/// between an attempt to open and the wait for the next is missed.
pub trait Arrival: Send + fmt::Debug {
    /// Waits for a change since this was made, or since the last one that was told: an edge, never a state that lasts.
    /// Dropping the future loses nothing.
    fn changed(&mut self) -> Boxed<'_, ()>;
}

/// A watch on the file at `path`, wherever on the way to it something is missing; nothing if the system gives none (each takes an
/// inotify instance of the user's, of which there are 128 as a rule).
#[must_use]
pub fn of_file(path: &Path) -> Option<Box<dyn Arrival>> {
    let path = std::path::absolute(path).ok()?;
    let inotify = Inotify::init(InitFlags::IN_CLOEXEC | InitFlags::IN_NONBLOCK).ok()?;
    #[expect(
        deprecated,
        reason = "what replaces it is unsafe, for who doesn't own the descriptor; here the watch does"
    )]
    let events = AsyncFd::with_interest(Events(inotify), Interest::READABLE).ok()?;
    let mut watch = FileWatch { events, path, awaited: Vec::new() };
    watch.aim();
    Some(Box::new(watch))
}

/// The system's queue of events.
#[derive(Debug)]
struct Events(Inotify);

impl AsRawFd for Events {
    fn as_raw_fd(&self) -> RawFd {
        self.0.as_fd().as_raw_fd()
    }
}

/// A name that may come, or change, in a folder that is watched.
#[derive(Debug, PartialEq, Eq)]
struct Awaited {
    folder: WatchDescriptor,
    name: OsString,
    /// Whether it is the link or the node itself, not just a folder above it.
    is_end: bool,
}

#[derive(Debug)]
struct FileWatch {
    events: AsyncFd<Events>,
    path: PathBuf,
    awaited: Vec<Awaited>,
}

/// What an event means.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum News {
    /// Nothing to us.
    None,
    /// The way to the file is another now.
    Way,
    /// The file may have come.
    File,
}

impl FileWatch {
    /// Watches for every link from the path to the node, as they are now.
    fn aim(&mut self) {
        let before = std::mem::take(&mut self.awaited);
        let mut next = Some(self.path.clone());
        for _ in 0..MOST_LINKS {
            let Some(path) = next.take() else { break };
            if let Some(awaited) = self.await_one(&path) {
                self.awaited.push(awaited);
            }
            let target = std::fs::read_link(&path).ok();
            next = target.and_then(|target| Some(path.parent()?.join(target)));
        }
        for old in before {
            if !self.awaited.iter().any(|awaited| awaited.folder == old.folder) {
                // It may be gone by itself.
                let _gone = self.events.get_ref().0.rm_watch(old.folder).is_ok();
            }
        }
    }

    /// Watches for `path` in its folder, or for the way to it in the nearest folder that is there.
    fn await_one(&self, path: &Path) -> Option<Awaited> {
        let flags = AddWatchFlags::IN_CREATE
            | AddWatchFlags::IN_MOVED_TO
            | AddWatchFlags::IN_ATTRIB
            | AddWatchFlags::IN_DELETE_SELF
            | AddWatchFlags::IN_MOVE_SELF
            | AddWatchFlags::IN_ONLYDIR;
        for _ in 0..MOST_LOOKS {
            let steps = path.ancestors().skip(1).zip(path.ancestors());
            let (folder, step, watched) = steps.into_iter().find_map(|(folder, step)| {
                let watched = self.events.get_ref().0.add_watch(folder, flags).ok()?;
                Some((folder, step, watched))
            })?;
            let is_end = step == path;
            // A folder that was made just before the one above it was watched has been missed.
            let made_meanwhile = !is_end && std::fs::read_dir(step).is_ok();
            if !made_meanwhile {
                let name = step.strip_prefix(folder).ok()?.as_os_str().to_owned();
                return Some(Awaited { folder: watched, name, is_end });
            }
        }
        None
    }

    fn news(&self, event: &InotifyEvent) -> News {
        let lost = AddWatchFlags::IN_DELETE_SELF
            | AddWatchFlags::IN_MOVE_SELF
            | AddWatchFlags::IN_IGNORED
            | AddWatchFlags::IN_UNMOUNT;
        if event.mask.contains(AddWatchFlags::IN_Q_OVERFLOW) {
            return News::File;
        }
        let of_folder = self.awaited.iter().filter(|awaited| awaited.folder == event.wd);
        let meant = |awaited: &Awaited| match &event.name {
            Some(name) if *name == awaited.name && awaited.is_end => News::File,
            Some(name) if *name == awaited.name => News::Way,
            // The folder itself: it is gone, or may be looked into now.
            None if event.mask.intersects(lost | AddWatchFlags::IN_ATTRIB) => News::Way,
            _ => News::None,
        };
        of_folder.map(meant).max().unwrap_or(News::None)
    }

    /// Takes in what has happened; whether the file may have come.
    fn look(&mut self, events: &[InotifyEvent]) -> bool {
        match events.iter().map(|event| self.news(event)).max() {
            None | Some(News::None) => false,
            Some(News::Way) => {
                self.aim();
                self.path.exists()
            }
            Some(News::File) => {
                self.aim();
                true
            }
        }
    }
}

impl Arrival for FileWatch {
    fn changed(&mut self) -> Boxed<'_, ()> {
        Box::pin(async move {
            loop {
                let Ok(mut ready) = self.events.readable().await else { return std::future::pending().await };
                let read = ready.try_io(|events| events.get_ref().0.read_events().map_err(io::Error::from));
                drop(ready);
                match read {
                    Ok(Ok(events)) if self.look(&events) => return,
                    Ok(Err(_)) => return std::future::pending().await,
                    // Nothing to us, or nothing more.
                    Ok(Ok(_)) | Err(_) => {}
                }
            }
        })
    }
}

#[cfg(test)]
mod tests {
    use std::fs;
    use std::os::unix::fs::{PermissionsExt, symlink};
    use std::time::Duration;

    use tempfile::TempDir;

    use super::*;

    /// Whether the change has been seen. What the test does is with the system before this is asked.
    async fn seen(watch: &mut Box<dyn Arrival>) -> bool {
        tokio::time::timeout(Duration::from_secs(10), watch.changed()).await.is_ok()
    }

    /// Whether nothing has come: a mark is made that would come after it, and nothing but that is seen.
    async fn nothing_but(watch: &mut Box<dyn Arrival>, make_mark: impl FnOnce()) -> bool {
        let nothing = tokio::time::timeout(Duration::from_millis(50), watch.changed()).await.is_err();
        make_mark();
        nothing && seen(watch).await
    }

    fn bench() -> (TempDir, PathBuf) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("serial/by-id/meter");
        (folder, path)
    }

    #[tokio::test]
    async fn what_comes_after_the_watch_and_before_the_wait_is_not_missed() {
        let (folder, _) = bench();
        let path = folder.path().join("port");
        let mut watch = of_file(&path).unwrap();
        fs::write(&path, "").unwrap();
        assert!(seen(&mut watch).await);
    }

    #[tokio::test]
    async fn a_port_that_is_there_is_no_news_but_its_being_made_anew_is() {
        let (folder, _) = bench();
        let path = folder.path().join("port");
        fs::write(&path, "").unwrap();
        let mut watch = of_file(&path).unwrap();
        assert!(
            nothing_but(&mut watch, || {
                fs::write(folder.path().join("other"), "").unwrap();
                fs::remove_file(&path).unwrap();
                fs::write(&path, "").unwrap();
            })
            .await
        );
    }

    #[tokio::test]
    async fn folders_that_are_not_there_yet_are_waited_for_one_by_one() {
        let (_folder, path) = bench();
        let mut watch = of_file(&path).unwrap();
        let by_id = path.parent().unwrap();
        assert!(
            nothing_but(&mut watch, || {
                fs::create_dir_all(by_id).unwrap();
                fs::write(&path, "").unwrap();
            })
            .await
        );
        // Away with all of it, and once more.
        fs::remove_dir_all(by_id.parent().unwrap()).unwrap();
        assert!(
            nothing_but(&mut watch, || {
                fs::create_dir_all(by_id).unwrap();
                fs::write(&path, "").unwrap();
            })
            .await
        );
    }

    #[tokio::test]
    async fn a_link_is_followed_to_its_node_and_a_change_of_permissions_there_is_news() {
        let (folder, path) = bench();
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        let node = folder.path().join("ttyUSB7");
        symlink("../../ttyUSB7", &path).unwrap();
        let mut watch = of_file(&path).unwrap();
        // The link has been there all the time.
        fs::write(&node, "").unwrap();
        assert!(seen(&mut watch).await);
        assert!(
            nothing_but(&mut watch, || {
                fs::set_permissions(&node, fs::Permissions::from_mode(0o660)).unwrap();
            })
            .await
        );
    }

    #[tokio::test]
    async fn a_link_that_is_turned_to_another_node_is_followed_there() {
        let (folder, path) = bench();
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        symlink("../../ttyUSB7", &path).unwrap();
        let mut watch = of_file(&path).unwrap();
        let turned = folder.path().join("turned");
        symlink("../../ttyUSB8", &turned).unwrap();
        fs::rename(&turned, &path).unwrap();
        assert!(seen(&mut watch).await);
        assert!(nothing_but(&mut watch, || fs::write(folder.path().join("ttyUSB8"), "").unwrap()).await);
    }

    #[tokio::test]
    async fn links_that_lead_in_a_circle_do_no_harm() {
        let (folder, _) = bench();
        let (one, other) = (folder.path().join("one"), folder.path().join("other"));
        symlink(&other, &one).unwrap();
        symlink(&one, &other).unwrap();
        let mut watch = of_file(&one).unwrap();
        fs::remove_file(&one).unwrap();
        fs::write(&one, "").unwrap();
        assert!(seen(&mut watch).await);
    }
}
