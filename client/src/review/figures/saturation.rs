//! Sweeps of saturation from white to each primary and secondary: colour, chroma and hue against the aim at each step.
//!
//! Intervals hold at once: those of the differences for all steps, those of the sweeps' means for all sweeps, and those of chroma and of hue.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::against::{Against, Differences, Point};
use super::formulas;
use super::quantity::Quantities;
use super::words::{self, Named, held, of_several, told};
use super::{Figures, Finding, Quantity, Scene, Table};
use crate::evaluate::difference::Formula;
use crate::evaluate::figure::Figure;
use crate::evaluate::measured::Measured;
use crate::evaluate::together;
use crate::review::record::Measurement;

/// A sweep's mean CIEDE2000 may be this: below 2 to 3 is called good (common practice, no source).
const MOST_MEAN: f64 = 3.0;
/// Below this chroma, in units of the difference, a hue isn't worth telling.
const LEAST_CHROMA: f64 = 5.0;

/// Sweeps of saturation.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SaturationFigures {
    /// CIEDE2000 for SDR, ΔE ITP for HDR.
    pub formula: Formula,
    /// One for each colour that was swept to, in the order of the plan.
    pub sweeps: Vec<Sweep>,
    /// Patches that have no light, or none that has a colour.
    pub left_out: Vec<String>,
}

/// From white to one colour.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Sweep {
    /// The colour: red, green, blue, cyan, magenta or yellow.
    pub colour: String,
    /// Mean difference of its steps.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mean: Option<Figure>,
    /// Mean chroma less the aim's, in units of the difference: below zero is too pale.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mean_chroma: Option<Figure>,
    /// The step with the largest difference.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub worst: Option<Named>,
    /// Its steps.
    pub steps: Vec<SaturationStep>,
    /// How many of its steps have no light, or none that has a colour.
    pub missing: usize,
}

/// One step of a sweep.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SaturationStep {
    /// What the patch is called.
    pub name: String,
    /// How far the aim is from white in u′v′, in per cent of what the colour at full signal is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub saturation_percent: Option<f64>,
    /// The difference from the aim.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub difference: Option<Figure>,
    /// Chroma less the aim's, in units of the difference.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub chroma: Option<Figure>,
    /// Hue less the aim's, in degrees: of CIELAB for SDR, of ICtCp for HDR.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hue_degrees: Option<Figure>,
}

/// Figures of the patches of sweeps; nothing where white wasn't measured, or no patch has a colour.
#[must_use]
pub fn evaluate(scene: &Scene, patches: &[&Measurement]) -> Option<SaturationFigures> {
    let against = Against::new(scene, patches)?;
    let sweeps = sweeps(&against.points);
    let groups: Vec<Vec<usize>> = sweeps.iter().map(|(_, group)| group.clone()).collect();
    let differences = Differences::of(&against, &groups);
    let polars = polars(scene, &against, &groups);
    let sweeps = sweeps.into_iter().enumerate().map(|(index, (colour, group))| {
        let steps = group
            .iter()
            .filter_map(|at| Some(step(scene, against.points.get(*at)?, *at, &differences, &polars)));
        let steps: Vec<SaturationStep> = steps.collect();
        let shown = patches.iter().filter_map(|patch| towards(patch.patch.signal(scene.coding)));
        let all = shown.filter(|(towards, _)| *towards == colour).count();
        Sweep {
            missing: all.saturating_sub(steps.len()),
            colour: colour.to_owned(),
            mean: differences.means.get(index).copied().flatten(),
            mean_chroma: polars.means.get(index).copied().flatten(),
            worst: words::largest(steps.iter().map(|step| (step.name.as_str(), step.difference))),
            steps,
        }
    });
    let sweeps: Vec<Sweep> = sweeps.collect();
    Some(SaturationFigures { formula: against.difference.formula(), sweeps, left_out: against.left_out })
}

fn step(
    scene: &Scene,
    point: &Point,
    index: usize,
    differences: &Differences,
    polars: &Polars,
) -> SaturationStep {
    SaturationStep {
        name: point.name.clone(),
        saturation_percent: saturation(scene, point),
        difference: differences.each.get(index).copied().flatten(),
        chroma: polars.chroma.get(index).copied().flatten(),
        hue_degrees: polars.hue.get(index).copied().flatten(),
    }
}

