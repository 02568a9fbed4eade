//! The greys of a sequence, each held against the aim: what the EOTF's figures and those near black have in common.
//!
//! The aim is that of a display of the measured white and black. They are the sequence's own where it has them, shown like its other steps, and else
//! the scene's.
//!
//! How far each step is off has an interval that holds all steps at once ([`together`]). What a step is
//! allowed is 10 % (common practice, no source), or what the next code value up or down is worth there if that is more, as no signal is finer: down from one of the
//! first steps that is less than up. ST 2084 says nothing of a black above 0: whether it lies under all light, as the aim has it here, or under what would be darker
//! alone, both are within.
//!
//! Black below the meter's range may be anything up to where that begins. Where nobody knows where that is, steps below a signal of 0.1 aren't judged.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::quantity::{Quantities, signal};
use super::usable::{is_below_range, unusable};
use super::{Scene, Table, Tolerance};
use crate::evaluate::aim::Transfer;
use crate::evaluate::figure::Figure;
use crate::evaluate::gamma::{self, Domain};
use crate::evaluate::measured::Measured;
use crate::evaluate::ramp::Ramp;
use crate::evaluate::together;
use crate::review::record::Measurement;
use crate::show;

pub(super) mod verdict;

/// How far a grey may be off, in per cent of its aim.
pub const TOLERANCE_PERCENT: f64 = 10.0;
/// Where that comes from.
pub(super) const TOLERANCE_SOURCE: &str = "common practice, no source; one code value if that is more";
/// A step whose light is fewer standard uncertainties above black has no local gamma.
const CLEAR_OF_BLACK: f64 = 3.0;

/// One grey.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GreyStep {
    /// From 0, black, to 1, white: what its code value really says.
    pub signal: f64,
    /// What was measured, in cd/m²; absent below the meter's range.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub luminance_cd_m2: Option<Figure>,
    /// Below the meter's range: it is less than this, in cd/m², where the record says where the range begins.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub less_than_cd_m2: Option<f64>,
    /// What it is meant to be, in cd/m², on a display of the measured white and black.
    pub aim_cd_m2: f64,
    /// How far it is off its aim, in per cent of that; the interval holds all steps at once, and
    /// no light that is less than none. Absent at black and white, which are their own aims, and below the meter's range.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub error_percent: Option<Figure>,
    /// How far it may be off towards less light, in per cent: 0 or less.
    pub least_percent: f64,
    /// How far it may be off towards more light, in per cent.
    pub most_percent: f64,
    /// ln((L − black)/(white − black)) / ln V; absent at the ends, where light isn't clear of black, and for ST 2084 and HLG, which are no power laws.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub local_gamma: Option<Figure>,
}

/// A patch that no figure is made of.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LeftOut {
    /// The patch's name.
    pub patch: String,
    /// Its signal, from 0 to 1.
    pub signal: f64,
    /// Why, in words.
    pub why: String,
}

/// What black the aim rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum BlackIs {
    /// Measured.
    Measured,
    /// Measured, but below the meter's range: it may be anything up to where that begins.
    BelowRange,
    /// Measured, but below the meter's range, and nobody knows where that begins: dark greys aren't judged.
    BelowUnknown,
    /// Not measured: the aim is that of a black of 0.
    Unknown,
}

/// What greys are held against between their steps, for pictures: signals from 0 to 1 and luminances in cd/m², dark to light.
pub type Law = Vec<(f64, f64)>;

/// Points of a law, beside those of the steps.
const POINTS: u32 = 100;

/// The white and the black that an aim lies between.
#[derive(Clone, Copy, Debug)]
struct Ends {
    /// White, in cd/m².
    white_cd_m2: f64,
    /// Black, in cd/m²; 0 where nobody measured it, as the aim has it then.
    black_cd_m2: f64,
}

