//! An instrument's faults as clients are told of them.

use settled_drivers::driver::Source;
use settled_drivers::fault::{Fault, FaultKind, chain};
use settled_protocol::error::{ErrorKind, RpcError};

/// The wire's kind for a fault. No wildcard: a new kind of fault must be given its code here.
#[must_use]
pub fn kind(fault: FaultKind) -> ErrorKind {
    match fault {
        FaultKind::Gone => ErrorKind::MeterAbsent,
        FaultKind::Busy => ErrorKind::MeterBusy,
        FaultKind::Denied => ErrorKind::MeterFailed,
        FaultKind::Silent => ErrorKind::MeterSilent,
        FaultKind::Garbled => ErrorKind::MeterGarbled,
        FaultKind::Refused => ErrorKind::MeterRefused,
        FaultKind::BelowRange | FaultKind::AboveRange => ErrorKind::OutOfRange,
        FaultKind::Unsupported => ErrorKind::Unsupported,
    }
}

/// The error that a client gets for a meter's fault. One that is played back says so.
#[must_use]
pub fn rpc_error(meter: &str, source: Source, fault: &Fault) -> RpcError {
    let replayed = if source.is_replayed() { " (replayed)" } else { "" };
    RpcError::new(kind(fault.kind()), format!("{meter}{replayed}: {}", chain(fault))).about(meter)
}
