//! Light of the room: what the display throws back while it is switched off.
//!
//! IEC 62977-2-1:2021, 5.2 (from an excerpt): reflected light shall be below 1/20 of the luminance of the display's black; it is estimated with the display switched off, subtracted where it can
//! be measured and reported where it can't. Black as it is measured holds both, so that 1/20 of the display's own is 1/21 of what is seen.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::quantity::Quantities;
use super::usable::{bound, is_below_range};
use super::words::{self, judged, luminance, surely_not_zero, told};
use super::{Figures, Finding, Quantity, Scene, Standing, Table, Tolerance};
use crate::evaluate::figure::Figure;
use crate::evaluate::measured::Measured;
use crate::review::record::Measurement;

/// Reflected light over black as it is measured: 1/20 of the display's own part.
const MOST: f64 = 1.0 / 21.0;

/// Figures of the room's light.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Ambient {
    /// Luminance with the display switched off, in cd/m².
    pub off: Figure,
    /// Whether that is below what the meter states it can measure.
    pub off_below_range: bool,
    /// Black as it was measured, in cd/m²: with what is reflected.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub black: Option<Figure>,
    /// Whether black is below what the meter states it can measure.
    pub black_below_range: bool,
    /// Black less what is reflected, in cd/m²: the display's own. Absent where either is below the meter's range.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub own_black: Option<Figure>,
    /// Reflected light over black as it was measured. Absent where either is below the meter's range, or black may be nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub share: Option<Figure>,
}

impl Ambient {
    /// Of a patch that was measured with the display switched off, and of `black` with its flags, where there is one (else the scene's black is taken to be within the meter's range).
    #[must_use]
    pub fn evaluate(scene: &Scene, patches: &[&Measurement], black: Option<&Measurement>) -> Option<Self> {
        let patch = patches.first()?;
        let off = bound(patch)?;
        let (off_below_range, black_below_range) = (is_below_range(patch), black.is_some_and(is_below_range));
        let black = black.and_then(bound).or(scene.black);
        let one = |light: Measured| scene.draws.figure(&[light], |lights| Some(lights.first()?.luminance));
        let both = black.filter(|_| !off_below_range && !black_below_range).map(|black| [off, black]);
        let own = |lights: &[Measured]| Some(lights.last()?.luminance - lights.first()?.luminance);
        let share = |lights: &[Measured]| {
            let (off, black) = (lights.first()?.luminance, lights.last()?.luminance);
            Some(off / black)
        };
        Some(Self {
            off: one(off)?,
            off_below_range,
            black: black.and_then(one),
            black_below_range,
            own_black: both.and_then(|lights| scene.draws.figure(&lights, own)),
            share: both
                .filter(|[_, black]| {
                    one(*black).is_some_and(|black| black.low > 0.0 && surely_not_zero(&black))
                })
                .and_then(|lights| scene.draws.figure(&lights, share)),
        })
    }

    fn tolerance() -> Tolerance {
        let source = "IEC 62977-2-1:2021, 5.2: 1/20 of the luminance of the display's own black".to_owned();
        Tolerance { least: None, most: Some(MOST), source }
    }

    /// Why the share can't be told.
    fn why(&self) -> &'static str {
        if self.black.is_none() {
            "black wasn't measured"
        } else if self.black_below_range {
            "black is below the meter's range"
        } else if self.off_below_range {
            "with the display switched off there is less than the meter's range, so it is less than black and how much less isn't known"
        } else {
            "black can't be told from nothing"
        }
    }

    fn judged(&self) -> Finding {
        let off = luminance(&self.off);
        let Some(share) = self.share else {
            let words = format!(
                "whether reflected light is below 1/20 of black can't be told: {} ({off} with the display off)",
                self.why()
            );
            let told = told("reflected", words, self.off, "");
            let tolerance = Some(Self::tolerance());
            return Finding { standing: Standing::Undecided, figure: None, tolerance, ..told };
        };
        let part = words::share(&share);
        judged("reflected", share, "", Self::tolerance(), |standing| match standing {
            Standing::Beyond => format!(
                "the room is too bright: {part} of what is seen of black is reflected ({off}); no more than 1/21 may be"
            ),
            Standing::Undecided => format!(
                "{part} of what is seen of black is reflected ({off}): whether that is less than 1/21 can't be told"
            ),
            _ => format!(
                "the room is dark enough: {part} of what is seen of black is reflected ({off}); 1/21 may be"
            ),
        })
    }
}

impl Figures for Ambient {
    fn verdicts(&self) -> Vec<Finding> {
        let mut verdicts = vec![self.judged()];
        if let Some(own) = self.own_black {
            let words = format!("without what is reflected black is {}", luminance(&own));
            verdicts.push(told("own_black", words, own, "cd/m²"));
        }
        verdicts
    }

    fn tables(&self) -> Vec<Table> {
        let cell = |figure: Option<Figure>| figure.map(|figure| figure.words()).unwrap_or_default();
        let rows = [
            ("switched off, cd/m²", self.off.words()),
            ("black, cd/m²", cell(self.black)),
            ("black without what is reflected, cd/m²", cell(self.own_black)),
            ("reflected, of black", self.share.map(|share| words::share(&share)).unwrap_or_default()),
            ("may be reflected, of black", "1/21".to_owned()),
        ];
        let rows = rows.map(|(name, cell)| vec![name.to_owned(), cell]).to_vec();
        vec![Table {
            title: "Light of the room".to_owned(),
            columns: vec![String::new(), String::new()],
            rows,
        }]
    }

    fn quantities(&self) -> Vec<Quantity> {
        Quantities::default()
            .whole("off", "cd/m²", self.off)
            .whole("black", "cd/m²", self.black)
            .whole("own_black", "cd/m²", self.own_black)
            .whole("share", "", self.share)
            .all()
    }
}

#[cfg(test)]
mod tests;
