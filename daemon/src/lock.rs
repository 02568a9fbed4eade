//! A file that says that its owner lives. The kernel lets go of it however the owner dies.

use std::fmt;
use std::fs::{File, OpenOptions};
use std::io::{Read, Seek, Write};
use std::path::{Path, PathBuf};

use nix::fcntl::{Flock, FlockArg};

/// Held for as long as what lies beside it is ours.
#[derive(Debug)]
pub struct Lock(#[expect(dead_code, reason = "it is there to be held")] Flock<File>);

/// Why it could not be taken.
#[derive(Debug)]
pub enum LockError {
    /// Somebody else lives.
    Held {
        /// The other's process id, where it could be read.
        pid: Option<u32>,
    },
    /// A step failed.
    Io {
        /// What was being done.
        doing: &'static str,
        /// Why it failed.
        source: std::io::Error,
    },
}

impl fmt::Display for LockError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Held { pid: Some(pid) } => write!(f, "another daemon (process {pid})"),
            Self::Held { pid: None } => f.write_str("another daemon"),
            Self::Io { doing, .. } => f.write_str(doing),
        }
    }
}

impl std::error::Error for LockError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Held { .. } => None,
            Self::Io { source, .. } => Some(source),
        }
    }
}

fn io(doing: &'static str) -> impl FnOnce(std::io::Error) -> LockError {
    move |source| LockError::Io { doing, source }
}

impl Lock {
    /// Takes the lock beside `path`, named like it and `.lock`, and writes our process id into it.
    ///
    /// # Errors
    /// [`LockError`] if somebody else holds it, or the file can't be made.
    pub fn beside(path: &Path) -> Result<Self, LockError> {
        let mut name = path.as_os_str().to_owned();
        name.push(".lock");
        let file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(PathBuf::from(name))
            .map_err(io("opening the lock"))?;
        match Flock::lock(file, FlockArg::LockExclusiveNonblock) {
            Ok(mut lock) => {
                let pid = std::process::id().to_string();
                let written = lock
                    .set_len(0)
                    .and_then(|()| lock.rewind())
                    .and_then(|()| lock.write_all(pid.as_bytes()));
                written.map_err(io("writing the lock"))?;
                Ok(Self(lock))
            }
            Err((mut file, nix::errno::Errno::EWOULDBLOCK)) => {
                let mut pid = String::new();
                let read = file.read_to_string(&mut pid).is_ok();
                Err(LockError::Held { pid: pid.trim().parse().ok().filter(|_| read) })
            }
            Err((_, error)) => Err(io("taking the lock")(error.into())),
        }
    }
}