impl Ends {
    /// From the darkest of some steps to the lightest, through each of them.
    fn law(self, transfer: Transfer, steps: &[GreyStep]) -> Law {
        let (Some(first), Some(last)) = (steps.first(), steps.last()) else { return Law::new() };
        let share = |index: u32| f64::from(index) / f64::from(POINTS);
        let between = (1..POINTS).map(|index| first.signal + share(index) * (last.signal - first.signal));
        let between =
            between.map(|signal| (signal, transfer.luminance(signal, self.white_cd_m2, self.black_cd_m2)));
        let mut law: Law = steps.iter().map(|step| (step.signal, step.aim_cd_m2)).chain(between).collect();
        law.sort_by(|(one, _), (other, _)| one.total_cmp(other));
        law
    }
}

/// The law that figures were made with; of those that were read from a file, which has none, as much of it as their steps tell.
pub(super) fn law_or_aims(law: &Law, steps: &[GreyStep]) -> Law {
    if law.is_empty() {
        steps.iter().map(|step| (step.signal, step.aim_cd_m2)).collect()
    } else {
        law.clone()
    }
}

/// The greys of a sequence.
#[derive(Debug)]
pub(super) struct Greys {
    pub(super) ramp: Ramp,
    pub(super) steps: Vec<GreyStep>,
    pub(super) law: Law,
    pub(super) left_out: Vec<LeftOut>,
    pub(super) black: BlackIs,
}

impl GreyStep {
    /// What it is held against.
    #[must_use]
    pub fn tolerance(&self) -> Tolerance {
        Tolerance {
            least: Some(self.least_percent),
            most: Some(self.most_percent),
            source: TOLERANCE_SOURCE.to_owned(),
        }
    }

    /// What it is allowed, in words: `± 10 %`, or `-51 % to +99 %`.
    #[must_use]
    pub fn allowed(&self) -> String {
        let shown = |percent: f64| (10.0 * percent).round() / 10.0;
        let (least, most) = (shown(self.least_percent), shown(self.most_percent));
        if (least + most).abs() < 0.05 { format!("± {most} %") } else { format!("{least} % to +{most} %") }
    }
}

/// Every figure of some steps.
pub(super) fn quantities(listed: Quantities, steps: &[GreyStep]) -> Quantities {
    listed.each(steps, |listed, step| {
        let of = signal(step.signal);
        listed
            .of(&of, "luminance_cd_m2", "cd/m²", step.luminance_cd_m2)
            .of(&of, "error_percent", "%", step.error_percent)
            .of(&of, "local_gamma", "", step.local_gamma)
    })
}

/// The greys among `patches`; nothing without a white, or with fewer than two steps that count.
pub(super) fn greys(scene: &Scene, patches: &[&Measurement]) -> Option<Greys> {
    let mut left_out = Vec::new();
    let mut steps: Vec<(f64, Measured)> = Vec::new();
    let mut dark: Vec<(f64, Measured)> = Vec::new();
    for patch in patches {
        let [signal, green, blue] = patch.patch.signal(scene.coding).map(|signal| signal.clamp(0.0, 1.0));
        let grey = (signal - green).abs() < 1e-12 && (signal - blue).abs() < 1e-12;
        if !grey {
            continue;
        }
        match (unusable(patch), patch.light()) {
            (Some(why), _) => {
                left_out.push(LeftOut { patch: patch.patch.name.clone(), signal, why: why.to_owned() })
            }
            (None, Some(light)) if is_below_range(patch) => dark.push((signal, light)),
            (None, Some(light)) => steps.push((signal, light)),
            (None, None) => {}
        }
    }
    if steps.len() < 2 {
        return None;
    }
    let own_dark = dark.iter().find(|(signal, _)| *signal <= 0.0).map(|(_, light)| *light);
    let dark_black = own_dark.zip(scene.least_cd_m2).map(|(light, least)| light.at_most(least));
    let ramp = Ramp::new(&steps, scene.white, dark_black.or(scene.black))?;
    let own_black = steps.iter().any(|(signal, _)| *signal <= 0.0);
    let is_below = own_dark.is_some() || (scene.black_below_range && !own_black);
    let black = match (is_below, ramp.has_black()) {
        (true, true) => BlackIs::BelowRange,
        (true, false) => BlackIs::BelowUnknown,
        (false, true) => BlackIs::Measured,
        (false, false) => BlackIs::Unknown,
    };
    let mut steps = held_against_the_aim(scene, &ramp)?;
    if black == BlackIs::BelowUnknown {
        for step in steps.iter_mut().filter(|step| step.signal < Domain::RAMP.from) {
            step.error_percent = None;
        }
    }
    steps.extend(dark.iter().map(|(signal, light)| below_range(scene, &ramp, *signal, light)));
    steps.sort_by(|a, b| a.signal.total_cmp(&b.signal));
    let [white_cd_m2, black_cd_m2] = [ramp.white(ramp.lights()), ramp.black(ramp.lights())];
    let law = Ends { white_cd_m2, black_cd_m2 }.law(scene.aim.transfer, &steps);
    Some(Greys { ramp, law, steps, left_out, black })
}

