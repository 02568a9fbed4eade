//! USBTMC: messages to and from a test and measurement instrument over USB, after the USB-IF's "Universal Serial Bus Test
//! and Measurement Class Specification (USBTMC)", revision 1.0, and its "USB488 Subclass Specification", revision 1.0.
//! Written from memory of the two: numbers of tables aren't given where they aren't certain.
//!
//! | module | idea |
//! |---|---|
//! | [`tag`] | the numbers that tie an answer to its request |
//! | [`frame`] | the headers of messages |
//! | [`transfer`] | from the packets of one transfer to what they say |
//! | [`request`] | requests on the control pipe, and what comes back |
//! | [`session`] | an exchange, and the way back to order after one that went wrong |
//!
//! Nothing here names a USB library: a session is driven over [`Pipes`](super::usb::pipes::Pipes).

pub mod frame;
pub mod request;
pub mod session;
pub mod tag;
pub mod transfer;
