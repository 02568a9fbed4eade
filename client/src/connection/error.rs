//! Why there is no connection, or no answer.

use std::fmt;
use std::io;
use std::path::PathBuf;

use settled_protocol::error::RpcError;

/// Why there is no connection.
#[derive(Debug)]
pub struct OpenError {
    pub(super) tried: Vec<PathBuf>,
    pub(super) source: io::Error,
}

/// The sockets that were tried in vain.
#[derive(Default)]
pub(super) struct Tries {
    absent: Vec<PathBuf>,
    /// One that is there, and doesn't do: that says more than that there is none elsewhere.
    telling: Option<(PathBuf, io::Error)>,
    last: Option<io::Error>,
}

impl Tries {
    pub(super) fn failed(&mut self, path: PathBuf, error: io::Error) {
        if error.kind() == io::ErrorKind::NotFound {
            self.absent.push(path);
            self.last = Some(error);
        } else if self.telling.is_none() {
            self.telling = Some((path, error));
        }
    }
}

impl From<Tries> for OpenError {
    fn from(Tries { absent, telling, last }: Tries) -> Self {
        match telling {
            Some((path, source)) => Self { tried: vec![path], source },
            None => Self { tried: absent, source: last.unwrap_or(io::ErrorKind::NotFound.into()) },
        }
    }
}

impl OpenError {
    /// Whether there is a socket, and nobody listens at it.
    fn is_left_behind(&self) -> bool {
        self.source.kind() == io::ErrorKind::ConnectionRefused
    }

    /// Whether a daemon that was started a moment ago would be met like this.
    pub(crate) fn may_be_early(&self) -> bool {
        self.source.kind() == io::ErrorKind::NotFound || self.is_left_behind()
    }

    /// Whether there is a socket that doesn't let us in: waiting alone doesn't open it.
    pub(crate) fn is_closed_to_us(&self) -> bool {
        self.source.kind() == io::ErrorKind::PermissionDenied
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
        if self.is_left_behind() {
            return write!(
                f,
                "the daemon that made the socket {tried} has ended: start it again, with `settled --config FILE`, or with \
                 `systemctl start settled` where it is a service"
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
