//! Bytes to and from an instrument.
