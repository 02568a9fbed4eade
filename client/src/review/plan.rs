//! Which sequences a review has.

use serde::{Deserialize, Serialize};

use super::chart::Colour;
use super::patch::Coding;
use crate::evaluate::aim::Aim;

mod differences;
pub mod reading;

/// A review: one set a mode of the display, SDR and HDR say.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Plan {
    /// What it is called.
    pub title: String,
    /// The sets, in the order that they are measured.
    pub sets: Vec<Set>,
}

/// What is measured with the display in one mode.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Set {
    /// What the mode is called: `SDR`.
    pub name: String,
    /// How signals are written as code values.
    pub coding: Coding,
    /// What the display is meant to do.
    pub aim: Aim,
    /// The sequences, in the order that they are measured.
    pub sequences: Vec<Sequence>,
}

/// Stimuli that belong together, and are evaluated together.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Sequence {
    /// Unique within its set; its kind's name unless the plan says otherwise.
    pub name: String,
    /// What is measured.
    #[serde(flatten)]
    pub what: What,
    /// The window's share of the screen's area, in per cent, where the kind doesn't say itself.
    pub window_percent: f64,
    /// Signal of the rest of the screen, from 0 to 1.
    pub background: f64,
    /// In which order.
    pub order: Order,
    /// How long a rest of dark grey is shown after each bright patch, in s; 0 is none.
    pub rest_s: f64,
    /// How long the dark grey is shown before it begins, in s, where the plan says so itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rest_before_s: Option<f64>,
}

/// How long a panel rests before white is held on it unless the plan says otherwise, in s: what comes before it in a review heats it for minutes
/// (common practice, no source).
const REST_BEFORE_S: f64 = 300.0;

impl Sequence {
    /// How long the dark grey is shown before it begins, in s: before white is held, so that the panel is as cool as at the beginning of every review;
    /// 0 for all else.
    #[must_use]
    pub fn rests_before_s(&self) -> f64 {
        match self.what {
            What::PeakHold { .. } | What::Retention { .. } => self.rest_before_s.unwrap_or(REST_BEFORE_S),
            _ => 0.0,
        }
    }

    /// Whether time runs in it: what is cut off is begun anew as a whole.
    #[must_use]
    pub fn is_procedure(&self) -> bool {
        matches!(self.what, What::PeakHold { .. } | What::ColdStart { .. } | What::Retention { .. })
    }
}

/// Kinds of sequence, each with what is to be said of it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum What {
    /// White and black: peak, black and contrast.
    WhiteBlack,
    /// Greys from black to white at even signals.
    Grey {
        /// How many, both ends included: 21 is every 5 %.
        steps: usize,
    },
    /// Greys at and above black.
    NearBlack {
        /// Up to this signal, from 0 to 1.
        up_to: f64,
        /// How many, black not counted.
        steps: usize,
    },
    /// Red, green, blue, cyan, magenta, yellow and white at full signal.
    Primaries,
    /// From white to each primary and secondary: even steps of saturation in u′v′.
    Saturation {
        /// How many between white and the colour, the colour included.
        steps: usize,
    },
    /// A chart of colours.
    Chart {
        /// A CSV file beside the plan; the built-in grid if absent.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        file: Option<String>,
        /// The file's colours, once it has been read: a record has them too, whatever becomes of the file.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        colours: Vec<Colour>,
    },
    /// White in windows of several sizes.
    Window {
        /// Shares of the screen's area, in per cent.
        areas_percent: Vec<f64>,
    },
    /// White held in a window: peak over time.
    PeakHold {
        /// For how long, in s.
        hold_s: f64,
    },
    /// The display watched as it warms up, from when it first shows something.
    ColdStart {
        /// For how long, in s.
        watch_s: f64,
        /// The signal of the grey that is shown, from 0 to 1.
        signal: f64,
    },
    /// Image retention: a full field of grey, a bright window held, then the grey again.
    Retention {
        /// How long the window is held, in s.
        hold_s: f64,
        /// How long the ghost is watched, in s.
        watch_s: f64,
        /// The grey's signal, from 0 to 1.
        signal: f64,
    },
    /// A full field seen at a grid of positions, the meter being moved from one to the next.
    Uniformity {
        /// Positions across.
        columns: usize,
        /// Positions down.
        rows: usize,
        /// The field's signal, from 0 to 1.
        signal: f64,
    },
    /// The display switched off: what light the room adds.
    Ambient,
}

impl What {
    /// The kind, as a plan has it.
    #[must_use]
    pub fn name(&self) -> &'static str {
        match self {
            Self::WhiteBlack => "white_black",
            Self::Grey { .. } => "grey",
            Self::NearBlack { .. } => "near_black",
            Self::Primaries => "primaries",
            Self::Saturation { .. } => "saturation",
            Self::Chart { .. } => "chart",
            Self::Window { .. } => "window",
            Self::PeakHold { .. } => "peak_hold",
            Self::ColdStart { .. } => "cold_start",
            Self::Retention { .. } => "retention",
            Self::Uniformity { .. } => "uniformity",
            Self::Ambient => "ambient",
        }
    }
}

/// In which order stimuli are shown.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Order {
    /// From dark to light, so that what a bright patch leaves behind reaches none that is darker.
    #[default]
    DarkToLight,
    /// At random, the same each time: what drifts meanwhile becomes noise instead of a trend.
    Shuffled,
    /// As the plan has them.
    Listed,
}

#[cfg(test)]
pub(super) mod tests;
