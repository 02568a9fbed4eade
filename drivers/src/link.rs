//! Bytes to and from an instrument.
//!
//! | module | idea |
//! |---|---|
//! | [`address`] | where an instrument is, as settings say it |
//! | [`arrival`] | news that an instrument may have been attached |
//! | [`serial`] | a serial port |
//! | [`tcp`] | a network address |
//! | [`script`] | an instrument that follows a script, for tests |
//! | [`mod@line`] | lines over a link, with deadlines and a size cap |

use std::fmt;
use std::future::{Future, poll_fn};
use std::pin::pin;
use std::task::Poll;
use std::time::Duration;

use crate::clock::Boxed;
use crate::fault::Fault;

pub mod address;
pub mod arrival;
pub mod line;
pub mod script;
pub mod serial;
pub mod tcp;

/// Bytes that nobody asked for are thrown away so many at a time, …
const THROWN_AWAY: usize = 128 * 1024;

/// … with this pause between: an instrument that babbles keeps no processor busy, and what it had said before it went (the system
/// holds back a few million bytes) is through within a second.
const PAUSE: Duration = Duration::from_millis(10);

/// An open connection to an instrument that carries bytes.
///
/// Both futures may be dropped at any await: bytes that were received and not yet given out are given out by the next
/// `receive`; what was sent may have been sent in part.
pub trait Link: Send + fmt::Debug {
    /// Sends all of `bytes`.
    ///
    /// # Errors
    /// `Gone` if the instrument is no longer there.
    fn send<'a>(&'a mut self, bytes: &'a [u8]) -> Boxed<'a, Result<(), Fault>>;

    /// Waits for bytes and adds them to `held`: at least one, and no more than a few thousand.
    ///
    /// # Errors
    /// `Gone` if the instrument is no longer there.
    fn receive<'a>(&'a mut self, held: &'a mut Vec<u8>) -> Boxed<'a, Result<(), Fault>>;

    /// Whether bytes may come that nobody asked for, as on a stream. Where not (a bus of messages), `receive` itself asks for
    /// an answer, and is called only while one is due.
    fn speaks_unasked(&self) -> bool {
        true
    }

    /// Puts the link in order after an exchange that was dropped or got no answer: nothing of it comes any more. A stream
    /// has nothing to do: it is drained.
    ///
    /// # Errors
    /// `Gone` if the instrument is no longer there; `Silent` if the link can't be put in order.
    fn reset(&mut self) -> Boxed<'_, Result<(), Fault>> {
        Box::pin(async { Ok(()) })
    }

    /// Waits, while nobody talks to the instrument, until it is no longer there; for ever where that can't be told. What a
    /// stream says meanwhile is an answer to nothing, and is thrown away.
    fn departed(&mut self) -> Boxed<'_, Fault> {
        Box::pin(async move {
            if !self.speaks_unasked() {
                return std::future::pending().await;
            }
            let mut unasked = Vec::new();
            loop {
                if let Err(fault) = self.receive(&mut unasked).await {
                    return fault;
                }
                while unasked.len() < THROWN_AWAY {
                    match at_once(self.receive(&mut unasked)).await {
                        Some(Ok(())) => {}
                        Some(Err(fault)) => return fault,
                        None => break,
                    }
                }
                unasked.clear();
                tokio::time::sleep(PAUSE).await;
            }
        })
    }
}

/// What `future` gives if it need not wait for it; it is dropped else.
async fn at_once<T>(future: impl Future<Output = T>) -> Option<T> {
    // What is there must not be overlooked because this task has had its share of turns.
    let mut future = pin!(tokio::task::coop::unconstrained(future));
    poll_fn(|context| match future.as_mut().poll(context) {
        Poll::Ready(output) => Poll::Ready(Some(output)),
        Poll::Pending => Poll::Ready(None),
    })
    .await
}

#[cfg(test)]
mod tests;
