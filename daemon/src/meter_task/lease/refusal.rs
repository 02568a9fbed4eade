//! What those are told who can't have what they ask for because of a lease: made here and nowhere else.

use settled_protocol::error::{ErrorKind, RpcError};

use super::{Full, Held, MOST_WAITING};

/// Trying again may help after this long, in s, where nobody can say when.
const SOON_S: f64 = 1.0;

/// Who has the meter, for what and until when, for people.
pub(super) fn occupied(held: &Held) -> String {
    let purpose = held.purpose.as_ref().map_or_else(String::new, |text| format!(", for {:?}", text.as_str()));
    let until = held.expires.at.to_string();
    format!("{} has it for itself{purpose}, until {until:.19}Z unless it is renewed", held.who)
}

/// Somebody else has the meter: for programs, with what they can do.
pub(super) fn leased(meter: &str, held: &Held, now_s: f64) -> RpcError {
    let message = format!(
        "{meter} is leased: {}; wait with params.wait_s, come back later, or give params.lease if the lease is yours",
        occupied(held)
    );
    RpcError::new(ErrorKind::Leased, message).about(meter).retry_after((held.expires.t_s - now_s).max(0.0))
}

/// A lease that wasn't granted in time because of what came before it, which `before` names.
pub(super) fn not_granted(meter: &str, before: &str) -> RpcError {
    let message = format!(
        "{meter} could not be leased in time: {before}; wait longer with params.wait_s, or come back later"
    );
    RpcError::new(ErrorKind::Leased, message).about(meter).retry_after(SOON_S)
}

/// The lease that the request came with isn't in force.
pub(crate) fn lost(meter: &str) -> RpcError {
    let message = format!(
        "the lease is not in force on {meter}: it was given back, was not renewed in time, ended when the \
         daemon was started anew, or never was one of this meter; \
         take another with meter.lease"
    );
    RpcError::new(ErrorKind::LeaseLost, message).about(meter)
}

/// The same, where nobody can say of which meter it would have been.
pub(crate) fn lost_anywhere() -> RpcError {
    let message = "no lease of that token is in force on any meter: it was given back, was not renewed in time, ended when the daemon \
                   was started anew, or never was one; \
                   take another with meter.lease";
    RpcError::new(ErrorKind::LeaseLost, message)
}

/// A request for a lease that can't even wait.
pub(super) fn full(meter: &str, full: Full) -> RpcError {
    let message = match full {
        Full::Line => format!("{MOST_WAITING} clients wait for a lease of {meter} already"),
        Full::Twice => format!("this client waits for a lease of {meter} already"),
    };
    RpcError::new(ErrorKind::Overloaded, message).about(meter).retry_after(SOON_S)
}
