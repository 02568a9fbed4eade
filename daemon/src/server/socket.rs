//! The socket's file: made so that a live daemon's is never stolen and a dead one's never in the way.

use std::fmt;
use std::os::unix::fs::{FileTypeExt, MetadataExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use nix::sys::stat::{Mode, umask};
use nix::unistd::{Gid, chown};
use tokio::net::UnixListener;

use crate::access::Door;
use crate::lock::{Lock, LockError};

/// The file's mode: to connect is to write.
fn mode(door: Door) -> u32 {
    match door {
        Door::Owner => 0o600,
        Door::Group(_) => 0o660,
        Door::Everyone => 0o666,
    }
}

/// A listening socket. Dropping it removes the file and lets the next daemon in.
#[derive(Debug)]
pub struct Bound {
    /// Where clients come in.
    pub listener: UnixListener,
    path: PathBuf,
    /// Held for as long as the socket is ours; nothing where it is the service manager's.
    lock: Option<Lock>,
}

/// Why the socket could not be made.
#[derive(Debug)]
pub enum BindError {
    /// Another daemon is alive on it.
    Taken {
        /// The other's process id, where it could be read.
        pid: Option<u32>,
        /// It is about to end.
        ending: bool,
    },
    /// Something that isn't a socket is in the way.
    NotASocket,
    /// The socket that the service manager has made lets in others than the config says.
    OtherDoor {
        /// What it has to be told.
        told: String,
    },
    /// A step failed.
    Io {
        /// What was being done.
        doing: &'static str,
        /// Why it failed.
        source: std::io::Error,
    },
}

impl fmt::Display for BindError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Taken { pid: Some(pid), .. } => {
                write!(
                    f,
                    "another daemon (process {pid}) is alive there: stop it, or choose another --socket"
                )
            }
            Self::Taken { pid: None, .. } => {
                f.write_str("another daemon is alive there: stop it, or choose another --socket")
            }
            Self::NotASocket => f.write_str("a file that is not a socket is in the way; it was left alone"),
            Self::OtherDoor { told } => {
                write!(f, "the socket that was handed over lets in others than the config says: {told}")
            }
            Self::Io { doing, .. } => f.write_str(doing),
        }
    }
}

impl std::error::Error for BindError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Io { source, .. } => Some(source),
            _ => None,
        }
    }
}

fn io(doing: &'static str) -> impl FnOnce(std::io::Error) -> BindError {
    move |source| BindError::Io { doing, source }
}

fn not_locked(error: LockError) -> BindError {
    match error {
        LockError::Held { pid, ending } => BindError::Taken { pid, ending },
        LockError::Io { doing, source } => BindError::Io { doing, source },
    }
}

impl Bound {
    /// Makes the socket at `path`, and its folder if need be, and lets in whom `door` says.
    ///
    /// # Errors
    /// [`BindError`]; a live daemon's socket, or a file that is no socket, is left as it was.
    pub fn new(path: &Path, door: Door) -> Result<Self, BindError> {
        if let Some(folder) = path.parent() {
            std::fs::create_dir_all(folder).map_err(io("making the socket's folder"))?;
        }
        let lock = Lock::beside(path).map_err(not_locked)?;
        clear(path)?;
        let listener = bind(path).map_err(io("binding the socket"))?;
        // From here on, dropping removes the file.
        let bound = Self { listener, path: path.to_owned(), lock: Some(lock) };
        if let Door::Group(group) = door {
            chown(path, None, Some(Gid::from_raw(group)))
                .map_err(|error| io("giving the socket to the group")(error.into()))?;
        }
        std::fs::set_permissions(path, PermissionsExt::from_mode(mode(door)))
            .map_err(io("setting the socket's mode"))?;
        Ok(bound)
    }

