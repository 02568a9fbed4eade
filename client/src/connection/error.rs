//! Why there is no connection, or no answer.

use std::fmt;
use std::path::PathBuf;

use settled_protocol::error::RpcError;

/// Why there is no connection.
#[derive(Debug)]
pub struct OpenError {
    pub(super) tried: Vec<PathBuf>,
    pub(super) source: std::io::Error,
}

impl OpenError {
    /// Whether there is a socket that doesn't let us in: waiting alone doesn't open it.
    pub(crate) fn is_closed_to_us(&self) -> bool {
        self.source.kind() == std::io::ErrorKind::PermissionDenied
    }
}

impl fmt::Display for OpenError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let tried: Vec<String> = self.tried.iter().map(|path| path.display().to_string()).collect();
        let tried = tried.join(" or ");
        if self.is_closed_to_us() {
            return write!(
                f,
                "the socket {tried} lets in others: ask whoever runs the daemon to be put in the group that [socket] of its config names"
            );
        }
        write!(
            f,
            "no daemon answers at {tried}: start one with `settled --config FILE`, name its socket with --socket, or see `settle demo`"
        )
    }
}

impl std::error::Error for OpenError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        Some(&self.source)
    }
}

/// Why a call got no result.
#[derive(Debug)]
pub enum CallError {
    /// The daemon refused it.
    Refused(RpcError),
    /// The connection ended before there was an answer.
    Closed,
    /// The answer doesn't fit the method: client and daemon are of unlike versions.
    Misfit {
        /// The method.
        method: &'static str,
        /// What didn't fit.
        source: serde_json::Error,
    },
}

impl fmt::Display for CallError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Refused(error) => error.fmt(f),
            Self::Closed => f.write_str("the daemon closed the connection"),
            Self::Misfit { method, .. } => {
                write!(f, "the daemon's answer to {method} can't be read: is it of another version?")
            }
        }
    }
}

impl std::error::Error for CallError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Misfit { source, .. } => Some(source),
            Self::Refused(_) | Self::Closed => None,
        }
    }
}
