//! The few ways an instrument fails. Each says what was being done; a cause below it is in `source`, never in the text.

use std::error::Error;
use std::fmt;

use serde::{Deserialize, Serialize};

/// What went wrong, for code to act on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FaultKind {
    /// Not attached, or unplugged: the port is closed or missing.
    Gone,
    /// Another program holds the port.
    Busy,
    /// The daemon's user may not open the port.
    Denied,
    /// No answer, or no whole one, within the deadline.
    Silent,
    /// An answer that makes no sense: wrong shape, not a number, too long.
    Garbled,
    /// The instrument answered with an error of its own; or it is another than the settings ask for, or can't be used as they say.
    Refused,
    /// Too little light for an answer.
    BelowRange,
    /// Too much light for an answer.
    AboveRange,
    /// The instrument can't do that.
    Unsupported,
}

impl FaultKind {
    /// Every kind.
    pub const ALL: [Self; 9] = [
        Self::Gone,
        Self::Busy,
        Self::Denied,
        Self::Silent,
        Self::Garbled,
        Self::Refused,
        Self::BelowRange,
        Self::AboveRange,
        Self::Unsupported,
    ];

    /// Whether the instrument must be opened anew before it can be used again.
    #[must_use]
    pub fn needs_reopening(self) -> bool {
        matches!(self, Self::Gone | Self::Busy | Self::Denied)
    }

    /// Whether the instrument failed; else it is in order, and was asked for what it can't do.
    #[must_use]
    pub fn is_failure(self) -> bool {
        self != Self::Unsupported
    }

    /// Whether the line may hold remains of an answer that must be drained before the next exchange.
    #[must_use]
    pub fn needs_recovery(self) -> bool {
        matches!(self, Self::Silent | Self::Garbled)
    }
}

/// A failure of an instrument.
#[derive(Debug)]
pub struct Fault {
    kind: FaultKind,
    detail: String,
    source: Option<Box<dyn Error + Send + Sync>>,
}

impl Fault {
    /// A fault of `kind`; `detail` says what was being done and what came of it, in one plain clause.
    #[must_use]
    pub fn new(kind: FaultKind, detail: impl Into<String>) -> Self {
        Self { kind, detail: detail.into(), source: None }
    }

    /// The same, with its cause.
    #[must_use]
    pub fn because(mut self, source: impl Into<Box<dyn Error + Send + Sync>>) -> Self {
        self.source = Some(source.into());
        self
    }

    /// What kind it is.
    #[must_use]
    pub fn kind(&self) -> FaultKind {
        self.kind
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.detail)
    }
}

impl Error for Fault {
    fn source(&self) -> Option<&(dyn Error + 'static)> {
        self.source.as_deref().map(|source| source as &(dyn Error + 'static))
    }
}

/// An error with the chain of its causes: `opening the port: permission denied`. Some libraries' errors end with the words of their
/// cause already: nothing is said twice in a row.
#[must_use]
pub fn chain(error: &dyn Error) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(error) = cause {
        let words = error.to_string();
        if !text.ends_with(&format!(": {words}")) {
            text.push_str(": ");
            text.push_str(&words);
        }
        cause = error.source();
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_chain_says_each_cause_once() {
        let fault = |detail: &str, source: &str| Fault::new(FaultKind::Silent, detail).because(source);
        assert_eq!(chain(&fault("opening the port", "denied")), "opening the port: denied");
        assert_eq!(chain(&fault("no bus: denied", "denied")), "no bus: denied");
        assert_eq!(chain(&fault("it denied", "denied")), "it denied: denied");
    }
}
