//! Greys at and above black: how dark detail comes out.
//!
//! Steps are judged as those of a whole ramp are, in per cent of what they are meant to be; the table has the same in stops, of which one is a doubling
//! of light. The exponent below a signal of 0.1 is told beside that of the aim, and not judged again.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::greys::{self, BlackIs, GreyStep, Law, LeftOut, verdict};
use super::quantity::Quantities;
use super::{Figures, Finding, Quantity, Scene, Standing, Table};
use crate::evaluate::aim::Transfer;
use crate::evaluate::figure::Figure;
use crate::evaluate::gamma::{self, Domain, Fitted};
use crate::review::record::Measurement;

/// Figures of greys near black.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct NearBlackFigures {
    /// What the display is meant to do.
    pub aim: Transfer,
    /// The steps, dark to light.
    pub steps: Vec<GreyStep>,
    /// What the steps are held against, between them too. No figure: it isn't written.
    #[serde(skip)]
    law: Law,
    /// The exponent of signals below 0.1: what a power law through white has that fits their light above black best. Absent for ST 2084 and HLG.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub exponent: Option<Fitted>,
    /// What black the aim rests on.
    pub black: BlackIs,
    /// Patches that no figure is made of.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub left_out: Vec<LeftOut>,
}

/// Of the greys among `patches`; nothing without a white, or with fewer than two greys that count.
#[must_use]
pub fn evaluate(scene: &Scene, patches: &[&Measurement]) -> Option<NearBlackFigures> {
    let greys = greys::greys(scene, patches)?;
    let transfer = scene.aim.transfer;
    let exponent = match transfer {
        Transfer::Pq | Transfer::Hlg { .. } => None,
        Transfer::Power { .. } | Transfer::Bt1886 | Transfer::Srgb => {
            let luminance = |signal, white, black| transfer.luminance(signal, white, black);
            gamma::fitted(&greys.ramp, Domain::NEAR_BLACK, &scene.draws, luminance)
        }
    };
    Some(NearBlackFigures {
        aim: transfer,
        exponent,
        black: greys.black,
        left_out: greys.left_out,
        law: greys.law,
        steps: greys.steps,
    })
}

/// How far a step is off its aim in stops: log₂(L/aim), with its interval; nothing where that holds no light at all.
#[must_use]
pub fn stops(step: &GreyStep) -> Option<Figure> {
    let error = step.error_percent?;
    let figure = error.map(|percent| (1.0 + percent / 100.0).log2());
    (figure.value.is_finite() && figure.low.is_finite()).then_some(figure)
}

impl NearBlackFigures {
    /// What the steps are held against, between them too: for pictures.
    #[must_use]
    pub fn law(&self) -> Law {
        greys::law_or_aims(&self.law, &self.steps)
    }
}

impl Figures for NearBlackFigures {
    fn verdicts(&self) -> Vec<Finding> {
        let name = self.aim.name();
        let mut found = Vec::new();
        let all = (self.steps.as_slice(), self.left_out.as_slice());
        found.extend(verdict::tracking(("near_black", "greys near black"), &name, all, |_| true));
        found.extend(self.exponent.as_ref().map(|exponent| Finding {
            subject: "near_black_exponent".to_owned(),
            standing: Standing::Told,
            words: format!(
                "below 10 % light above black goes by an exponent of {}; by the same fit that of {name} is {:.3}",
                exponent.gamma.words(),
                exponent.aim
            ),
            figure: Some(exponent.gamma),
            unit: String::new(),
            tolerance: None,
        }));
        found.extend(verdict::cautions(self.black, &self.steps, &self.left_out));
        found
    }

    fn tables(&self) -> Vec<Table> {
        let cell = |step: &GreyStep| stops(step).map(|stops| stops.signed()).unwrap_or_default();
        vec![greys::table("Greys near black", &self.steps, Some(("Off by, stops", cell)))]
    }

    fn quantities(&self) -> Vec<Quantity> {
        let listed =
            Quantities::default().whole("exponent", "", self.exponent.map(|exponent| exponent.gamma));
        greys::quantities(listed, &self.steps).all()
    }
}

#[cfg(test)]
mod tests;
