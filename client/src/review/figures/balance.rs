//! The balance of greys: how far each step of a grey ramp is from the aim's white in colour.
//!
//! The ramp is judged from a signal of 10 % on; what is darker is told apart, as black's own tint and what the meter can see weigh most there.
//! A step whose chromaticity isn't known to 0.004 in u′v′ (at 95 %) has none: it is said to be not measurable. Intervals hold at once for all
//! steps, those of each kind of figure for themselves.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::against::{Against, Differences};
use super::formulas;
use super::quantity::Quantities;
use super::usable::usable;
use super::words::{self, Named, held, left_out, of_several, told};
use super::{Figures, Finding, Quantity, Scene, Table};
use crate::evaluate::difference::Formula;
use crate::evaluate::figure::Figure;
use crate::evaluate::measured::{CIRCLE_95, Measured};
use crate::evaluate::together::{self, Apart};
use crate::review::record::Measurement;

/// A grey may be this far from white's aim in u′v′: most see more than that side by side.
const MOST_FROM_AIM: f64 = 0.004;
/// Near black it may be this far: less is hardly seen in the dark.
const MOST_NEAR_BLACK: f64 = 0.01;
/// The mean CIEDE2000 may be this: below 2 to 3 is called good.
const MOST_MEAN: f64 = 3.0;
/// From this signal on steps are judged: 10 %, and what rounding to code values may make of it.
const NEAR_BLACK: f64 = 0.095;
/// A chromaticity whose 95 % radius in u′v′ is larger tells no tint.
const LEAST_KNOWN: f64 = 0.004;

/// What is said of those.
const NOT_MEASURABLE: &str = "not measurable, as their colour isn't known to 0.004";

/// Figures of a grey ramp.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BalanceFigures {
    /// CIEDE2000 for SDR, ΔE ITP for HDR.
    pub formula: Formula,
    /// What the aim's white is called.
    pub aim: String,
    /// The steps, in the order of the plan.
    pub steps: Vec<BalanceStep>,
    /// Mean Δu′v′ from the aim's white, from a signal of 10 % on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mean_from_aim: Option<Figure>,
    /// The step with the largest, from a signal of 10 % on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub worst_from_aim: Option<Named>,
    /// The step with the largest below a signal of 10 %, black not counted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub worst_near_black: Option<Named>,
    /// Mean difference from the aim, from a signal of 10 % on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mean_difference: Option<Figure>,
    /// The same with the luminance that was measured for an aim: of colour alone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mean_colour_difference: Option<Figure>,
    /// Steps whose chromaticity isn't known well enough.
    pub not_measurable: Vec<String>,
    /// How many of them have a signal of 10 % or more.
    pub not_measurable_from_10_percent: usize,
    /// The names of those that have less, black too.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub not_measurable_below_10_percent: Vec<String>,
    /// How many these are, black not counted.
    pub not_measurable_near_black: usize,
}

/// One grey.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BalanceStep {
    /// What the patch is called.
    pub name: String,
    /// Its signal, from 0 to 1.
    pub signal: f64,
    /// Δu′v′ from the aim's white.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from_aim: Option<Figure>,
    /// Correlated colour temperature, in K.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cct_k: Option<Figure>,
    /// Duv: above zero is green.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub duv: Option<Figure>,
    /// Red, green and blue in per cent of what the aim's white of the same luminance has of each.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rgb_percent: Option<[Figure; 3]>,
    /// Difference from the aim.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub difference: Option<Figure>,
    /// The same with the luminance that was measured for an aim.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub colour_difference: Option<Figure>,
}

