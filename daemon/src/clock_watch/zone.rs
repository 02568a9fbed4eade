//! The machine's time zone, as `/etc/localtime` has it: a link whose folder is watched.

use std::future::pending;
use std::os::fd::{AsFd, AsRawFd, RawFd};
use std::path::{Path, PathBuf};

use nix::errno::Errno;
use nix::sys::inotify::{AddWatchFlags, InitFlags, Inotify};
use tokio::io::Interest;
use tokio::io::unix::AsyncFd;

/// What stands before a zone's name in the link's target.
const FOLDER: &str = "zoneinfo/";

/// The zone, and how its changes are heard of.
#[derive(Debug)]
pub(super) struct Zone {
    path: PathBuf,
    last: Kept,
    news: Option<AsyncFd<News>>,
    /// Something came or went, and hasn't been looked at yet.
    due: bool,
}

/// What there was at the path.
#[derive(Debug, Default, PartialEq, Eq)]
struct Kept {
    target: Option<PathBuf>,
    rules: Option<Vec<u8>>,
}

#[derive(Debug)]
struct News(Inotify);

impl AsRawFd for News {
    fn as_raw_fd(&self) -> RawFd {
        self.0.as_fd().as_raw_fd()
    }
}

impl Kept {
    /// Two small reads from the folder of the machine's settings.
    fn look(path: &Path) -> Self {
        Self { target: std::fs::read_link(path).ok(), rules: std::fs::read(path).ok() }
    }

    /// Its name, where it has one.
    fn name(&self) -> String {
        let target = self.target.as_ref().map(|target| target.to_string_lossy().into_owned());
        match (target, &self.rules) {
            (Some(target), Some(_)) => {
                target.rsplit_once(FOLDER).map_or(target.clone(), |(_, name)| name.to_owned())
            }
            (None, Some(_)) => "one without a name".to_owned(),
            (_, None) => "UTC, as none is set".to_owned(),
        }
    }
}

impl Zone {
    pub(super) fn at(path: &Path) -> Self {
        let news = watch(path).inspect_err(|error| {
            tracing::warn!("a change of the machine's time zone is not noticed: {error}");
        });
        Self { path: path.to_owned(), last: Kept::look(path), news: news.ok(), due: false }
    }

    /// The next change, in words. Dropping the future loses nothing.
    pub(super) async fn changes(&mut self) -> String {
        loop {
            if !self.due {
                let Some(news) = &self.news else { return pending().await };
                let Ok(mut ready) = news.readable().await else { return pending().await };
                while matches!(news.get_ref().0.read_events(), Ok(_) | Err(Errno::EINTR)) {}
                ready.clear_ready();
                self.due = true;
            }
            let path = self.path.clone();
            let looked = tokio::task::spawn_blocking(move || Kept::look(&path)).await;
            self.due = false;
            let Ok(now) = looked else { continue };
            if now != self.last {
                let detail =
                    format!("the machine's time zone was {} and is {}", self.last.name(), now.name());
                self.last = now;
                return detail;
            }
        }
    }
}

/// Hears of whatever comes and goes beside the link: it is replaced, not written.
#[expect(deprecated, reason = "unsound only for descriptors that somebody else may close, which this is not")]
fn watch(path: &Path) -> std::io::Result<AsyncFd<News>> {
    let folder = path.parent().unwrap_or(Path::new("/"));
    let inotify = Inotify::init(InitFlags::IN_NONBLOCK | InitFlags::IN_CLOEXEC)?;
    let what = AddWatchFlags::IN_MOVED_TO
        | AddWatchFlags::IN_CREATE
        | AddWatchFlags::IN_DELETE
        | AddWatchFlags::IN_CLOSE_WRITE;
    inotify.add_watch(folder, what | AddWatchFlags::IN_ONLYDIR)?;
    AsyncFd::with_interest(News(inotify), Interest::READABLE)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_zone_that_is_replaced_is_told_with_both_names_and_other_files_are_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let zones = folder.path().join("zoneinfo");
        std::fs::create_dir_all(zones.join("Some")).unwrap();
        std::fs::write(zones.join("Some/Where"), "here").unwrap();
        std::fs::write(zones.join("Elsewhere"), "there").unwrap();
        let etc = tempfile::tempdir().unwrap();
        let path = etc.path().join("localtime");
        std::os::unix::fs::symlink(zones.join("Some/Where"), &path).unwrap();
        let mut zone = Zone::at(&path);
        std::fs::write(etc.path().join("hosts"), "127.0.0.1").unwrap();
        let next = etc.path().join("next");
        std::os::unix::fs::symlink(zones.join("Elsewhere"), &next).unwrap();
        std::fs::rename(&next, &path).unwrap();
        assert_eq!(zone.changes().await, "the machine's time zone was Some/Where and is Elsewhere");
        std::fs::remove_file(&path).unwrap();
        assert_eq!(zone.changes().await, "the machine's time zone was Elsewhere and is UTC, as none is set");
    }
}
