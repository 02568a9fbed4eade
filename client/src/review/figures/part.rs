//! The figures of a sequence, whichever kind it is of.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::ambient::Ambient;
use super::balance::{self, BalanceFigures};
use super::chart::{self, ChartFigures};
use super::cold_start::ColdStart;
use super::eotf::{self, EotfFigures};
use super::gamut::{self, GamutFigures};
use super::near_black::{self, NearBlackFigures};
use super::peak_hold::PeakHold;
use super::retention::Retention;
use super::saturation::{self, SaturationFigures};
use super::uniformity::Uniformity;
use super::usable::unvouched;
use super::white::{self, WhiteFigures};
use super::window::WindowFigures;
use super::{Figures, Finding, Quantity, Scene, Standing, Table};
use crate::evaluate::aim::Transfer;
use crate::review::evaluation;
use crate::review::plan::{Sequence, Set, What};
use crate::review::record::Record;

/// Figures of one kind.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(tag = "of", rename_all = "snake_case")]
pub enum Part {
    /// White and black.
    White(Box<WhiteFigures>),
    /// From signal to light.
    Eotf(Box<EotfFigures>),
    /// The same where it is dark.
    NearBlack(Box<NearBlackFigures>),
    /// The colour of greys.
    Balance(Box<BalanceFigures>),
    /// Primaries and secondaries.
    Gamut(Box<GamutFigures>),
    /// Sweeps of saturation.
    Saturation(Box<SaturationFigures>),
    /// A chart.
    Chart(Box<ChartFigures>),
    /// White in windows of several sizes.
    Window(Box<WindowFigures>),
    /// White held.
    PeakHold(Box<PeakHold>),
    /// A display as it warms up.
    ColdStart(Box<ColdStart>),
    /// What a bright window leaves behind.
    Retention(Box<Retention>),
    /// One field at several places.
    Uniformity(Box<Uniformity>),
    /// Light of the room.
    Ambient(Box<Ambient>),
}

/// What of a meter's calibration a verdict rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Needs {
    /// Chromaticity: it is held against a colour that isn't the display's own.
    Colour,
    /// Luminance: it is held against cd/m² that aren't the display's own.
    Luminance,
    /// Both: a colour's luminance beside white's, too, which a meter with filters is off by another amount at.
    Both,
}

impl Part {
    /// What of the meter's calibration one of these figures' verdicts rests on; nothing where that goes out, as of what is held against the display itself,
    /// and of what is not judged.
    #[must_use]
    pub fn needs(&self, finding: &Finding, transfer: Transfer) -> Option<Needs> {
        let needs = match self {
            Self::White(_) | Self::Balance(_) => Some(Needs::Colour),
            Self::Saturation(_) | Self::Chart(_) => Some(Needs::Both),
            Self::Gamut(_) => (finding.subject != "gamut_sum").then_some(Needs::Colour),
            Self::Eotf(_) | Self::NearBlack(_) => (transfer == Transfer::Pq).then_some(Needs::Luminance),
            _ => None,
        };
        needs.filter(|_| finding.standing != Standing::Told)
    }

    /// Every kind of figures that a sequence has, as far as they could be measured.
    #[must_use]
    pub fn of(scene: &Scene, record: &Record, set: &Set, sequence: &Sequence) -> Vec<Self> {
        let patches = record.patches(set, &sequence.name);
        let mut courses = record.courses(set, &sequence.name);
        courses.retain(|course| unvouched(course, &sequence.what).is_none());
        let first = courses.first();
        let part = match &sequence.what {
            What::WhiteBlack => white::evaluate(scene, &patches).map(Box::new).map(Self::White),
            What::Grey { .. } => {
                let light = eotf::evaluate(scene, &patches).map(Box::new).map(Self::Eotf);
                let colour = balance::evaluate(scene, &patches).map(Box::new).map(Self::Balance);
                return light.into_iter().chain(colour).collect();
            }
            What::NearBlack { .. } => {
                let light = near_black::evaluate(scene, &patches).map(Box::new).map(Self::NearBlack);
                let colour = balance::evaluate(scene, &patches).map(Box::new).map(Self::Balance);
                return light.into_iter().chain(colour).collect();
            }
            What::Primaries => gamut::evaluate(scene, &patches).map(Box::new).map(Self::Gamut),
            What::Saturation { .. } => {
                saturation::evaluate(scene, &patches).map(Box::new).map(Self::Saturation)
            }
            What::Chart { .. } => chart::evaluate(scene, &patches).map(Box::new).map(Self::Chart),
            What::Window { .. } => WindowFigures::evaluate(scene, &patches).map(Box::new).map(Self::Window),
            What::PeakHold { .. } => {
                first.and_then(|course| PeakHold::evaluate(scene, course)).map(Box::new).map(Self::PeakHold)
            }
            What::ColdStart { .. } => {
                first.and_then(|course| ColdStart::evaluate(scene, course)).map(Box::new).map(Self::ColdStart)
            }
            What::Retention { .. } => {
                Retention::evaluate(scene, &patches, &courses).map(Box::new).map(Self::Retention)
            }
            What::Uniformity { .. } => {
                Uniformity::evaluate(scene, &patches).map(Box::new).map(Self::Uniformity)
            }
            What::Ambient => {
                let black = evaluation::grey(record, set, 0.0);
                Ambient::evaluate(scene, &patches, black).map(Box::new).map(Self::Ambient)
            }
        };
        part.into_iter().collect()
    }

    fn figures(&self) -> &dyn Figures {
        match self {
            Self::White(figures) => figures.as_ref(),
            Self::Eotf(figures) => figures.as_ref(),
            Self::NearBlack(figures) => figures.as_ref(),
            Self::Balance(figures) => figures.as_ref(),
            Self::Gamut(figures) => figures.as_ref(),
            Self::Saturation(figures) => figures.as_ref(),
            Self::Chart(figures) => figures.as_ref(),
            Self::Window(figures) => figures.as_ref(),
            Self::PeakHold(figures) => figures.as_ref(),
            Self::ColdStart(figures) => figures.as_ref(),
            Self::Retention(figures) => figures.as_ref(),
            Self::Uniformity(figures) => figures.as_ref(),
            Self::Ambient(figures) => figures.as_ref(),
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

    /// Every figure, by its name and whose it is.
    #[must_use]
    pub fn quantities(&self) -> Vec<Quantity> {
        self.figures().quantities()
    }
}
