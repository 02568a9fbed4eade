//! Bytes to and from an instrument.
//!
//! | module | idea |
//! |---|---|
//! | [`serial`] | a serial port |
//! | [`script`] | an instrument that follows a script, for tests |
//! | [`mod@line`] | lines over a link, with deadlines and a size cap |

use std::fmt;

use crate::clock::Boxed;
use crate::fault::Fault;

pub mod line;
pub mod script;
pub mod serial;

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
}
