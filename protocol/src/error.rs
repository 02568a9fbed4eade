//! Kinds of failure. `data.kind` is stable text to match on; `code` follows from it; `message` is for people.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Why a request got no result.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[schemars(rename_all = "snake_case")]
pub enum ErrorKind {
    /// The line was not JSON (JSON-RPC 2.0).
    ParseError,
    /// The JSON was not a JSON-RPC 2.0 request.
    InvalidRequest,
    /// No such method in this version.
    MethodNotFound,
    /// The params don't fit the method.
    InvalidParams,
    /// The daemon's own fault; the log has more.
    Internal,
    /// No meter of that id is configured.
    NoSuchMeter,
    /// The meter is not attached.
    MeterAbsent,
    /// The meter is attached but unusable.
    MeterFailed,
    /// Another program holds the meter's port.
    MeterBusy,
    /// The meter did not answer in time.
    MeterSilent,
    /// The meter's answer made no sense.
    MeterGarbled,
    /// The meter answered with an error of its own, or is not one that can be used as the config says.
    MeterRefused,
    /// There was too little or too much light for the meter to answer.
    OutOfRange,
    /// The meter, or this daemon, can't do that.
    Unsupported,
    /// The client cancelled the request.
    Cancelled,
    /// A limit is reached; try again later.
    Overloaded,
    /// The log can't be read or written.
    LogUnavailable,
    /// The client may not do that.
    NotPermitted,
    /// No correction of that id is known.
    NoSuchCorrection,
    /// The correction can't be made, used or removed so; the message says why.
    CorrectionRefused,
    /// The daemon is stopping.
    ShuttingDown,
    /// The meter must be zeroed first, and gives no readings until then.
    ZeroNeeded,
    /// Somebody else has the meter for itself.
    Leased,
    /// The lease that the request came with isn't in force, or not any more.
    LeaseLost,
    /// No run of that number is known.
    NoSuchRun,
    /// The run is over, so that it can't be stopped; or it can't be started like that.
    RunRefused,
    /// A kind of a later version of the protocol.
    #[serde(other)]
    Unknown,
}

impl ErrorKind {
    /// Every kind of this version.
    pub const ALL: [Self; 26] = [
        Self::ParseError,
        Self::InvalidRequest,
        Self::MethodNotFound,
        Self::InvalidParams,
        Self::Internal,
        Self::NoSuchMeter,
        Self::MeterAbsent,
        Self::MeterFailed,
        Self::MeterBusy,
        Self::MeterSilent,
        Self::MeterGarbled,
        Self::MeterRefused,
        Self::OutOfRange,
        Self::Unsupported,
        Self::Cancelled,
        Self::Overloaded,
        Self::LogUnavailable,
        Self::NotPermitted,
        Self::ShuttingDown,
        Self::NoSuchCorrection,
        Self::CorrectionRefused,
        Self::ZeroNeeded,
        Self::Leased,
        Self::LeaseLost,
        Self::NoSuchRun,
        Self::RunRefused,
    ];

    /// The JSON-RPC error code: the standard's own for its own faults, ours from −32000 down.
    #[must_use]
    pub fn code(self) -> i32 {
        match self {
            Self::ParseError => -32700,
            Self::InvalidRequest => -32600,
            Self::MethodNotFound => -32601,
            Self::InvalidParams => -32602,
            Self::Internal | Self::Unknown => -32603,
            Self::NoSuchMeter => -32000,
            Self::MeterAbsent => -32001,
            Self::MeterFailed => -32002,
            Self::MeterBusy => -32003,
            Self::MeterSilent => -32004,
            Self::MeterGarbled => -32005,
            Self::MeterRefused => -32006,
            Self::OutOfRange => -32007,
            Self::Unsupported => -32008,
            Self::Cancelled => -32009,
            Self::Overloaded => -32010,
            Self::LogUnavailable => -32011,
            Self::NotPermitted => -32012,
            Self::ShuttingDown => -32013,
            Self::ZeroNeeded => -32014,
            Self::NoSuchCorrection => -32015,
            Self::CorrectionRefused => -32016,
            Self::Leased => -32017,
            Self::LeaseLost => -32018,
            Self::NoSuchRun => -32019,
            Self::RunRefused => -32020,
        }
    }
}

/// The error member of a response.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RpcError {
    /// See [`ErrorKind::code`].
    pub code: i32,
    /// One plain sentence: what was wrong, and what to do.
    pub message: String,
    /// For programs.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub data: Option<ErrorData>,
}

/// What a program may match on.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ErrorData {
    /// The kind.
    pub kind: ErrorKind,
    /// The meter it is about.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub meter: Option<String>,
    /// When trying again may help, in s.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub retry_after_s: Option<f64>,
}

impl RpcError {
    /// An error of `kind`.
    #[must_use]
    pub fn new(kind: ErrorKind, message: impl Into<String>) -> Self {
        let data = ErrorData { kind, meter: None, retry_after_s: None };
        Self { code: kind.code(), message: message.into(), data: Some(data) }
    }

    /// That there is no run of this number, and which is the `last` there has been, if there has been any.
    #[must_use]
    pub fn no_such_run(run: u64, last: Option<u64>) -> Self {
        let up_to = last.map_or("there has been none yet".to_owned(), |last| format!("the last is {last}"));
        Self::new(ErrorKind::NoSuchRun, format!("there is no run {run} in this log: {up_to}"))
    }

    /// The same, about a meter.
    #[must_use]
    pub fn about(mut self, meter: &str) -> Self {
        if let Some(data) = &mut self.data {
            data.meter = Some(meter.to_owned());
        }
        self
    }

    /// The same, with a hint when to try again, in s.
    #[must_use]
    pub fn retry_after(mut self, seconds: f64) -> Self {
        if let Some(data) = &mut self.data {
            data.retry_after_s = Some(seconds);
        }
        self
    }

    /// The kind, as far as the sender told.
    #[must_use]
    pub fn kind(&self) -> ErrorKind {
        self.data.as_ref().map_or(ErrorKind::Unknown, |data| data.kind)
    }
}

impl std::fmt::Display for RpcError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.message)
    }
}

impl std::error::Error for RpcError {}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_has_a_code_of_its_own() {
        let mut codes: Vec<i32> = ErrorKind::ALL.iter().map(|kind| kind.code()).collect();
        codes.sort_unstable();
        codes.dedup();
        assert_eq!(codes.len(), ErrorKind::ALL.len());
    }
}