fn aim(scene: &Scene, ramp: &Ramp, lights: &[Measured], signal: f64) -> f64 {
    scene.aim.transfer.luminance(signal, ramp.white(lights), ramp.black(lights))
}

/// The steps that have a luminance, dark to light.
fn held_against_the_aim(scene: &Scene, ramp: &Ramp) -> Option<Vec<GreyStep>> {
    let count = ramp.signals().len();
    let luminances = scene.draws.figures(ramp.lights(), |lights| {
        Some(lights.iter().take(count).map(|light| light.luminance).collect())
    })?;
    let mut steps: Vec<GreyStep> = ramp
        .signals()
        .iter()
        .zip(luminances)
        .map(|(signal, luminance)| {
            let aim_cd_m2 = aim(scene, ramp, ramp.lights(), *signal);
            GreyStep {
                signal: *signal,
                luminance_cd_m2: Some(luminance),
                less_than_cd_m2: None,
                aim_cd_m2,
                error_percent: None,
                least_percent: least_percent(scene, ramp, *signal, aim_cd_m2),
                most_percent: most_percent(scene, ramp, *signal, aim_cd_m2),
                local_gamma: None,
            }
        })
        .collect();
    // White and black are their own aims.
    let between = |step: &GreyStep| step.signal > 0.0 && step.signal < 1.0 && step.aim_cd_m2 > 0.0;
    let judged: Vec<usize> = (0..count).filter(|index| between(&steps[*index])).collect();
    let errors = together::figures(&scene.draws, ramp.lights(), |lights| {
        let error = |index: &usize| {
            100.0 * (lights[*index].luminance / aim(scene, ramp, lights, ramp.signals()[*index]) - 1.0)
        };
        judged.iter().map(error).collect()
    });
    for (index, error) in judged.iter().zip(errors) {
        // No light is less than none, whatever noise says.
        steps[*index].error_percent =
            error.map(|error| Figure { low: error.low.max(error.value.min(-100.0)), ..error });
    }
    add_local_gammas(scene, ramp, &mut steps);
    Some(steps)
}

fn add_local_gammas(scene: &Scene, ramp: &Ramp, steps: &mut [GreyStep]) {
    if matches!(scene.aim.transfer, Transfer::Pq | Transfer::Hlg { .. }) {
        return;
    }
    let black = ramp.black(ramp.lights());
    let clear = |(signal, light): (f64, &Measured)| {
        let u = light.luminance_u.hypot(ramp.black_u());
        signal > 0.0 && signal < 1.0 && light.luminance - black > CLEAR_OF_BLACK * u
    };
    let clear: Vec<usize> = ramp
        .steps(ramp.lights())
        .enumerate()
        .filter(|(_, step)| clear(*step))
        .map(|(index, _)| index)
        .collect();
    let gammas = scene.draws.figures(ramp.lights(), |lights| {
        let [white, black] = [ramp.white(lights), ramp.black(lights)];
        let local = |index: &usize| {
            gamma::local(ramp.signals()[*index], lights[*index].luminance, white, black).unwrap_or(f64::NAN)
        };
        Some(clear.iter().map(local).collect())
    });
    for (index, gamma) in clear.iter().zip(gammas.unwrap_or_default()) {
        steps[*index].local_gamma = Some(gamma);
    }
}

