//! Formulas of colour science and television, pure: light in, figures out. One standard a file, each named with its clause.
//!
//! Nothing here waits, reads a file or knows of a review; [`crate::review`] puts the questions.
//!
//! | module | idea |
//! |---|---|
//! | [`measured`] | light as it was measured, with its standard uncertainties |
//! | [`figure`] | a number with its interval, and what that covers |
//! | [`draws`] | uncertainty carried from readings to figures, by Monte Carlo |
//! | [`aim`] | what a display is meant to do: transfer function, primaries, white |
//! | [`ramp`] | greys as they were measured, between white and black |
//! | [`together`] | figures that are judged together: intervals that hold all of them at once |
//! | [`gamma`] | exponents of a ramp, fitted and local |
//! | [`tracking`] | where a display leaves ST 2084, and how |
//! | [`transfer`] | from signal to light: power law, BT.1886, sRGB, ST 2084, HLG |
//! | [`lab`] | CIELAB |
//! | [`luv`] | CIELUV |
//! | [`de2000`] | CIEDE2000 |
//! | [`rgb`] | linear red, green and blue to X, Y and Z, and their balance in a light |
//! | [`ictcp`] | ICtCp and ΔE ITP |
//! | [`cct`] | correlated colour temperature and Duv |
//! | [`gamut`] | coverage and ratio of a reference gamut |
//! | [`difference`] | which colour difference is used for what |
//! | [`decay`] | light that approaches a limit: time constants |
//! | [`limiter`] | luminance against the area that is lit |

pub mod aim;
pub mod cct;
pub mod de2000;
pub mod decay;
pub mod difference;
pub mod draws;
pub mod figure;
pub mod gamma;
pub mod gamut;
pub mod ictcp;
pub mod lab;
pub mod limiter;
pub mod luv;
pub mod measured;
pub mod ramp;
pub mod rgb;
pub mod together;
pub mod tracking;
pub mod transfer;

#[cfg(test)]
mod reference;
