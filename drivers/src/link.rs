//! Bytes to and from an instrument.
//!
//! | module | idea |
//! |---|---|
//! | [`address`] | where an instrument is, as settings say it |
//! | [`arrival`] | news that an instrument may have been attached |
//! | [`serial`] | a serial port |
//! | [`tcp`] | a network address |
//! | [`mod@usb`] | a USB device |
//! | [`usbtmc`] | messages of the USB class for test and measurement |
//! | [`script`] | an instrument that follows a script, for tests |
//! | [`mod@line`] | lines over a link, with deadlines and a size cap |

use std::fmt;

use crate::clock::Boxed;
use crate::fault::Fault;

pub mod address;
pub mod arrival;
pub mod line;
pub mod script;
pub mod serial;
pub mod tcp;
pub mod usb;
pub mod usbtmc;

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
            let mut unasked = Vec::new();
            loop {
                if let Err(fault) = self.receive(&mut unasked).await {
                    return fault;
                }
                unasked.clear();
            }
        })
    }
}
