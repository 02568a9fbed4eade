//! The socket's file: made so that a live daemon's is never stolen and a dead one's never in the way.

use std::fmt;
use std::os::unix::fs::{FileTypeExt, PermissionsExt};
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
    // Held for as long as the socket is ours.
    _lock: Lock,
}

/// Why the socket could not be made.
#[derive(Debug)]
pub enum BindError {
    /// Another daemon is alive on it.
    Taken {
        /// The other's process id, where it could be read.
        pid: Option<u32>,
    },
    /// Something that isn't a socket is in the way.
    NotASocket,
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
            Self::Taken { pid: Some(pid) } => {
                write!(
                    f,
                    "another daemon (process {pid}) is alive there: stop it, or choose another --socket"
                )
            }
            Self::Taken { pid: None } => {
                f.write_str("another daemon is alive there: stop it, or choose another --socket")
            }
            Self::NotASocket => f.write_str("a file that is not a socket is in the way; it was left alone"),
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
        LockError::Held { pid } => BindError::Taken { pid },
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
        let bound = Self { listener, path: path.to_owned(), _lock: lock };
        if let Door::Group(group) = door {
            chown(path, None, Some(Gid::from_raw(group)))
                .map_err(|error| io("giving the socket to the group")(error.into()))?;
        }
        std::fs::set_permissions(path, PermissionsExt::from_mode(mode(door)))
            .map_err(io("setting the socket's mode"))?;
        Ok(bound)
    }

    /// The socket's path.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }
}

impl Drop for Bound {
    fn drop(&mut self) {
        // Already gone is as good.
        let _removed = std::fs::remove_file(&self.path).is_ok();
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
        Ok(_) => Err(BindError::Taken { pid: None }),
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
        assert!(matches!(error, BindError::Taken { pid: Some(pid) } if pid == std::process::id()), "{error}");
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
        use std::os::unix::fs::MetadataExt;
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