    /// A socket that the service manager has made, and keeps: its file is left as it is. The second value is what doesn't fit the config
    /// and harms nobody.
    ///
    /// # Errors
    /// [`BindError::OtherDoor`] where the file vouches for whom the config trusts because of it, and lets in others;
    /// [`BindError::Io`] if it can't be listened on.
    pub fn inherited(
        listener: std::os::unix::net::UnixListener,
        door: Door,
    ) -> Result<(Self, Option<String>), BindError> {
        let address = listener.local_addr().map_err(io("asking where the socket is"))?;
        let path = address.as_pathname().map(Path::to_owned);
        let file = path.as_ref().and_then(|path| std::fs::metadata(path).ok());
        let found = file.map(|file| (file.mode() & 0o777, file.gid()));
        let advice = fits(found, door).map_err(|told| BindError::OtherDoor { told })?;
        listener.set_nonblocking(true).map_err(io("waiting on the socket"))?;
        let listener = UnixListener::from_std(listener).map_err(io("waiting on the socket"))?;
        Ok((Self { listener, path: path.unwrap_or_default(), lock: None }, advice))
    }

    /// Says to whoever wants the place next that it will soon be free.
    pub fn is_ending(&self) {
        self.lock.iter().for_each(Lock::is_ending);
    }

    /// The socket's path.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }
}

impl Drop for Bound {
    fn drop(&mut self) {
        if self.lock.is_some() {
            // Already gone is as good.
            let _removed = std::fs::remove_file(&self.path).is_ok();
        }
    }
}

/// Whether a file of this mode and group lets in whom `door` says, if there is a file. What it keeps out is told; what it must not let
/// in is an error, in words that say what to change.
fn fits(file: Option<(u32, u32)>, door: Door) -> Result<Option<String>, String> {
    let wanted = mode(door);
    match (door, file) {
        // Whoever comes in by the group's door counts as one of the group.
        (Door::Group(group), None) => Err(format!(
            "it has no file that could tell members of the group {group}: ListenStream= must be a path"
        )),
        (Door::Group(group), Some((mode, gid))) if gid != group || mode & 0o007 != 0 => Err(format!(
            "its file is of the group {gid} with the mode {mode:04o}: SocketGroup= must be the group {group}, and SocketMode=0660"
        )),
        (_, Some((mode, _))) if mode & wanted & 0o066 != wanted & 0o066 => Ok(Some(format!(
            "the socket's file has the mode {mode:04o}, and keeps out some whom the config lets in: SocketMode={wanted:04o}"
        ))),
        (Door::Owner, Some((mode, _))) if mode & 0o066 != 0 => Ok(Some(format!(
            "the socket's file has the mode {mode:04o}; all but the owner and root are turned away, as the config names no group"
        ))),
        _ => Ok(None),
    }
}

/// Makes the socket, the owner's alone whatever the process's mask: who could come in before the file has its mode would pass for
/// somebody whom that mode lets in.
fn bind(path: &Path) -> std::io::Result<UnixListener> {
    // One at a time: the mask is the whole process's.
    static MASK: Mutex<()> = Mutex::new(());
    let _alone = MASK.lock().unwrap_or_else(PoisonError::into_inner);
    let before = umask(Mode::S_IRWXG | Mode::S_IRWXO);
    let bound = UnixListener::bind(path);
    umask(before);
    bound
}

