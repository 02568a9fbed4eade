//! From signal to light: how a ramp of greys follows the transfer function that the display is meant to have.
//!
//! Each step's deviation is judged with an interval that holds all of them at once, so that a display without fault isn't found fault with because it was
//! looked at twenty times ([`crate::evaluate::together`]). Steps below a signal of 0.1 are judged apart from the others: where the meter's noise
//! leaves them undecided they don't take the whole ramp along.
//! A fitted gamma is told with 95 % and judged with 99 %, as all single figures are ([`Tolerance::of`]).
//!
//! A display that shows ST 2084 can't show all of it. Where it leaves the curve for good is told with what comes after, and steps beyond that are not judged.
//! It may do so no earlier than the roll-off of Report ITU-R BT.2390 begins.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::greys::{self, BlackIs, GreyStep, Law, LeftOut, TOLERANCE_PERCENT, verdict};
use super::quantity::Quantities;
use super::{Figures, Finding, Quantity, Scene, Standing, Table, Tolerance};
use crate::evaluate::aim::Transfer;
use crate::evaluate::gamma::{self, Domain, Fitted};
use crate::evaluate::tracking::{self, Kind, TrackingEnd};
use crate::evaluate::transfer::{hlg, pq};
use crate::review::record::Measurement;

/// Below a signal of 0.1 greys are judged by themselves.
const DARK: f64 = Domain::RAMP.from;
/// How far a fitted gamma may be off (common practice, no source): 7 % of luminance at half the signal.
const GAMMA_TOLERANCE: f64 = 0.1;
/// How far HLG's system gamma may be off (common practice, no source): 12 % of luminance at half the signal.
const HLG_GAMMA_TOLERANCE: f64 = 0.05;

/// Figures of a ramp of greys.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct EotfFigures {
    /// What the display is meant to do.
    pub aim: Transfer,
    /// The steps, dark to light.
    pub steps: Vec<GreyStep>,
    /// What the steps are held against, between them too. No figure: it isn't written.
    #[serde(skip)]
    law: Law,
    /// The gamma of signals from 0.1 to 0.95, where the aim is a power law or alike.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gamma: Option<Fitted>,
    /// The system gamma that fits best, and that which BT.2100 has for this white, where the aim is HLG.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hlg_gamma: Option<Fitted>,
    /// Where it stops to follow ST 2084, where the aim is that.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tracking_end: Option<TrackingEnd>,
    /// What black the aim rests on.
    pub black: BlackIs,
    /// Patches that no figure is made of.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub left_out: Vec<LeftOut>,
}

/// Of the greys among `patches`; nothing without a white, or with fewer than two greys that count.
#[must_use]
pub fn evaluate(scene: &Scene, patches: &[&Measurement]) -> Option<EotfFigures> {
    let greys = greys::greys(scene, patches)?;
    let ramp = &greys.ramp;
    let transfer = scene.aim.transfer;
    let luminance = |signal, white, black| transfer.luminance(signal, white, black);
    let mut figures = EotfFigures {
        aim: transfer,
        gamma: None,
        hlg_gamma: None,
        tracking_end: None,
        black: greys.black,
        left_out: greys.left_out,
        law: greys.law,
        steps: greys.steps,
    };
    match transfer {
        Transfer::Pq => figures.tracking_end = tracking::end(ramp, TOLERANCE_PERCENT / 100.0, &scene.draws),
        Transfer::Hlg { surround_cd_m2 } => {
            let aim = hlg::system_gamma(ramp.white(ramp.lights()), surround_cd_m2);
            figures.hlg_gamma = gamma::fitted_hlg(ramp, &scene.draws).map(|gamma| Fitted { gamma, aim });
        }
        Transfer::Power { .. } | Transfer::Bt1886 | Transfer::Srgb => {
            figures.gamma = gamma::fitted(ramp, Domain::RAMP, &scene.draws, luminance);
        }
    }
    Some(figures)
}

impl EotfFigures {
    /// What the steps are held against, between them too: for pictures.
    #[must_use]
    pub fn law(&self) -> Law {
        greys::law_or_aims(&self.law, &self.steps)
    }
}

impl Figures for EotfFigures {
    fn verdicts(&self) -> Vec<Finding> {
        let name = self.aim.name();
        let last = self.tracking_end.map_or(1.0, |end| end.last_signal);
        let all = (self.steps.as_slice(), self.left_out.as_slice());
        let is_light = |signal: f64| signal >= DARK && signal <= last;
        let is_dark = |signal: f64| signal < DARK && signal <= last;
        let mut found = Vec::new();
        found.extend(verdict::tracking(("tracking", "greys from 10 % up"), &name, all, is_light));
        found.extend(verdict::tracking(("tracking_dark", "greys below 10 %"), &name, all, is_dark));
        found.extend(self.gamma.as_ref().map(|fitted| gamma_verdict(fitted, &name)));
        found.extend(self.hlg_gamma.as_ref().map(hlg_gamma_verdict));
        found.extend(self.tracking_end.as_ref().map(tracking_end_verdict));
        found.extend(verdict::cautions(self.black, &self.steps, &self.left_out));
        found
    }

