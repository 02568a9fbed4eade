//! The harness: a daemon under test, a client of plain sockets, an instrument on a pseudo-terminal, a USB bus.

pub(crate) mod client;
pub(crate) mod daemon;
pub(crate) mod instrument;
pub(crate) mod sensor;
pub(crate) mod usb;
