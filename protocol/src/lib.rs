//! The words that `settled` and its clients share, and nothing else: no I/O, no clock, no runtime.
//!
//! | module | idea |
//! |---|---|
//! | [`quantity`] | light as CIE 15 describes it, finite by construction |
//! | [`matrix`] | three by three, from X, Y, Z to X, Y, Z |
//! | [`correction`] | a colorimeter's correction, and all that one must know to trust it |
//! | [`spectrum`] | evenly spaced values over wavelength |
//! | [`colorimetry`] | from a spectrum to tristimulus values |
//! | [`time`] | UTC stamps on the wire |
//! | [`reading`] | what the daemon vouches for |
//! | [`meter`] | what a client may know of a meter |
//! | [`rule`] | by which light is called settled |
//! | [`settling`] | criteria, verdicts and the evidence for them |
//! | [`lease`] | a meter for oneself, for a while |
//! | [`limits`] | how much a client may ask for at once |
//! | [`log`] | selections, and what happened beside readings |
//! | [`bins`] | the log, a row for each span of time |
//! | [`statistics`] | what a stretch of the log comes to |
//! | [`run`] | measurements that belong to the daemon |
//! | [`status`] | how the daemon and its log are |
//! | [`stage`] | what a simulated display is told to show |
//! | [`method`] | one type a method, with its params and result |
//! | [`notification`] | what the daemon says unasked |
//! | [`error`] | kinds of failure, each with one code |
//! | [`message`] | JSON-RPC 2.0 frames, strictly decoded |
//! | [`mod@line`] | bytes to lines, without I/O |
//! | [`plugin`] | the meter half: what the daemon and a plugin say to each other |
//! | [`socket`] | where the socket is |
//! | [`openrpc`] | the machine-readable document, generated from the types |

pub mod bins;
pub mod colorimetry;
pub mod correction;
pub mod error;
pub mod lease;
pub mod limits;
pub mod line;
pub mod log;
pub mod matrix;
pub mod message;
pub mod meter;
pub mod method;
pub mod notification;
pub mod openrpc;
pub mod plugin;
pub mod quantity;
pub mod reading;
pub mod rule;
pub mod run;
pub mod settling;
pub mod socket;
pub mod spectrum;
pub mod stage;
pub mod statistics;
pub mod status;
pub mod text;
pub mod time;
