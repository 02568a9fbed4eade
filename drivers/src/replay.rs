//! Recordings played back as meters.
