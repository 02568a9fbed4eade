//! Greys: from signal to light, and how far that is off, over the whole ramp and near black.

use super::view::{View, Words};
use crate::chart::plane::{Axis, DASHED, Mark, Plane};
use crate::chart::{self, BLUE, GREEN, SOFT, VERMILION};
use crate::evaluate::figure::Figure;
use crate::report::Plot;
use crate::review::figures::eotf::EotfFigures;
use crate::review::figures::greys::{GreyStep, Law};
use crate::review::figures::near_black::{NearBlackFigures, stops};
use crate::show;

/// What intervals are, below a picture.
const TOGETHER: &str = "Bars or bands are 95 % intervals of luminance and of local gamma; those of errors hold with 99 %, all of them at once.";
/// An error farther off than this, in per cent, isn't drawn: the table has it.
const FARTHEST_PERCENT: f64 = 100.0;

/// Luminance, error and local gamma of a ramp.
pub(super) fn ramp(view: &View<'_>, figures: &EotfFigures) -> Result<Vec<Plot>, chart::Error> {
    let steps = &figures.steps;
    let name = figures.aim.name();
    let error = errors(steps);
    let mut planes = vec![light((steps, &figures.law()), &name, error.x.silent()), error];
    planes.extend(local_gamma(steps, &figures.law()));
    let last = planes.len() - 1;
    for (index, plane) in planes.iter_mut().enumerate() {
        plane.x = if index == last { signals(steps) } else { signals(steps).silent() };
    }
    let words = Words {
        title: "from signal to light".to_owned(),
        below: below(view, steps, &name),
        description: described(steps, &name),
        caption: format!(
            "Above: luminance of each grey against its signal, and what {name} asks for. Below: how far it is off, with what is allowed shaded. {TOGETHER}{}",
            view.tolerance(&["tracking", "tracking_dark"])
        ),
    };
    Ok(vec![view.plot("light", words, planes)?])
}

/// Luminance and error in stops near black.
pub(super) fn near_black(view: &View<'_>, figures: &NearBlackFigures) -> Result<Vec<Plot>, chart::Error> {
    let steps = &figures.steps;
    let name = figures.aim.name();
    let off: Vec<(f64, Figure)> =
        steps.iter().filter_map(|step| Some((100.0 * step.signal, stops(step)?))).collect();
    let allowed = |step: &GreyStep| {
        let [least, most] = [step.least_percent, step.most_percent].map(|percent| 1.0 + percent / 100.0);
        (100.0 * step.signal, least.max(0.25).log2(), most.log2())
    };
    let ends = off.iter().flat_map(|(_, figure)| [figure.value, figure.low.max(figure.value - 1.0)]);
    let ends =
        ends.chain(off.iter().map(|(_, figure)| figure.high.min(figure.value + 1.0))).chain([-0.5, 0.5]);
    let lower = Plane::new(signals(steps), Axis::around("off by, stops", ends), 170.0)
        .with("tolerance", "allowed", GREEN, Mark::Band(steps.iter().map(allowed).collect()))
        .level("aim", "", SOFT, 0.0)
        .figures("error", "off by", VERMILION, off);
    let words = Words {
        title: "greys near black".to_owned(),
        below: below(view, steps, &name),
        description: described(steps, &name),
        caption: format!(
            "Above: luminance of each grey near black, and what {name} asks for. Below: how far it is off in stops (1 is twice the light). {TOGETHER} Where a step has no point in the \
             lower plot its interval holds no light at all.{}",
            view.tolerance(&["near_black"])
        ),
    };
    let planes = vec![light((steps, &figures.law()), &name, signals(steps).silent()), lower];
    Ok(vec![view.plot("near-black", words, planes)?])
}

fn below(view: &View<'_>, steps: &[GreyStep], aim: &str) -> String {
    let (count, white) = (steps.len(), view.set.coding.code(1.0));
    format!("{count} greys, held against {aim} between the measured black and white; 100 % is code {white}")
}

/// The axis of signals, in per cent.
pub(super) fn signals(steps: &[GreyStep]) -> Axis {
    let last = steps.iter().map(|step| 100.0 * step.signal).fold(0.0, f64::max);
    Axis::even("signal, %", (-0.02 * last, 1.02 * last))
}