/// Removes what a dead daemon left. Somebody who answers, or a file that is no socket, stays.
fn clear(path: &Path) -> Result<(), BindError> {
    match std::fs::symlink_metadata(path) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(()),
        Err(error) => return Err(io("looking at the socket's path")(error)),
        Ok(metadata) if !metadata.file_type().is_socket() => return Err(BindError::NotASocket),
        Ok(_) => {}
    }
    match std::os::unix::net::UnixStream::connect(path) {
        Ok(_) => Err(BindError::Taken { pid: None, ending: false }),
        Err(error) if error.kind() == std::io::ErrorKind::ConnectionRefused => {
            std::fs::remove_file(path).map_err(io("removing a dead daemon's socket"))
        }
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(()),
        // Whoever can't be asked may live.
        Err(error) => Err(io("asking whether somebody lives at the socket, which was left alone")(error)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_live_daemons_socket_is_never_stolen() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("run/socket");
        let first = Bound::new(&path, Door::Owner).unwrap();
        let error = Bound::new(&path, Door::Owner).unwrap_err();
        assert!(
            matches!(error, BindError::Taken { pid: Some(pid), .. } if pid == std::process::id()),
            "{error}"
        );
        assert!(std::os::unix::net::UnixStream::connect(&path).is_ok());
        drop(first);
        assert!(Bound::new(&path, Door::Owner).is_ok());
    }

    #[tokio::test]
    async fn what_a_dead_daemon_left_is_cleared_and_a_plain_file_is_not() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("socket");
        drop(std::os::unix::net::UnixListener::bind(&path).unwrap());
        assert!(path.exists());
        let bound = Bound::new(&path, Door::Owner).unwrap();
        assert_eq!(std::fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
        drop(bound);
        std::fs::write(&path, "precious").unwrap();
        assert!(matches!(Bound::new(&path, Door::Owner), Err(BindError::NotASocket)));
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "precious");
    }

    #[tokio::test]
    async fn a_socket_that_cant_be_asked_whether_somebody_lives_there_is_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("socket");
        // Of another kind than ours: connecting to it fails, though its owner lives.
        let other = std::os::unix::net::UnixDatagram::bind(&path).unwrap();
        assert!(matches!(Bound::new(&path, Door::Owner), Err(BindError::Io { .. })));
        let sender = std::os::unix::net::UnixDatagram::unbound().unwrap();
        sender.send_to(b"alive", &path).unwrap();
        assert_eq!(other.recv(&mut [0; 8]).unwrap(), 5);
    }

    #[tokio::test]
    async fn the_file_lets_in_whom_it_is_for() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("socket");
        // One that whoever runs the tests is in.
        let own = nix::unistd::getegid().as_raw();
        for (door, mode) in [(Door::Owner, 0o600), (Door::Group(own), 0o660), (Door::Everyone, 0o666)] {
            let _bound = Bound::new(&path, door).unwrap();
            let file = std::fs::metadata(&path).unwrap();
            assert_eq!((file.mode() & 0o777, file.gid()), (mode, own), "{door:?}");
        }
    }

    #[tokio::test]
    async fn a_socket_that_was_handed_over_stays_and_must_not_let_in_more_than_a_group_that_is_trusted() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("socket");
        let listener = std::os::unix::net::UnixListener::bind(&path).unwrap();
        let own = nix::unistd::getegid().as_raw();
        let inherited = |mode: u32, door: Door| {
            std::fs::set_permissions(&path, PermissionsExt::from_mode(mode)).unwrap();
            Bound::inherited(listener.try_clone().unwrap(), door).map(|(_, advice)| advice)
        };
        assert_eq!(inherited(0o660, Door::Group(own)).unwrap(), None);
        for (mode, group) in [(0o666, own), (0o660, own + 1)] {
            let error = inherited(mode, Door::Group(group)).unwrap_err().to_string();
            assert!(error.contains(&format!("SocketGroup= must be the group {group}")), "{error}");
        }
        assert!(inherited(0o600, Door::Group(own)).unwrap().unwrap().contains("SocketMode=0660"));
        assert!(inherited(0o660, Door::Everyone).unwrap().unwrap().contains("SocketMode=0666"));
        assert!(inherited(0o660, Door::Owner).unwrap().unwrap().contains("turned away"));
        assert_eq!(inherited(0o600, Door::Owner).unwrap(), None);
        assert!(path.exists(), "it is whoever made it who takes it away");
    }

    #[tokio::test]
    async fn nobody_else_comes_in_before_the_file_has_its_mode() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("socket");
        let before = umask(Mode::empty());
        let listener = bind(&path);
        umask(before);
        assert!(listener.is_ok(), "{listener:?}");
        assert_eq!(std::fs::metadata(&path).unwrap().permissions().mode() & 0o077, 0);
    }
}
