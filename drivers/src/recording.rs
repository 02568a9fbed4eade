//! Recordings: what passed on every meter's link and what came of it, in one file. It is the bug report, the regression test
//! and, played back by [`replay`](crate::replay), an instrument. See RECORDINGS.md.
//!
//! | module | idea |
//! |---|---|
//! | [`mod@line`] | one line of the file |
//! | [`bytes`] | bytes as text that can be read |
//! | [`text`] | lines of a file, each within a bound |
//! | [`reader`] | a recording, line by line, strictly read |
//! | [`tap`] | where a driver puts what is to be recorded |
//! | [`wiretap`] | a link that is recorded |
//! | [`recorded`] | a driver and its meter that are recorded |

pub mod bytes;
pub mod line;
pub mod reader;
pub mod recorded;
pub mod tap;
pub mod text;
pub mod wiretap;

pub use recorded::Recorded;
pub use tap::{Recorder, Tap};
