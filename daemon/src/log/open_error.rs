//! Why a log could not be opened, and which of that is its file's own fault.

use std::fmt;

use rusqlite::ErrorCode;

use super::recovery::RecoveryError;
use crate::lock::LockError;

/// Why the log could not be opened.
#[derive(Debug)]
pub enum OpenError {
    /// Its folder could not be made.
    Folder(std::io::Error),
    /// Its file could not be made.
    File(std::io::Error),
    /// Another daemon writes it, or that can't be told.
    Lock(LockError),
    /// SQLite could not open or set it up.
    Open(rusqlite::Error),
    /// It could not be read.
    Read(rusqlite::Error),
    /// It is some other program's database.
    NotOurs,
    /// A later version of the daemon wrote it.
    TooNew {
        /// Its version.
        found: i64,
        /// The newest this daemon knows.
        known: i64,
    },
    /// It is damaged.
    Damaged(String),
    /// It is damaged, and what can be read of it could not be saved.
    Recovery(RecoveryError),
    /// The writer's thread could not be started.
    Thread(std::io::Error),
}

impl OpenError {
    /// Whether nobody but its user can tell what is to become of it: the daemon doesn't start. All else may pass.
    #[must_use]
    pub fn is_refusal(&self) -> bool {
        match self {
            Self::NotOurs | Self::TooNew { .. } | Self::Lock(LockError::Held { .. }) | Self::Thread(_) => {
                true
            }
            Self::Folder(_)
            | Self::File(_)
            | Self::Lock(LockError::Io { .. })
            | Self::Open(_)
            | Self::Read(_)
            | Self::Damaged(_)
            | Self::Recovery(_) => false,
        }
    }

    /// Whether the file itself is wrong, and not what keeps it from being read.
    pub(super) fn is_damage(&self) -> bool {
        match self {
            Self::Damaged(_) => true,
            Self::Open(error) | Self::Read(error) => is_damage(error),
            _ => false,
        }
    }
}

/// Whether an error says that a database is not as it was written: it is no database, has not the tables that it should, or not
/// what should be in them.
pub(super) fn is_damage(error: &rusqlite::Error) -> bool {
    match error.sqlite_error_code() {
        Some(code) => {
            matches!(code, ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase | ErrorCode::Unknown)
        }
        None => true,
    }
}

impl fmt::Display for OpenError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Folder(_) => f.write_str("making the log's folder"),
            Self::File(_) => f.write_str("making the log's file"),
            Self::Lock(error @ LockError::Held { .. }) => {
                write!(f, "{error} writes it: stop that, or name another path under [log]")
            }
            Self::Lock(_) => f.write_str("making sure that no other daemon writes the log"),
            Self::Open(_) => f.write_str("opening the log"),
            Self::Read(_) => f.write_str("reading the log"),
            Self::NotOurs => {
                f.write_str("the file is another program's database; name another path under [log]")
            }
            Self::TooNew { found, known } => {
                write!(
                    f,
                    "the log is of version {found}, this daemon knows up to {known}: install a newer daemon"
                )
            }
            Self::Damaged(why) => write!(f, "the log is damaged: {why}"),
            Self::Recovery(_) => f.write_str("the log is damaged, and could not be recovered"),
            Self::Thread(_) => f.write_str("starting the log's writer"),
        }
    }
}

impl std::error::Error for OpenError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Folder(error) | Self::File(error) | Self::Thread(error) => Some(error),
            Self::Open(error) | Self::Read(error) => Some(error),
            Self::Lock(error @ LockError::Io { .. }) => Some(error),
            Self::Recovery(error) => Some(error),
            Self::Lock(LockError::Held { .. }) | Self::NotOurs | Self::TooNew { .. } | Self::Damaged(_) => {
                None
            }
        }
    }
}

/// Whether a row, or what leads to it, is not as it was written: what is wrong with a query itself doesn't count.
pub(super) fn is_spoilt(error: &rusqlite::Error) -> bool {
    match error {
        rusqlite::Error::FromSqlConversionFailure(..)
        | rusqlite::Error::InvalidColumnType(..)
        | rusqlite::Error::IntegralValueOutOfRange(..)
        | rusqlite::Error::Utf8Error(..) => true,
        other => {
            matches!(other.sqlite_error_code(), Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase))
        }
    }
}
