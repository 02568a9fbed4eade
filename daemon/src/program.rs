//! The program `settled`, around the daemon: what it is asked for, and how it begins and ends.

pub(crate) mod check;
pub(crate) mod ending;
pub(crate) mod patience;
pub(crate) mod serve;
pub(crate) mod trace;

/// Whatever went wrong, told once at the end.
pub(crate) type Failure = Box<dyn std::error::Error>;

/// What a config without meters is good for.
pub(crate) const NO_METERS: &str = "without a [[meter]] there is nothing to measure with";
