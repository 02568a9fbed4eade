//! Why a review ended, or can't go on as it is.

use settled_protocol::error::ErrorKind;

use super::super::Failure;
use crate::connection::{CallError, OpenError};
use crate::review::record::writing::WriteError;

/// How a review ended before its end.
#[derive(Debug)]
pub(super) enum Ended {
    /// Ctrl-C, SIGTERM or SIGHUP.
    Interrupted,
    /// The daemon has gone, or the lease with it: it can go on once it is back.
    Away(Failure),
    /// The meter gives no readings: what was shown must not stand until it does.
    Blind,
    /// What came over a procedure, which must be begun anew.
    Broken(String),
    /// The record can't be written.
    Unwritten(Failure),
    /// For any other reason.
    Failed(Failure),
}

impl From<Failure> for Ended {
    fn from(failure: Failure) -> Self {
        let away = match &failure {
            Failure::Call(CallError::Closed) | Failure::Open(_) => true,
            Failure::Call(CallError::Refused(error)) => error.kind() == ErrorKind::LeaseLost,
            _ => false,
        };
        if away { Self::Away(failure) } else { Self::Failed(failure) }
    }
}

impl From<CallError> for Ended {
    fn from(error: CallError) -> Self {
        Failure::from(error).into()
    }
}

impl From<OpenError> for Ended {
    fn from(error: OpenError) -> Self {
        Failure::from(error).into()
    }
}

impl From<WriteError> for Ended {
    fn from(error: WriteError) -> Self {
        Self::Unwritten(Failure::Input(settled_drivers::fault::chain(&error)))
    }
}

impl From<Ended> for Failure {
    fn from(ended: Ended) -> Self {
        match ended {
            Ended::Away(failure) | Ended::Failed(failure) | Ended::Unwritten(failure) => failure,
            Ended::Blind => Self::Input("the meter gives no readings".to_owned()),
            Ended::Broken(words) => Self::Input(words),
            Ended::Interrupted => Self::Input("interrupted".to_owned()),
        }
    }
}