/// The points of each colour that is swept to. Greys belong to none.
fn sweeps(points: &[Point]) -> Vec<(&'static str, Vec<usize>)> {
    let mut sweeps: Vec<(&'static str, Vec<usize>)> = Vec::new();
    for (index, point) in points.iter().enumerate() {
        let Some((colour, _)) = towards(point.signal) else { continue };
        match sweeps.iter_mut().find(|(known, _)| *known == colour) {
            Some((_, group)) => group.push(index),
            None => sweeps.push((colour, vec![index])),
        }
    }
    sweeps
}

/// The primary or secondary that a signal is on the way to, and its signal at full; nothing for greys.
fn towards(signal: [f64; 3]) -> Option<(&'static str, [f64; 3])> {
    let most = signal.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let least = signal.iter().copied().fold(f64::INFINITY, f64::min);
    if most - least < 1e-9 {
        return None;
    }
    let full = signal.map(|signal| if signal > f64::midpoint(most, least) { 1.0 } else { 0.0 });
    let name = match full.map(|signal| signal > 0.5) {
        [true, false, false] => "red",
        [false, true, false] => "green",
        [false, false, true] => "blue",
        [false, true, true] => "cyan",
        [true, false, true] => "magenta",
        [true, true, false] => "yellow",
        _ => return None,
    };
    Some((name, full))
}

/// How far a point's aim is from white in u′v′, in per cent of the colour at full signal.
fn saturation(scene: &Scene, point: &Point) -> Option<f64> {
    let white = scene.aim.white_chromaticity()?;
    let (_, full) = towards(point.signal)?;
    let black = scene.black.map_or(0.0, |black| black.luminance);
    let full = formulas::chromaticity(formulas::aim(scene, full, black)?)?;
    let percent = 100.0 * white.distance(formulas::chromaticity(point.aim)?) / white.distance(full);
    percent.is_finite().then_some(percent)
}

/// Chroma and hue of all points less their aims', and the mean chroma of each sweep.
struct Polars {
    chroma: Vec<Option<Figure>>,
    hue: Vec<Option<Figure>>,
    means: Vec<Option<Figure>>,
}

fn polars(scene: &Scene, against: &Against<'_>, groups: &[Vec<usize>]) -> Polars {
    let aims: Vec<_> = against.points.iter().map(|point| formulas::polar(scene, point.aim)).collect();
    let errors = |drawn: &[Measured]| -> (Vec<f64>, Vec<f64>) {
        let each = against.xyz(drawn).into_iter().zip(&aims).map(|(xyz, aim)| {
            let found = xyz.and_then(|xyz| formulas::polar(scene, xyz)).zip(aim.as_ref());
            let Some((found, aim)) = found else { return (f64::NAN, f64::NAN) };
            let is_coloured = aim.chroma >= LEAST_CHROMA;
            let turn = (found.hue - aim.hue + 540.0).rem_euclid(360.0) - 180.0;
            (found.chroma - aim.chroma, if is_coloured { turn } else { f64::NAN })
        });
        each.unzip()
    };
    let lights = against.lights();
    let kinds = together::signed(&scene.draws, &lights, against.points.len(), |drawn| {
        let (mut chroma, hue) = errors(drawn);
        chroma.extend(hue);
        chroma
    });
    let mut means = together::signed(&scene.draws, &lights, groups.len(), |drawn| {
        let (chroma, _) = errors(drawn);
        groups.iter().map(|group| together::mean(&chroma, group)).collect()
    });
    let mut kinds = kinds.into_iter();
    Polars {
        chroma: kinds.next().unwrap_or_default(),
        hue: kinds.next().unwrap_or_default(),
        means: means.pop().unwrap_or_default(),
    }
}

impl Figures for SaturationFigures {
    fn verdicts(&self) -> Vec<Finding> {
        let name = self.formula.name();
        let finding = |sweep: &Sweep| {
            let mean = sweep.mean?;
            let mut text = format!("{}: mean {name} is {}", sweep.colour, words::distance(&mean));
            if let Some(worst) = &sweep.worst {
                text += &format!(", the largest {} ({})", words::distance(&worst.figure), worst.name);
            }
            if let Some(chroma) = sweep.mean_chroma.filter(|chroma| !chroma.holds(0.0)) {
                let how = if chroma.value > 0.0 { "too saturated" } else { "too pale" };
                text += &format!("; {how}, by a chroma of {}", words::signed(&chroma));
            }
            let subject = format!("saturation_{}", sweep.colour);
            Some(match self.formula {
                Formula::De2000 => {
                    let judged = sweep.steps.iter().filter(|step| step.difference.is_some()).count();
                    of_several(
                        held(&subject, text, mean, MOST_MEAN),
                        judged,
                        sweep.steps.len() + sweep.missing,
                    )
                }
                Formula::Itp => told(&subject, text, Some(mean), ""),
            })
        };
        let mut findings: Vec<Finding> = self.sweeps.iter().filter_map(finding).collect();
        if !self.left_out.is_empty() {
            let text = format!("without a colour: {}", self.left_out.join(", "));
            findings.push(words::untold("saturation_left_out", text));
        }
        findings
    }

    fn tables(&self) -> Vec<Table> {
        let row = |step: &SaturationStep| {
            vec![
                step.name.clone(),
                step.saturation_percent.map(|percent| format!("{percent:.1}")).unwrap_or_default(),
                words::cell(step.difference.as_ref(), words::distance),
                words::cell(step.chroma.as_ref(), words::signed),
                words::cell(step.hue_degrees.as_ref(), words::signed),
            ]
        };
        let sweep = |sweep: &Sweep| {
            vec![
                sweep.colour.clone(),
                words::cell(sweep.mean.as_ref(), words::distance),
                words::cell(sweep.mean_chroma.as_ref(), words::signed),
            ]
        };
        let name = self.formula.name();
        let table = |title: &str, columns: &[&str], rows| Table {
            title: title.to_owned(),
            columns: columns.iter().map(|head| (*head).to_owned()).collect(),
            rows,
        };
        let mean = format!("mean {name}");
        let steps = self.sweeps.iter().flat_map(|sweep| &sweep.steps).map(row).collect();
        vec![
            table("Sweeps", &["towards", &mean, "mean Δchroma"], self.sweeps.iter().map(sweep).collect()),
            table("Saturation", &["step", "saturation (%)", name, "Δchroma", "Δhue (°)"], steps),
        ]
    }

    fn quantities(&self) -> Vec<Quantity> {
        let step = |listed: Quantities, step: &SaturationStep| {
            listed
                .of(&step.name, "difference", "", step.difference)
                .of(&step.name, "chroma", "", step.chroma)
                .of(&step.name, "hue_degrees", "°", step.hue_degrees)
        };
        let sweep = |listed: Quantities, sweep: &Sweep| {
            listed
                .of(&sweep.colour, "mean", "", sweep.mean)
                .of(&sweep.colour, "mean_chroma", "", sweep.mean_chroma)
                .each(&sweep.steps, step)
        };
        Quantities::default().each(&self.sweeps, sweep).all()
    }
}

#[cfg(test)]
mod tests;
