//! Exponents of a ramp of greys: the local gamma of a step, the gamma that fits many, and the system gamma that fits an HLG display.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::draws::Draws;
use super::figure::Figure;
use super::measured::Measured;
use super::ramp::Ramp;
use super::transfer::hlg;

/// What no display follows a power law closer than, relative: keeps a few steps that are known very well from being all that counts (common practice,
/// no source).
const MODEL_U: f64 = 0.01;

/// How many standard uncertainties a light is above black at least, where its logarithm is taken.
const CLEAR_OF_BLACK: f64 = 3.0;

/// The local (point) gamma of a step: ln((L − black)/(white − black)) / ln V. Nothing at black, at white or beyond, and for light that is not above black.
///
/// With `black` = 0 it is the gamma of absolute light, as it was usual; with the display's black that of the light above it.
#[must_use]
pub fn local(signal: f64, luminance: f64, white: f64, black: f64) -> Option<f64> {
    let light = (luminance - black) / (white - black);
    (signal > 0.0 && signal < 1.0 && light > 0.0 && light.is_finite()).then(|| light.ln() / signal.ln())
}

/// Which steps of a ramp a gamma is fitted to, by their signals.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Domain {
    /// From this signal.
    pub from: f64,
    /// To this.
    pub to: f64,
}

/// Half a code value of 8 bits: how far a signal may lie beside what was meant.
pub const HALF_CODE: f64 = 0.0025;

impl Domain {
    /// Where a ramp's gamma is fitted: a signal from 0.1, as what is below is judged by itself, to 0.95, as white is what all are relative to; and half
    /// a code value of 8 bits beyond.
    pub const RAMP: Self = Self { from: 0.1 - HALF_CODE, to: 0.95 + HALF_CODE };
    /// Near black: above 0 and below where that begins.
    pub const NEAR_BLACK: Self = Self { from: f64::MIN_POSITIVE, to: Self::RAMP.from - 1e-9 };

    fn holds(self, signal: f64) -> bool {
        signal >= self.from && signal <= self.to
    }
}

/// The steps that a gamma can be fitted to, with their weights: those of `domain` whose light is clear of black by three standard uncertainties.
fn weights(ramp: &Ramp, domain: Domain) -> Vec<f64> {
    let black = ramp.black(ramp.lights());
    ramp.steps(ramp.lights())
        .map(|(signal, light)| {
            let above = light.luminance - black;
            let u = light.luminance_u.hypot(ramp.black_u());
            if domain.holds(signal) && above > CLEAR_OF_BLACK * u {
                1.0 / ((u / above).powi(2) + MODEL_U.powi(2))
            } else {
                0.0
            }
        })
        .collect()
}

/// γ of y = γ·x through white, where x and y are 0: least squares by weight.
fn through_white(points: impl Iterator<Item = Option<(f64, f64, f64)>>) -> Option<f64> {
    let mut sums = (0.0, 0.0);
    for point in points {
        let (weight, x, y) = point?;
        sums.0 += weight * x * x;
        sums.1 += weight * x * y;
    }
    (sums.0 > 0.0).then(|| sums.1 / sums.0)
}

/// A gamma that was fitted.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Fitted {
    /// The display's.
    pub gamma: Figure,
    /// What the same fit makes of the light that the display is meant to give at the same signals.
    pub aim: f64,
}

/// The gamma of a ramp: ln((L − black)/(white − black)) = γ·ln V by least squares through white over the steps of `domain`, each weighted by its
/// relative uncertainty and 1 %, which no display follows a power law closer than.
///
/// `aim` gives the luminance that a signal is meant to have on a display of such a white and black. As BT.1886, with its lifted black, and sRGB are no power
/// laws, the display's gamma is to be held against the aim's own, and not against 2.4 or 2.2. Nothing with fewer than two steps that are
/// clear of black.
pub fn fitted(
    ramp: &Ramp,
    domain: Domain,
    draws: &Draws,
    aim: impl Fn(f64, f64, f64) -> f64,
) -> Option<Fitted> {
    let weights = weights(ramp, domain);
    if weights.iter().filter(|weight| **weight > 0.0).count() < 2 {
        return None;
    }
    let fit = |white: f64, black: f64, luminance: &dyn Fn(usize) -> f64| {
        let used = ramp.signals().iter().zip(&weights).enumerate().filter(|(_, (_, weight))| **weight > 0.0);
        through_white(used.map(|(index, (signal, weight))| {
            let gamma = local(*signal, luminance(index), white, black)?;
            Some((*weight, signal.ln(), gamma * signal.ln()))
        }))
    };
    let gamma = draws.figure(ramp.lights(), |lights| {
        fit(ramp.white(lights), ramp.black(lights), &|index| lights[index].luminance)
    })?;
    let [white, black] = [ramp.white(ramp.lights()), ramp.black(ramp.lights())];
    let aim = fit(white, black, &|index| aim(ramp.signals()[index], white, black))?;
    Some(Fitted { gamma, aim })
}

/// The HLG system gamma that fits a ramp best: ln(L/white) = γ·ln E by least squares through white, where E is the scene light that a signal stands for
/// (ITU-R BT.2100-2, table 5, with the display's black), weighted as [`fitted`] does.
///
/// E depends on γ a little, through the lift of black: it is found by iteration. Nothing with fewer than two steps that are clear of black.
#[must_use]
pub fn fitted_hlg(ramp: &Ramp, draws: &Draws) -> Option<Figure> {
    let weights = weights(ramp, Domain::RAMP);
    if weights.iter().filter(|weight| **weight > 0.0).count() < 2 {
        return None;
    }
    draws.figure(ramp.lights(), |lights| {
        let [white, black] = [ramp.white(lights), ramp.black(lights)];
        if !(white > black && black >= 0.0) {
            return None;
        }
        // Each turn brings γ some ten times nearer.
        (0..8).try_fold(1.2, |gamma, _| {
            let display = hlg::Display { white, black, gamma };
            let used = ramp.steps(lights).zip(&weights).filter(|(_, weight)| **weight > 0.0);
            through_white(used.map(|((signal, light), weight)| point(display, signal, light, *weight)))
                .filter(|gamma| *gamma > 0.1)
        })
    })
}

/// Weight, ln E and ln(L/white).
fn point(display: hlg::Display, signal: f64, light: &Measured, weight: f64) -> Option<(f64, f64, f64)> {
    let [scene, light] = [display.scene(signal), light.luminance / display.white];
    (scene > 0.0 && light > 0.0).then(|| (weight, scene.ln(), light.ln()))
}

#[cfg(test)]
mod tests;
