//! Formulas of colour science and television, pure: light in, figures out. One standard a file, each named with its clause.
//!
//! Nothing here waits, reads a file or knows of a review; [`crate::review`] puts the questions.
//!
//! | module | idea |
//! |---|---|
//! | [`measured`] | light as it was measured, with its standard uncertainties |
//! | [`figure`] | a number with its 95 % interval and unit |
//! | [`draws`] | uncertainty carried from readings to figures, by Monte Carlo |
//! | [`aim`] | what a display is meant to do: transfer function, primaries, white |
//! | [`simultaneous`] | intervals of several figures that hold all at once |
//! | [`decay`] | light that approaches a limit: time constants |
//! | [`limiter`] | luminance against the area that is lit |
//! | [`reflection`] | light of the room that a display throws back |

pub mod aim;
pub mod decay;
pub mod draws;
pub mod figure;
pub mod limiter;
pub mod measured;
pub mod reflection;
pub mod simultaneous;