/// Figures of the patches of a grey ramp; nothing where no step has a light.
#[must_use]
pub fn evaluate(scene: &Scene, patches: &[&Measurement]) -> Option<BalanceFigures> {
    let is_known = |patch: &&&Measurement| usable(patch).is_some_and(|light| has_colour(&light));
    let known: Vec<&Measurement> = patches.iter().filter(is_known).copied().collect();
    let unknown = || patches.iter().filter(|patch| !is_known(patch));
    let signals = || unknown().map(|patch| patch.patch.signal(scene.coding)[0]);
    let against = Against::new(scene, &known)?;
    let all: Vec<usize> = (0..against.points.len()).collect();
    let signal = |index: usize| against.points.get(index).map_or(0.0, |point| point.signal[0]);
    let bright: Vec<usize> = all.iter().copied().filter(|index| signal(*index) >= NEAR_BLACK).collect();
    let groups = [bright];
    let whole = Differences::of(&against, &groups);
    let colour = Differences::of(&against.level(), &groups);
    let (from_aim, mean_from_aim) = from_aim(scene, &against, &groups)?;
    let kinds = kinds(scene, &against);
    let of = |kind: usize, index: usize| kinds.get(kind).and_then(|kind| kind.get(index).copied().flatten());
    let steps = against.points.iter().enumerate().map(|(index, point)| BalanceStep {
        name: point.name.clone(),
        signal: point.signal[0],
        from_aim: from_aim.get(index).copied().flatten(),
        cct_k: of(0, index),
        duv: of(1, index),
        rgb_percent: every([2, 3, 4].map(|kind| of(kind, index))),
        difference: whole.each.get(index).copied().flatten(),
        colour_difference: colour.each.get(index).copied().flatten(),
    });
    let steps: Vec<BalanceStep> = steps.collect();
    let largest = |is_meant: fn(f64) -> bool| {
        let meant = steps.iter().filter(|step| is_meant(step.signal));
        words::largest(meant.map(|step| (step.name.as_str(), step.from_aim)))
    };
    Some(BalanceFigures {
        formula: against.difference.formula(),
        aim: words::white(&scene.aim),
        mean_from_aim,
        worst_from_aim: largest(|signal| signal >= NEAR_BLACK),
        worst_near_black: largest(is_near_black),
        mean_difference: whole.means.first().copied().flatten(),
        mean_colour_difference: colour.means.first().copied().flatten(),
        not_measurable: unknown().map(|patch| patch.patch.name.clone()).collect(),
        not_measurable_from_10_percent: signals().filter(|signal| *signal >= NEAR_BLACK).count(),
        not_measurable_below_10_percent: unknown()
            .filter(|patch| patch.patch.signal(scene.coding)[0] < NEAR_BLACK)
            .map(|patch| patch.patch.name.clone())
            .collect(),
        not_measurable_near_black: signals().filter(|signal| is_near_black(*signal)).count(),
        steps,
    })
}

/// Whether a signal is below 10 %, and not black.
fn is_near_black(signal: f64) -> bool {
    signal > 1e-9 && signal < NEAR_BLACK
}

/// All three, or nothing.
fn every([red, green, blue]: [Option<Figure>; 3]) -> Option<[Figure; 3]> {
    Some([red?, green?, blue?])
}

/// Whether a light's chromaticity is known well enough.
fn has_colour(light: &Measured) -> bool {
    light.chromaticity.is_some() && light.chromaticity_u * CIRCLE_95 <= LEAST_KNOWN
}

/// Δu′v′ of each step from the aim's white, and the mean of those of a group.
fn from_aim(
    scene: &Scene,
    against: &Against<'_>,
    groups: &[Vec<usize>],
) -> Option<(Vec<Option<Figure>>, Option<Figure>)> {
    let white = scene.aim.white_chromaticity()?;
    let lights: Vec<Measured> = against.points.iter().map(|point| point.light).collect();
    let values: Vec<f64> = lights
        .iter()
        .map(|light| light.chromaticity.map_or(f64::NAN, |colour| colour.distance(white)))
        .collect();
    let apart = Apart::gather(&scene.draws, &lights, |drawn| {
        let pairs = lights.iter().zip(drawn).map(|(one, other)| one.chromaticity.zip(other.chromaticity));
        pairs.map(|pair| pair.map_or(f64::NAN, |(one, other)| one.distance(other))).collect()
    });
    let mean = together::means(&values, &apart, groups).first().copied().flatten();
    Some((together::distances(&values, &apart), mean))
}

/// Correlated colour temperatures, Duvs, and shares of red, green and blue: one kind after the other, each of all steps.
fn kinds(scene: &Scene, against: &Against<'_>) -> Vec<Vec<Option<Figure>>> {
    let matrix = scene.aim.rgb_to_xyz();
    let lights: Vec<Measured> = against.points.iter().map(|point| point.light).collect();
    together::signed(&scene.draws, &lights, lights.len(), |drawn| {
        let each: Vec<[f64; 5]> = drawn
            .iter()
            .map(|light| {
                let [cct, duv] = light.chromaticity.and_then(formulas::cct).unwrap_or([f64::NAN; 2]);
                let [red, green, blue] =
                    matrix.and_then(|matrix| formulas::balance(matrix, light)).unwrap_or([f64::NAN; 3]);
                [cct, duv, red, green, blue]
            })
            .collect();
        (0..5).flat_map(|kind| each.iter().map(move |figures| figures[kind])).collect()
    })
}

impl BalanceFigures {
    /// How many of some steps have a colour.
    fn judged(&self, is_meant: impl Fn(f64) -> bool) -> usize {
        self.steps.iter().filter(|step| step.from_aim.is_some() && is_meant(step.signal)).count()
    }

