//! Pictures of the log: the course of a stretch, and its Allan deviation, as SVG and PNG.
//!
//! A picture is drawn once as plain data ([`scene`]), and written by whichever format is asked for. Its colours are those of Okabe and Ito
//! (2008), which people with any common deficiency of colour vision can tell apart; lines of one panel also differ in how they are dashed.

use std::fmt;

pub use allan::{allan, noise};
pub use course::course;
pub use drift::drift;
pub use raster::png;
pub use svg::{inline, svg};

mod allan;
mod course;
mod drift;
mod face;
mod panel;
pub(crate) mod picture;
pub mod plane;
mod raster;
mod scale;
pub mod scene;
mod svg;
pub mod xml;

use scene::Colour;

/// Colours by Okabe and Ito, "Color Universal Design", 2008.
pub(crate) const BLUE: Colour = Colour(0, 114, 178);
pub(crate) const VERMILION: Colour = Colour(213, 94, 0);
pub(crate) const GREEN: Colour = Colour(0, 158, 115);
pub(crate) const SKY: Colour = Colour(86, 180, 233);
pub(crate) const ORANGE: Colour = Colour(230, 159, 0);
pub(crate) const PURPLE: Colour = Colour(204, 121, 167);
/// What is written.
pub(crate) const INK: Colour = Colour(40, 40, 40);
/// What is only there to be complete.
pub(crate) const SOFT: Colour = Colour(110, 110, 110);
/// Lines of the grid.
pub(crate) const GRID: Colour = Colour(222, 222, 222);
/// Where there are no readings.
pub(crate) const ABSENT: Colour = Colour(238, 238, 238);

/// Why there is no picture.
#[derive(Debug)]
pub enum Error {
    /// The typeface that is built in could not be read.
    Typeface,
    /// There is no room for so many pixels.
    Size,
    /// The file could not be made.
    Encoding(::png::EncodingError),
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Typeface => "the typeface that is built in can't be read",
            Self::Size => "there is no room for so large a picture: choose a smaller --size",
            Self::Encoding(_) => "making the PNG",
        })
    }
}

impl std::error::Error for Error {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Encoding(error) => Some(error),
            Self::Typeface | Self::Size => None,
        }
    }
}

impl From<::png::EncodingError> for Error {
    fn from(error: ::png::EncodingError) -> Self {
        Self::Encoding(error)
    }
}

#[cfg(test)]
mod tests;
