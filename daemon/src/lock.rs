//! A file that says that its owner lives. The kernel lets go of it however the owner dies.

use std::fmt;
use std::fs::{File, OpenOptions};
use std::io::{Read, Seek, Write};
use std::path::{Path, PathBuf};

use nix::fcntl::{Flock, FlockArg};

/// Held for as long as what lies beside it is ours.
#[derive(Debug)]
pub struct Lock(Flock<File>);

/// What stands behind the process id of an owner that is about to end.
const ENDING: &str = "ending";

/// Why it could not be taken.
#[derive(Debug)]
pub enum LockError {
    /// Somebody else lives.
    Held {
        /// The other's process id, where it could be read.
        pid: Option<u32>,
        /// It is about to end.
        ending: bool,
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
            Self::Held { pid: Some(pid), .. } => write!(f, "another daemon (process {pid})"),
            Self::Held { pid: None, .. } => f.write_str("another daemon"),
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
            Ok(lock) => {
                let lock = Self(lock);
                lock.write(&std::process::id().to_string()).map_err(io("writing the lock"))?;
                Ok(lock)
            }
            Err((mut file, nix::errno::Errno::EWOULDBLOCK)) => {
                let mut text = String::new();
                let _read = file.read_to_string(&mut text).is_ok();
                let mut words = text.split_whitespace();
                let pid = words.next().and_then(|pid| pid.parse().ok());
                Err(LockError::Held { pid, ending: words.next() == Some(ENDING) })
            }
            Err((_, error)) => Err(io("taking the lock")(error.into())),
        }
    }
    /// Says to whoever wants it next that it will soon be free.
    pub fn is_ending(&self) {
        // Should it fail, the next one doesn't wait.
        let _said = self.write(&format!("{} {ENDING}", std::process::id())).is_ok();
    }

    /// Replaces what stands in the file. It is only ever read by who finds it held.
    fn write(&self, text: &str) -> std::io::Result<()> {
        let mut file: &File = &self.0;
        file.rewind()?;
        file.write_all(text.as_bytes())?;
        file.set_len(text.len() as u64)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn who_finds_it_held_learns_by_whom_and_whether_that_one_is_about_to_end() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("socket");
        let held = |ending: bool| {
            let error = Lock::beside(&path).unwrap_err();
            let own = std::process::id();
            assert!(
                matches!(error, LockError::Held { pid: Some(pid), ending: said } if pid == own && said == ending)
            );
        };
        let lock = Lock::beside(&path).unwrap();
        held(false);
        lock.is_ending();
        held(true);
        drop(lock);
        let _lock = Lock::beside(&path).unwrap();
        held(false);
    }
}
