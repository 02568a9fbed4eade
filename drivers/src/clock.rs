//! The time that instruments live in. The daemon implements it; only simulated instruments need it.

use std::fmt;
use std::future::Future;
use std::pin::Pin;

/// A future that can be sent, boxed: what async methods of trait objects return.
pub type Boxed<'a, T> = Pin<Box<dyn Future<Output = T> + Send + 'a>>;

/// Seconds on the boot clock, and waiting on it.
pub trait Clock: Send + Sync + fmt::Debug {
    /// Now, in s. Monotonic, counts suspend.
    fn now_s(&self) -> f64;

    /// Waits until [`now_s`](Self::now_s) has reached `t_s`; returns at once if it has.
    fn sleep_until(&self, t_s: f64) -> Boxed<'_, ()>;
}

/// A clock that stands still: for trying drivers of real instruments, which don't ask it.
#[derive(Clone, Copy, Debug, Default)]
pub struct Still;

impl Clock for Still {
    fn now_s(&self) -> f64 {
        0.0
    }

    fn sleep_until(&self, _: f64) -> Boxed<'_, ()> {
        Box::pin(async {})
    }
}

/// It, as tests hand it over.
#[cfg(test)]
pub(crate) fn still() -> std::sync::Arc<dyn Clock> {
    std::sync::Arc::new(Still)
}
