//! The harness: a daemon under test, a client of plain sockets, an instrument on a pseudo-terminal, a bus of
//! one's own, machines with devices that aren't there,
//! a browser.

pub(crate) mod browser;
pub(crate) mod bus;
pub(crate) mod client;
pub(crate) mod daemon;
pub(crate) mod instrument;
pub(crate) mod logind;
pub(crate) mod obedient;
pub(crate) mod others;
pub(crate) mod review;
pub(crate) mod scripted;
pub(crate) mod testbed;
