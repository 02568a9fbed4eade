//! What a review comes to: figures and verdicts of each sequence.
//!
//! Each kind of sequence has a file of its own, with a type for its figures and one function that makes it from a [`Scene`] and what was
//! measured. Figures that nobody could measure are absent.
//!
//! | module | idea |
//! |---|---|
//! | [`white`] | peak, black, contrast, white's colour |
//! | [`eotf`], [`near_black`] | from signal to light, and where it is dark |
//! | [`greys`] | what the two have in common |
//! | [`balance`] | colour of greys |
//! | [`gamut`] | primaries, coverage, whether channels add up |
//! | [`saturation`] | sweeps from white to each primary and secondary |
//! | [`chart`] | a chart of colours |
//! | [`window`] | luminance against the area that is lit |
//! | [`peak_hold`], [`cold_start`] | white held, and a display as it warms up |
//! | [`retention`] | what a bright window leaves behind |
//! | [`uniformity`] | one field seen at several places |
//! | [`ambient`] | light of the room |
//! | [`part`] | any of them |
//!
//! What they share is private: `against` holds patches against the aim, `formulas` has every formula of colour in the terms that are needed here. Intervals that
//! hold for all steps at once are [`crate::evaluate::together`]'s.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::patch::Coding;
use crate::evaluate::aim::Aim;
use crate::evaluate::draws::Draws;
use crate::evaluate::figure::Figure;
use crate::evaluate::measured::Measured;
use crate::evaluate::together;

pub use quantity::Quantity;
pub use words::Named;
pub(crate) use words::{colour as colour_words, distance as distance_words};

mod against;
pub mod ambient;
pub mod balance;
pub mod chart;
pub mod cold_start;
pub mod eotf;
mod formulas;
pub mod gamut;
pub mod greys;
pub mod near_black;
pub mod part;
pub mod peak_hold;
#[cfg(test)]
mod played;
mod quantity;
pub mod retention;
pub mod saturation;
#[cfg(test)]
mod synthetic;
pub mod trend;
pub mod uniformity;
pub(crate) mod usable;
pub mod white;
pub mod window;
mod words;

/// What all sequences of a set are held against.
#[derive(Clone, Debug)]
pub struct Scene {
    /// What the display is meant to do.
    pub aim: Aim,
    /// How code values are read.
    pub coding: Coding,
    /// White as it was measured: its luminance is what relative transfer functions end at.
    pub white: Option<Measured>,
    /// Black as it was measured; below the meter's range what it may be, where the record says where that begins.
    pub black: Option<Measured>,
    /// Whether it was below the meter's range.
    pub black_below_range: bool,
    /// The smallest luminance that the meter vouches for, in cd/m², where the record says so.
    pub least_cd_m2: Option<f64>,
    /// How uncertainty is carried.
    pub draws: Draws,
}

/// Figures of one sequence.
pub trait Figures {
    /// In words, against tolerances where there are any.
    fn verdicts(&self) -> Vec<Finding>;
    /// As tables, for people.
    fn tables(&self) -> Vec<Table>;
    /// Every figure that there is, by its name and whose it is.
    fn quantities(&self) -> Vec<Quantity>;
}

/// One verdict in words.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Finding {
    /// A stable name for scripts, within its sequence: `white_duv`.
    pub subject: String,
    /// How it stands against the tolerance.
    pub standing: Standing,
    /// The sentence: what, by how much, how sure.
    pub words: String,
    /// The figure that it rests on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub figure: Option<Figure>,
    /// The figure's unit; a bare number if empty.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub unit: String,
    /// What it is held against.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tolerance: Option<Tolerance>,
}

/// What a figure is held against.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Tolerance {
    /// No less than this.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub least: Option<f64>,
    /// No more than this.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub most: Option<f64>,
    /// Where that comes from: a standard and its clause, or "common practice, no source".
    pub source: String,
}

/// How a figure stands against its tolerance.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Standing {
    /// Its whole interval is within.
    Within,
    /// Its whole interval is beyond.
    Beyond,
    /// The interval holds the limit: the readings can't tell.
    Undecided,
    /// There is no tolerance: it is told, not judged.
    Told,
}

impl Standing {
    /// Every standing, in the order in which they are counted up.
    pub const ALL: [Self; 4] = [Self::Beyond, Self::Undecided, Self::Within, Self::Told];

    /// The word for people and as it is written in JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Within => "within",
            Self::Beyond => "beyond",
            Self::Undecided => "undecided",
            Self::Told => "told",
        }
    }
}

impl Tolerance {
    /// How `figure` stands. One that is judged by itself is told with an interval of 95 %, and judged with one of 99 %: as surely as figures that are judged
    /// together are, whose intervals hold all of them at once with 99 %. So one rule holds for all verdicts; what is beyond with the one interval and not with the
    /// other is undecided.
    #[must_use]
    pub fn of(&self, figure: &Figure) -> Standing {
        let figure = together::judged(figure);
        let least = self.least.unwrap_or(f64::NEG_INFINITY);
        let most = self.most.unwrap_or(f64::INFINITY);
        if figure.low >= least && figure.high <= most {
            Standing::Within
        } else if figure.high < least || figure.low > most {
            Standing::Beyond
        } else {
            Standing::Undecided
        }
    }
}

/// A table for people.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Table {
    /// What it shows.
    pub title: String,
    /// Heads, with units.
    pub columns: Vec<String>,
    /// Cells; empty where something isn't known.
    pub rows: Vec<Vec<String>>,
}

impl Table {
    /// Cells of a column that say something.
    pub fn known(&self, column: usize) -> impl Iterator<Item = &String> {
        self.rows.iter().filter_map(move |row| row.get(column)).filter(|cell| !cell.is_empty())
    }

    /// Columns that there is something to show in: the first, which names rows, and those of which something is known of any of them.
    #[must_use]
    pub fn columns_known(&self) -> Vec<usize> {
        let count = self.rows.iter().map(Vec::len).fold(self.columns.len(), usize::max);
        (0..count).filter(|column| *column == 0 || self.known(*column).next().is_some()).collect()
    }
}
