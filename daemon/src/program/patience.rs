//! Patience with another daemon that has a socket or a log, and is about to end.

use std::time::Duration;

use settled::lock::LockError;
use settled::log::OpenError;
use settled::server::BindError;

/// Between two attempts.
const EVERY: Duration = Duration::from_millis(20);

/// Attempts that somebody gets who hasn't said that they are about to end: 0.3 s, in which a daemon that was told to just now says so.
const UNSAID: u32 = 15;

/// Attempts that somebody gets who has: 30 s, in which most exposures end.
const SAID: u32 = 1500;

/// What may be held by another daemon.
pub(crate) trait Held {
    /// Whether another daemon holds it and, if so, whether that one is about to end.
    fn held(&self) -> Option<bool>;
}

impl Held for BindError {
    fn held(&self) -> Option<bool> {
        match self {
            Self::Taken { ending, .. } => Some(*ending),
            Self::NotASocket | Self::OtherDoor { .. } | Self::Io { .. } => None,
        }
    }
}

impl Held for OpenError {
    fn held(&self) -> Option<bool> {
        match self {
            Self::Lock(LockError::Held { ending, .. }) => Some(*ending),
            _ => None,
        }
    }
}

/// Attempts it again while another daemon is about to end.
///
/// # Errors
/// The last attempt's.
pub(crate) async fn patiently<T, E: Held + std::fmt::Display>(
    mut attempt: impl FnMut() -> Result<T, E>,
) -> Result<T, E> {
    let (mut attempts, mut told) = (0, false);
    loop {
        let error = match attempt() {
            Ok(made) => return Ok(made),
            Err(error) => error,
        };
        attempts += 1;
        match error.held() {
            Some(true) if attempts < SAID => {
                if !std::mem::replace(&mut told, true) {
                    tracing::info!("{error}; it is about to end, and is waited for");
                }
            }
            Some(false) if attempts < UNSAID => {}
            _ => return Err(error),
        }
        tokio::time::sleep(EVERY).await;
    }
}
