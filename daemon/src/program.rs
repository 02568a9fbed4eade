//! The program `settled`, around the daemon: what it is asked for, and how it begins and ends.

pub(crate) mod check;
pub(crate) mod ending;
pub(crate) mod patience;
pub(crate) mod serve;
pub(crate) mod trace;

/// Whatever went wrong, told once at the end.
pub(crate) type Failure = Box<dyn std::error::Error>;

/// The config can't be read, or has mistakes: nothing has begun.
#[derive(Debug)]
pub(crate) struct Unread(pub(crate) Failure);

impl std::fmt::Display for Unread {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.0.fmt(f)
    }
}

impl std::error::Error for Unread {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        self.0.source()
    }
}

/// What a config without meters is good for.
pub(crate) const NO_METERS: &str = "without a [[meter]] there is nothing to measure with";
