//! What is said of greys, in words.

use std::cmp::Ordering;

use super::super::words::of_several;
use super::super::{Finding, Standing};
use super::{BlackIs, GreyStep, LeftOut};
use crate::evaluate::figure::Figure;

/// A signal from 0 to 1 in per cent, without its sign: `3.5`.
pub(in super::super) fn percent(signal: f64) -> String {
    let hundredths = (signal * 10_000.0).round() / 100.0;
    format!("{hundredths}")
}

/// A step that was judged.
struct Judged<'a> {
    step: &'a GreyStep,
    error: Figure,
    standing: Standing,
}

impl Judged<'_> {
    /// How far the interval's near end is beyond the tolerance.
    fn excess(&self) -> f64 {
        (self.error.low - self.step.most_percent).max(self.step.least_percent - self.error.high)
    }

    /// How far its far end may be beyond it.
    fn doubt(&self) -> f64 {
        (self.error.high - self.step.most_percent).max(self.step.least_percent - self.error.low)
    }

    fn is_light(&self) -> bool {
        self.error.value > 0.0
    }
}

/// How greys of a stretch of signals follow `name`, as a whole: `of_what` names them at the sentence's beginning. Those that were left out are of them too, and can't be
/// judged. Nothing where none can be.
pub(in super::super) fn tracking(
    (subject, of_what): (&str, &str),
    name: &str,
    (steps, left_out): (&[GreyStep], &[LeftOut]),
    is_of_it: impl Fn(f64) -> bool,
) -> Option<Finding> {
    // White and black are their own aims.
    let is_meant = |signal: f64| signal > 0.0 && signal < 1.0 && is_of_it(signal);
    let steps: Vec<&GreyStep> = steps.iter().filter(|step| is_meant(step.signal)).collect();
    let lost = left_out.iter().filter(|out| is_meant(out.signal)).count();
    let judged = steps.iter().filter_map(|step| {
        let error = step.error_percent?;
        Some(Judged { step, error, standing: step.tolerance().of(&error) })
    });
    let judged: Vec<Judged<'_>> = judged.collect();
    let most = |measure: fn(&Judged<'_>) -> f64| {
        judged.iter().max_by(|a, b| measure(a).partial_cmp(&measure(b)).unwrap_or(Ordering::Equal))
    };
    let any = |standing| judged.iter().any(|step| step.standing == standing);
    let (standing, step, words) = if any(Standing::Beyond) {
        let worst = most(|judged| judged.excess())?;
        (Standing::Beyond, worst, beyond(&judged, worst, of_what, name))
    } else if any(Standing::Undecided) {
        let least_sure = most(|judged| judged.doubt())?;
        let words = format!(
            "whether {of_what} follow {name} the readings can't tell: {} ({} is allowed)",
            at(least_sure),
            least_sure.step.allowed()
        );
        (Standing::Undecided, least_sure, words)
    } else {
        let largest = most(|judged| judged.doubt())?;
        let words = format!(
            "{of_what} follow {name}: the nearest to its limit of {} is {}",
            largest.step.allowed(),
            at(largest)
        );
        (Standing::Within, largest, words)
    };
    let found = Finding {
        subject: subject.to_owned(),
        standing,
        words,
        figure: Some(step.error),
        unit: "%".to_owned(),
        tolerance: Some(step.step.tolerance()),
    };
    Some(of_several(found, judged.len(), steps.len() + lost))
}

fn beyond(judged: &[Judged<'_>], worst: &Judged<'_>, of_what: &str, name: &str) -> String {
    let side = |light: bool| {
        let way = if light { "lighter" } else { "darker" };
        let is_it = |step: &Judged<'_>| step.standing == Standing::Beyond && step.is_light() == light;
        let stretches = judged.chunk_by(|one, next| is_it(one) == is_it(next));
        let stretches = stretches.filter(|stretch| stretch.first().is_some_and(is_it)).map(|stretch| {
            let [first, last] = [stretch.first(), stretch.last()]
                .map(|step| percent(step.map_or(0.0, |step| step.step.signal)));
            if first == last { format!("at {first} %") } else { format!("from {first} % to {last} %") }
        });
        let places: Vec<String> = stretches.collect();
        let (last, before) = places.split_last()?;
        Some(if before.is_empty() {
            (way, last.clone())
        } else {
            (way, format!("{} and {last}", before.join(", ")))
        })
    };
    let Some((way, place)) = side(worst.is_light()) else { return String::new() };
    let other =
        side(!worst.is_light()).map(|(way, place)| format!(", and {way} {place}")).unwrap_or_default();
    format!(
        "{of_what} are {way} than {name} {place}: {} ({} is allowed){other}",
        at(worst),
        worst.step.allowed()
    )
}

fn at(judged: &Judged<'_>) -> String {
    format!("{} % at {} %", judged.error.signed(), percent(judged.step.signal))
}

/// What whoever reads the figures should know of what they rest on.
pub(in super::super) fn cautions(black: BlackIs, steps: &[GreyStep], left_out: &[LeftOut]) -> Vec<Finding> {
    let told = |subject: &str, words: String| Finding {
        subject: subject.to_owned(),
        standing: Standing::Told,
        words,
        figure: None,
        unit: String::new(),
        tolerance: None,
    };
    let mut found = Vec::new();
    match black {
        BlackIs::Measured => {}
        BlackIs::BelowRange => found.push(told(
            "black",
            "black is below the meter's range: it may be anything up to where that begins, and so may what dark greys are meant to be".to_owned(),
        )),
        BlackIs::BelowUnknown => found.push(told(
            "black",
            "black is below the meter's range, and the record doesn't say where that begins: greys below 10 % are not judged".to_owned(),
        )),
        BlackIs::Unknown => found.push(told(
            "black",
            "black was not measured: dark greys are held against a display whose black is 0".to_owned(),
        )),
    }
    let dark: Vec<String> =
        steps.iter().filter(|step| step.luminance_cd_m2.is_none()).map(|step| percent(step.signal)).collect();
    if !dark.is_empty() {
        found.push(told(
            "below_range",
            format!("below the meter's range, and not judged: signals of {} %", dark.join(", ")),
        ));
    }
    if !left_out.is_empty() {
        let each: Vec<String> = left_out.iter().map(|out| format!("{} ({})", out.patch, out.why)).collect();
        found.push(told("left_out", format!("left out: {}", each.join(", "))));
    }
    found
}