fn light((steps, law): (&[GreyStep], &Law), aim: &str, x: Axis) -> Plane {
    let at = |step: &GreyStep| 100.0 * step.signal;
    let known = steps.iter().filter_map(|step| Some((at(step), step.luminance_cd_m2?)));
    let all = steps.iter().flat_map(|step| {
        let measured = step.luminance_cd_m2.map(|figure| figure.value);
        [Some(step.aim_cd_m2), measured, step.less_than_cd_m2].into_iter().flatten()
    });
    let bounds = steps.iter().filter_map(|step| Some((at(step), 0.0, step.less_than_cd_m2?)));
    let bounds: Vec<_> = bounds.collect();
    let plane = Plane::new(x, Axis::decades("luminance, cd/m²", all), 250.0).line(
        "aim",
        aim,
        SOFT,
        law.iter().map(|(signal, luminance)| (100.0 * signal, *luminance)),
        DASHED,
    );
    let plane = if bounds.is_empty() {
        plane
    } else {
        plane.with("bound", "below the meter's range: less than this", SOFT, Mark::Bars(bounds))
    };
    plane.figures("measured", "measured", BLUE, known)
}

fn errors(steps: &[GreyStep]) -> Plane {
    let near = |figure: &Figure| figure.value.abs() <= FARTHEST_PERCENT;
    let off: Vec<(f64, Figure)> =
        steps.iter().filter_map(|step| Some((100.0 * step.signal, step.error_percent?))).collect();
    let ends = off.iter().filter(|(_, figure)| near(figure)).flat_map(|(_, figure)| {
        [figure.value, figure.low.max(figure.value - 10.0), figure.high.min(figure.value + 10.0)]
    });
    let y = Axis::around("error, %", ends.chain([-15.0, 15.0]));
    let allowed = steps.iter().map(|step| {
        let (low, high) = (step.least_percent, step.most_percent);
        (100.0 * step.signal, low.max(y.ends.0), high.min(y.ends.1))
    });
    let allowed = allowed.collect();
    Plane::new(signals(steps), y, 150.0)
        .with("tolerance", "allowed", GREEN, Mark::Band(allowed))
        .level("aim", "", SOFT, 0.0)
        .figures("error", "error of luminance", VERMILION, off)
}

/// ln((L − black)/(white − black))/ln V of each step, and of its aim; nothing where there is none.
fn local_gamma(steps: &[GreyStep], law: &Law) -> Option<Plane> {
    let known: Vec<(f64, Figure)> = steps
        .iter()
        .filter_map(|step| Some((100.0 * step.signal, step.local_gamma?)))
        .filter(|(_, gamma)| gamma.u95() < 1.0)
        .collect();
    let (black, white) = (steps.first()?.aim_cd_m2, steps.last()?.aim_cd_m2);
    let (first, last) = (known.first()?.0, known.last()?.0);
    let of_aim = |(signal, luminance): &(f64, f64)| {
        let share = (luminance - black) / (white - black);
        (*signal > 0.0 && *signal < 1.0).then(|| (100.0 * signal, share.ln() / signal.ln()))
    };
    let shown = |at: f64| (first - 1e-9..=last + 1e-9).contains(&at);
    let aim: Vec<(f64, f64)> = law.iter().filter_map(of_aim).filter(|(at, _)| shown(*at)).collect();
    let whole = known.iter().flat_map(|(_, gamma)| [gamma.low, gamma.value, gamma.high]);
    let ends = whole.chain(aim.iter().map(|(_, gamma)| *gamma));
    let y = Axis::around("local gamma", ends);
    let plane = Plane::new(signals(steps), y, 120.0).line("aim", "aim", SOFT, aim, DASHED);
    Some(plane.figures("gamma", "local gamma", BLUE, known))
}

fn described(steps: &[GreyStep], aim: &str) -> String {
    let (Some(first), Some(last)) = (steps.first(), steps.last()) else { return String::new() };
    let told = |step: &GreyStep| match (step.luminance_cd_m2, step.less_than_cd_m2) {
        (Some(luminance), _) => format!("{} cd/m²", luminance.words()),
        (None, Some(bound)) => format!("less than {} cd/m²", show::number(bound)),
        (None, None) => "not known".to_owned(),
    };
    let worst = steps.iter().filter_map(|step| Some((step, step.error_percent?)));
    let worst = worst.max_by(|(_, one), (_, other)| one.value.abs().total_cmp(&other.value.abs()));
    let worst = worst.map_or_else(String::new, |(step, error)| {
        format!(
            " The step farthest off is {} % of signal: {} %, where {} is allowed.",
            show::number(100.0 * step.signal),
            error.words(),
            step.allowed()
        )
    });
    format!(
        "{} greys from {} at {} % of signal to {} at {} %, beside {aim}.{worst}",
        steps.len(),
        told(first),
        show::number(100.0 * first.signal),
        told(last),
        show::number(100.0 * last.signal)
    )
}
