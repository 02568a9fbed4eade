//! What a client may call.

use std::sync::Arc;

use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::message::Call;
use settled_protocol::method::{
    Hello, MeterObserve, MeterRead, Method, NAMES, RequestCancel, SubscriptionCancel,
};

/// What every client may call: it concerns nobody else.
const ANYBODY_MAY: [&str; 3] = [Hello::NAME, RequestCancel::NAME, SubscriptionCancel::NAME];

/// What a client may call.
#[derive(Clone, Debug)]
pub struct Rights(Option<Arc<Limited>>);

#[derive(Debug)]
struct Limited {
    /// In the order of the protocol.
    may: Vec<&'static str>,
    /// How to get to do more.
    advice: String,
}

impl Rights {
    /// Everything.
    #[must_use]
    pub fn all() -> Self {
        Self(None)
    }

    /// These methods, and what concerns nobody else. `advice` says how to get to do more.
    #[must_use]
    pub fn of_guests(methods: &[&'static str], advice: String) -> Self {
        let may = |name: &&str| methods.contains(name) || ANYBODY_MAY.contains(name);
        Self(Some(Arc::new(Limited { may: NAMES.iter().copied().filter(may).collect(), advice })))
    }

    /// The methods that may be called; nothing where all may.
    #[must_use]
    pub fn listed(&self) -> Option<&[&'static str]> {
        self.0.as_deref().map(|limited| limited.may.as_slice())
    }

    /// Whether a method may be called. One that doesn't exist may: it is refused for that.
    ///
    /// # Errors
    /// `not_permitted`, which says how to get to do more.
    pub fn may(&self, method: &str) -> Result<(), RpcError> {
        match &self.0 {
            Some(limited) if NAMES.contains(&method) && !limited.may.contains(&method) => {
                Err(limited.refuse(&format!("guests may not call {method}")))
            }
            _ => Ok(()),
        }
    }

    /// Whether this call may be made. To observe with an interval is to have readings taken.
    ///
    /// # Errors
    /// `not_permitted`, which says how to get to do more.
    pub fn may_call(&self, call: &Call) -> Result<(), RpcError> {
        let Some(limited) = &self.0 else { return Ok(()) };
        self.may(&call.method)?;
        // Params that make no sense are refused for that.
        let exposes = call.method == MeterObserve::NAME
            && call.params::<MeterObserve>().is_ok_and(|params| params.interval_s.is_some());
        if exposes && !limited.may.contains(&MeterRead::NAME) {
            let message = "guests may only watch the readings that others take: params.interval_s has some taken, and they may not call meter.read";
            return Err(limited.refuse(message));
        }
        Ok(())
    }
}

impl Limited {
    fn refuse(&self, message: &str) -> RpcError {
        RpcError::new(ErrorKind::NotPermitted, format!("{message}; {}", self.advice))
    }
}
