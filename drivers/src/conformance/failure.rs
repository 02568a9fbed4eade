//! What was wrong, in words for whoever owns the instrument.

use std::fmt;

use crate::fault::{Fault, FaultKind, chain};

/// Why a clause was not kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Failure {
    /// What was wrong: the same words where it was wrong in the same way.
    pub cause: String,
    /// The kind of fault that it came of, if it came of one.
    pub kind: Option<FaultKind>,
    /// The case in which it went wrong, or the first of them.
    pub case: Option<String>,
    /// In how many cases it did, and how many were tried, where several were.
    pub cases: Option<(usize, usize)>,
}

impl Failure {
    /// It came of a fault.
    #[must_use]
    pub fn of(fault: &Fault) -> Self {
        Self { kind: Some(fault.kind()), ..Self::from(chain(fault)) }
    }

    /// The same, found in this case.
    #[must_use]
    pub(super) fn within(mut self, case: impl Into<String>) -> Self {
        self.case = Some(case.into());
        self
    }

    /// The same, said of something.
    pub(super) fn said_of(mut self, what: &str) -> Self {
        self.cause = format!("{what}: {}", self.cause);
        self
    }

    /// Where it was found: nothing if that goes without saying.
    #[must_use]
    pub fn place(&self) -> Option<String> {
        let case = self.case.as_deref();
        match (self.cases, case) {
            (Some((1, 1)) | None, case) => case.map(str::to_owned),
            (Some((broken, all)), None) => Some(format!("{broken} of {all} cases")),
            (Some((1, all)), Some(case)) => Some(format!("1 of {all} cases, {case}")),
            (Some((broken, all)), Some(case)) => Some(format!("{broken} of {all} cases, the first: {case}")),
        }
    }
}

impl From<String> for Failure {
    fn from(cause: String) -> Self {
        Self { cause, kind: None, case: None, cases: None }
    }
}

impl From<&str> for Failure {
    fn from(cause: &str) -> Self {
        cause.to_owned().into()
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.cause)?;
        self.place().map_or(Ok(()), |place| write!(f, " ({place})"))
    }
}