fn below_range(scene: &Scene, ramp: &Ramp, signal: f64, light: &Measured) -> GreyStep {
    let aim_cd_m2 = aim(scene, ramp, ramp.lights(), signal);
    GreyStep {
        signal,
        luminance_cd_m2: None,
        less_than_cd_m2: scene.least_cd_m2.map(|least| light.upper(least)),
        aim_cd_m2,
        error_percent: None,
        least_percent: least_percent(scene, ramp, signal, aim_cd_m2),
        most_percent: most_percent(scene, ramp, signal, aim_cd_m2),
        local_gamma: None,
    }
}

/// How many per cent more light than its aim the step so many code values up has, or less than it one down.
fn code_percent(scene: &Scene, ramp: &Ramp, signal: f64, aim_cd_m2: f64, codes: f64) -> f64 {
    let code = scene.coding.signal(1) - scene.coding.signal(0);
    let other = aim(scene, ramp, ramp.lights(), (signal + codes * code).max(0.0));
    100.0 * (other / aim_cd_m2 - 1.0)
}

fn most_percent(scene: &Scene, ramp: &Ramp, signal: f64, aim_cd_m2: f64) -> f64 {
    if aim_cd_m2 <= 0.0 {
        return TOLERANCE_PERCENT;
    }
    TOLERANCE_PERCENT.max(code_percent(scene, ramp, signal, aim_cd_m2, 1.0))
}

fn least_percent(scene: &Scene, ramp: &Ramp, signal: f64, aim_cd_m2: f64) -> f64 {
    if aim_cd_m2 <= 0.0 {
        return -TOLERANCE_PERCENT;
    }
    let black = match scene.aim.transfer {
        Transfer::Pq => -100.0 * ramp.black(ramp.lights()) / aim_cd_m2,
        _ => 0.0,
    };
    (-TOLERANCE_PERCENT).min(code_percent(scene, ramp, signal, aim_cd_m2, -1.0)).min(black)
}

/// What a column says of a step.
pub(super) type Cell = fn(&GreyStep) -> String;

/// The steps, for people; `more` adds a column.
pub(super) fn table(title: &str, steps: &[GreyStep], more: Option<(&str, Cell)>) -> Table {
    let mut columns: Vec<String> =
        ["Signal, %", "Luminance, cd/m²", "Aim, cd/m²", "Off by, %", "Local gamma"]
            .map(str::to_owned)
            .to_vec();
    columns.extend(more.map(|(head, _)| head.to_owned()));
    let row = |step: &GreyStep| {
        let luminance = match (step.luminance_cd_m2, step.less_than_cd_m2) {
            (Some(luminance), _) => luminance.words(),
            (None, Some(most)) => format!("< {}", show::number(most)),
            (None, None) => String::new(),
        };
        let mut cells = vec![
            verdict::percent(step.signal),
            luminance,
            show::number(step.aim_cd_m2),
            step.error_percent.map(|error| error.signed()).unwrap_or_default(),
            step.local_gamma.map(|gamma| gamma.words()).unwrap_or_default(),
        ];
        cells.extend(more.map(|(_, cell)| cell(step)));
        cells
    };
    Table { title: title.to_owned(), columns, rows: steps.iter().map(row).collect() }
}

#[cfg(test)]
pub(super) mod sample;