    fn tables(&self) -> Vec<Table> {
        vec![greys::table("Greys", &self.steps, None)]
    }

    fn quantities(&self) -> Vec<Quantity> {
        let listed = Quantities::default().whole("gamma", "", self.gamma.map(|fitted| fitted.gamma)).whole(
            "hlg_gamma",
            "",
            self.hlg_gamma.map(|fitted| fitted.gamma),
        );
        let end = |listed: Quantities, end: &TrackingEnd| {
            listed
                .whole("tracking_end_signal", "", end.signal)
                .whole("tracking_end_luminance", "cd/m²", end.luminance)
                .whole("tracking_end_level", "cd/m²", end.level)
        };
        greys::quantities(listed.each(&self.tracking_end, end), &self.steps).all()
    }
}

fn about(fitted: &Fitted, off: f64) -> Tolerance {
    Tolerance {
        least: Some(fitted.aim - off),
        most: Some(fitted.aim + off),
        source: "common practice, no source".to_owned(),
    }
}

fn standing_in_words(standing: Standing) -> &'static str {
    match standing {
        Standing::Beyond => ", which is too far off",
        Standing::Undecided => "; whether that is near enough the readings can't tell",
        Standing::Within | Standing::Told => "",
    }
}

fn gamma_verdict(fitted: &Fitted, name: &str) -> Finding {
    let words = format!(
        "from 10 % to 95 % the gamma above black is {}; by the same fit that of {name} is {:.3}",
        fitted.gamma.words(),
        fitted.aim
    );
    fitted_verdict("gamma", fitted, GAMMA_TOLERANCE, words)
}

fn hlg_gamma_verdict(fitted: &Fitted) -> Finding {
    let words = format!(
        "the system gamma that fits best is {}; for this white and surround it is meant to be {:.3}",
        fitted.gamma.words(),
        fitted.aim
    );
    fitted_verdict("hlg_gamma", fitted, HLG_GAMMA_TOLERANCE, words)
}

/// A gamma that may be so far off its aim either way; how it stands is added to the words.
fn fitted_verdict(subject: &str, fitted: &Fitted, allowed: f64, words: String) -> Finding {
    let tolerance = about(fitted, allowed);
    let standing = tolerance.of(&fitted.gamma);
    Finding {
        subject: subject.to_owned(),
        standing,
        words: words + standing_in_words(standing),
        figure: Some(fitted.gamma),
        unit: String::new(),
        tolerance: Some(tolerance),
    }
}

/// Signal, from 0 to 1, at which the roll-off of Report ITU-R BT.2390 begins on a display of such a peak, in cd/m²: KS = 1.5·maxLum − 0.5 (5.4.1, from
/// memory), for a picture that was made for 10 000 cd/m².
fn knee(peak: f64) -> f64 {
    1.5 * pq::inverse_eotf(peak) - 0.5
}

fn tracking_end_verdict(end: &TrackingEnd) -> Finding {
    let figure = end.signal.map(|signal| 100.0 * signal);
    let tolerance = Tolerance {
        least: Some((100.0 * knee(end.level.value)).max(0.0)),
        most: None,
        source: "Report ITU-R BT.2390, 5.4.1: where its roll-off begins (from memory)".to_owned(),
    };
    let standing = tolerance.of(&figure);
    let level = end.level.words();
    let then = match end.kind {
        Kind::Clip => format!(
            "the next step already has the {level} cd/m² of white: it is cut off, as far as steps so wide can tell"
        ),
        Kind::RollOff => format!("from there it rolls off to {level} cd/m²"),
        Kind::Undecided => format!(
            "white has {level} cd/m², and whether light is cut off there or rolls off towards it the readings can't tell"
        ),
    };
    let early = match standing {
        Standing::Beyond => {
            format!(
                "; with such a white it could follow to {} % at least",
                verdict::percent(knee(end.level.value))
            )
        }
        Standing::Undecided => "; whether that is too early the readings can't tell".to_owned(),
        Standing::Within | Standing::Told => String::new(),
    };
    Finding {
        subject: "tracking_end".to_owned(),
        standing,
        words: format!(
            "ST 2084 is followed up to a signal of {} %, {} cd/m²; {then}{early}",
            figure.words(),
            end.luminance.words(),
        ),
        figure: Some(figure),
        unit: "%".to_owned(),
        tolerance: Some(tolerance),
    }
}

#[cfg(test)]
mod tests;