    fn tint(&self) -> Option<Finding> {
        let worst = self.worst_from_aim.as_ref()?;
        let mut text = format!(
            "greys from 10 % on are off {} by Δu′v′ {} in the worst of them ({})",
            self.aim,
            words::distance(&worst.figure),
            worst.name
        );
        if let Some(mean) = &self.mean_from_aim {
            text += &format!(", {} in the mean", words::distance(mean));
        }
        let balance =
            self.steps.iter().find(|step| step.name == worst.name).and_then(|step| step.rgb_percent);
        if let Some(balance) = balance {
            let [red, green, blue] = balance.map(|share| format!("{:.1}", share.value));
            text += &format!("; red, green, blue there are {red}, {green}, {blue} %");
        }
        let dark = &self.not_measurable_below_10_percent;
        let bright: Vec<String> =
            self.not_measurable.iter().filter(|name| !dark.contains(name)).cloned().collect();
        text += &left_out(&bright, NOT_MEASURABLE);
        let found = held("grey_balance", text, worst.figure, MOST_FROM_AIM);
        let judged = self.judged(|signal| signal >= NEAR_BLACK);
        Some(of_several(found, judged, judged + self.not_measurable_from_10_percent))
    }

    fn near_black(&self) -> Option<Finding> {
        let unknown = left_out(&self.not_measurable_below_10_percent, NOT_MEASURABLE);
        match &self.worst_near_black {
            Some(worst) => {
                let distance = words::distance(&worst.figure);
                let text = format!(
                    "near black, below 10 %, greys are off {} by Δu′v′ {distance} in the worst of them ({}){unknown}",
                    self.aim, worst.name
                );
                let found = held("grey_near_black", text, worst.figure, MOST_NEAR_BLACK);
                let judged = self.judged(is_near_black);
                Some(of_several(found, judged, judged + self.not_measurable_near_black))
            }
            None if unknown.is_empty() => None,
            None => {
                let text = format!("near black, below 10 %, no tint can be told{unknown}");
                Some(words::untold("grey_near_black", text))
            }
        }
    }

    fn differences(&self) -> Option<Finding> {
        let mean = self.mean_difference?;
        let name = self.formula.name();
        let mut text = format!("mean {name} of greys from 10 % on is {}", words::distance(&mean));
        if let Some(colour) = &self.mean_colour_difference {
            text += &format!(", {} of colour alone", words::distance(colour));
        }
        Some(match self.formula {
            Formula::De2000 => {
                let judged = self.judged(|signal| signal >= NEAR_BLACK);
                let found = held("grey_difference", text, mean, MOST_MEAN);
                of_several(found, judged, judged + self.not_measurable_from_10_percent)
            }
            Formula::Itp => told("grey_difference", text, Some(mean), ""),
        })
    }
}

impl Figures for BalanceFigures {
    fn verdicts(&self) -> Vec<Finding> {
        [self.tint(), self.near_black(), self.differences()].into_iter().flatten().collect()
    }

    fn tables(&self) -> Vec<Table> {
        let row = |step: &BalanceStep| {
            let share =
                |index: usize| words::cell(step.rgb_percent.as_ref().map(|rgb| &rgb[index]), Figure::words);
            vec![
                step.name.clone(),
                words::cell(step.from_aim.as_ref(), words::distance),
                words::cell(step.cct_k.as_ref(), Figure::words),
                words::cell(step.duv.as_ref(), words::signed),
                share(0),
                share(1),
                share(2),
                words::cell(step.difference.as_ref(), words::distance),
                words::cell(step.colour_difference.as_ref(), words::distance),
            ]
        };
        let name = self.formula.name();
        let colour = format!("{name} of colour");
        let columns = ["grey", "Δu′v′", "CCT (K)", "Duv", "R (%)", "G (%)", "B (%)", name, &colour];
        vec![Table {
            title: "Balance of greys".to_owned(),
            columns: columns.map(str::to_owned).to_vec(),
            rows: self.steps.iter().map(row).collect(),
        }]
    }

    fn quantities(&self) -> Vec<Quantity> {
        let listed = Quantities::default()
            .whole("mean_from_aim", "", self.mean_from_aim)
            .whole("mean_difference", "", self.mean_difference)
            .whole("mean_colour_difference", "", self.mean_colour_difference);
        let step = |listed: Quantities, step: &BalanceStep| {
            let [red, green, blue] = step.rgb_percent.map(|rgb| rgb.map(Some)).unwrap_or_default();
            listed
                .of(&step.name, "from_aim", "", step.from_aim)
                .of(&step.name, "cct_k", "K", step.cct_k)
                .of(&step.name, "duv", "", step.duv)
                .of(&step.name, "red_percent", "%", red)
                .of(&step.name, "green_percent", "%", green)
                .of(&step.name, "blue_percent", "%", blue)
                .of(&step.name, "difference", "", step.difference)
                .of(&step.name, "colour_difference", "", step.colour_difference)
        };
        listed.each(&self.steps, step).all()
    }
}

#[cfg(test)]
mod tests;
