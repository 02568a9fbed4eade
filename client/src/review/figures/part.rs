//! The figures of a sequence, whichever kind it is of.

use serde::{Deserialize, Serialize};

use super::balance::{self, BalanceFigures};
use super::chart::{self, ChartFigures};
use super::gamut::{self, GamutFigures};
use super::saturation::{self, SaturationFigures};
use super::white::{self, WhiteFigures};
use super::{Figures, Finding, Scene, Table};
use crate::review::plan::{Sequence, Set, What};
use crate::review::record::Record;

/// Figures of one kind.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "of", rename_all = "snake_case")]
pub enum Part {
    /// White and black.
    White(Box<WhiteFigures>),
    /// The colour of greys.
    Balance(Box<BalanceFigures>),
    /// Primaries and secondaries.
    Gamut(Box<GamutFigures>),
    /// Sweeps of saturation.
    Saturation(Box<SaturationFigures>),
    /// A chart.
    Chart(Box<ChartFigures>),
}

impl Part {
    /// Every kind of figures that a sequence has, as far as they could be measured.
    #[must_use]
    pub fn of(scene: &Scene, record: &Record, set: &Set, sequence: &Sequence) -> Vec<Self> {
        let patches = record.patches(set, &sequence.name);
        let parts = match &sequence.what {
            What::WhiteBlack => vec![white::evaluate(scene, &patches).map(Box::new).map(Self::White)],
            What::Grey { .. } => vec![balance::evaluate(scene, &patches).map(Box::new).map(Self::Balance)],
            What::Primaries => vec![gamut::evaluate(scene, &patches).map(Box::new).map(Self::Gamut)],
            What::Saturation { .. } => {
                vec![saturation::evaluate(scene, &patches).map(Box::new).map(Self::Saturation)]
            }
            What::Chart { .. } => vec![chart::evaluate(scene, &patches).map(Box::new).map(Self::Chart)],
            _ => Vec::new(),
        };
        parts.into_iter().flatten().collect()
    }

    fn figures(&self) -> &dyn Figures {
        match self {
            Self::White(figures) => figures.as_ref(),
            Self::Balance(figures) => figures.as_ref(),
            Self::Gamut(figures) => figures.as_ref(),
            Self::Saturation(figures) => figures.as_ref(),
            Self::Chart(figures) => figures.as_ref(),
        }
    }

    /// In words.
    #[must_use]
    pub fn verdicts(&self) -> Vec<Finding> {
        self.figures().verdicts()
    }

    /// As tables.
    #[must_use]
    pub fn tables(&self) -> Vec<Table> {
        self.figures().tables()
    }
}
