//! The curve of the chosen meter, the band about its value, and where it goes.
//!
//! Times are in s from the latest reading, which stands at a place of its own: what is left of it was, what is right of it is to come.

use settled::settle::digits::significant;
use settled::settle::{Limit, Standing, is_telling};
use settled_protocol::settling::Verdict;

use crate::live::gauge::Gauge;
use crate::live::state::State;
use crate::show;

/// How much of the past the picture shows at the least, and in which steps it grows, in holds.
const STEPS: [f64; 8] = [0.5, 1.0, 2.0, 5.0, 10.0, 30.0, 120.0, 600.0];
/// What is to come, as a share of what was.
const AHEAD: f64 = 0.2;
/// A limit is only shown where its interval is no wider than this many times the way that light was seen to go, or than this many bands: else it
/// tells nothing.
const TELLING: (f64, f64) = (2.0, 8.0);
/// How far from the others, in spans of the others, a reading is left out of the picture: it would flatten all the rest.
const FAR: f64 = 3.0;
/// The least that the scale spans where nothing else says how much, as a share of the light: noise is not to look like a storm.
const LEAST: f64 = 0.002;
/// The same where the band says so, which may be as narrow as can be.
const FINEST: f64 = 1e-6;
/// Lines of a grid that the scale makes at the most.
const LINES: f64 = 8.0;

/// A curve.
#[derive(Clone, Debug, PartialEq)]
pub struct Picture {
    /// `(s from the latest reading, value)`, in order.
    pub points: Vec<(f64, f64)>,
    /// From when to when, in s from the latest reading.
    pub times: (f64, f64),
    /// From which value to which.
    pub values: (f64, f64),
    /// The unit of the values.
    pub unit: &'static str,
    /// The ends of the band about the value.
    pub band: Option<(f64, f64)>,
    /// Where the light goes, if that is within the scale: what was seen makes the scale, and no forecast.
    pub limit: Option<f64>,
    /// When it is expected to settle, in s from the latest reading.
    pub settles: Option<f64>,
    /// Changes of verdict.
    pub changes: Vec<(f64, Verdict)>,
    /// What the lines are, in words.
    pub legend: Vec<Line>,
    /// Whether what is to come may still be told.
    pub fresh: bool,
}

/// A line of the picture, in words.
#[derive(Clone, Debug, PartialEq)]
pub enum Line {
    /// The ends of the band.
    Band(String),
    /// Where the light goes.
    Limit(String),
    /// What isn't in the picture.
    Beside(String),
}

/// None before there are readings.
pub(super) fn picture(
    state: &State,
    gauge: &Gauge,
    standing: Option<&Standing>,
    fresh: bool,
) -> Option<Picture> {
    let last_s = gauge.curve.last()?.t_s;
    let since_s = gauge.judging.since_s().max(gauge.curve.first()?.t_s);
    let past_s = past(state, last_s - gauge.curve.first()?.t_s.max(gauge.judging.stretch_s()));
    let from_s = last_s - past_s;
    let shown = gauge.curve.since(from_s);
    let told: Vec<(f64, f64)> = shown.iter().map(|point| (point.t_s - last_s, point.y)).collect();
    let value = standing.and_then(|standing| standing.value.as_ref()).map(|value| value.y);
    let half = standing.and_then(|standing| standing.evidence.luminance_band);
    let band = value.zip(half).map(|(value, half)| (value - half, value + half));
    // What is judged sets the scale: before a step there was other light.
    let judged = || told.iter().filter(|(t, _)| *t >= since_s - last_s).map(|(_, y)| *y);
    let values = scale(judged(), band.map(|(low, high)| [low, high]).into_iter().flatten())?;
    let seen = gauge.curve.since(since_s).iter().map(|point| point.y);
    let limit = limit(gauge, standing, half, seen).filter(|_| fresh);
    let points: Vec<(f64, f64)> =
        told.iter().copied().filter(|(_, y)| (values.0..=values.1).contains(y)).collect();
    let unit = gauge.judging.photometric().unit();
    let beside = told.len() - points.len();
    let changes = gauge.judging.changes().iter().map(|(t_s, verdict)| (t_s - last_s, *verdict));
    Some(Picture {
        times: (-past_s, AHEAD * past_s),
        values,
        unit,
        band,
        limit: limit.map(|limit| limit.value).filter(|limit| (values.0..=values.1).contains(limit)),
        settles: standing.filter(|_| fresh).and_then(|standing| settles(gauge, standing)),
        changes: changes.filter(|(t, _)| *t >= -past_s).collect(),
        legend: legend(value, half, limit, values, beside, unit),
        points,
        fresh,
    })
}

/// How much of the past is shown, in s: as much as there is, in steps, and no more than was asked for.
fn past(state: &State, known_s: f64) -> f64 {
    let hold_s = state.criteria().hold_s;
    let steps = STEPS.iter().map(|holds| holds * hold_s);
    let enough = steps.clone().find(|step_s| *step_s >= known_s);
    enough.unwrap_or(f64::INFINITY).min(state.span_s())
}

/// When it is expected to settle, in s from the latest reading, where that tells anything.
fn settles(gauge: &Gauge, standing: &Standing) -> Option<f64> {
    let (forecast, waited_s) = (standing.evidence.forecast?, gauge.judging.waited_s());
    is_telling(forecast.low_s - waited_s, forecast.high_s - waited_s)
        .then_some(forecast.settles_at_s - waited_s)
}

/// Where it goes, by the light that was seen of it, where that tells anything.
fn limit(
    gauge: &Gauge,
    standing: Option<&Standing>,
    half: Option<f64>,
    seen: impl Iterator<Item = f64>,
) -> Option<Limit> {
    standing.filter(|standing| standing.verdict != Some(Verdict::Settled))?;
    let (limit, half) = (gauge.judging.limit()?, half?);
    let (low, high) =
        seen.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), y| (low.min(y), high.max(y)));
    let wide = (TELLING.0 * (high - low)).max(TELLING.1 * half);
    (limit.high - limit.low <= wide).then_some(limit)
}

/// From where to where the scale goes: round numbers about all that is shown, but for what is far off.
fn scale(values: impl Iterator<Item = f64>, marks: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    let mut sorted: Vec<f64> = values.collect();
    sorted.sort_by(f64::total_cmp);
    let edge = sorted.len() / 50;
    let (low, high) = (*sorted.get(edge)?, *sorted.iter().rev().nth(edge)?);
    let reach = FAR * (high - low);
    let near = sorted.into_iter().filter(|y| (low - reach..=high + reach).contains(y));
    let mut marks = marks.peekable();
    let share = if marks.peek().is_some() { FINEST } else { LEAST };
    let (low, high) = near.chain(marks).fold((low, high), |(low, high), y| (low.min(y), high.max(y)));
    let least = share * low.abs().max(high.abs()).max(1e-6);
    let step = round_step((high - low).max(least) / LINES);
    let (bottom, top) = ((low / step).floor() * step, (high / step).ceil() * step);
    Some(if top > bottom { (bottom, top) } else { (bottom - step, top + step) })
}

/// 1, 2 or 5 times a power of ten: the least that isn't below.
pub(in crate::live) fn round_step(least: f64) -> f64 {
    let power = 10_f64.powf(least.log10().floor());
    [1.0, 2.0, 5.0].into_iter().map(|digit| digit * power).find(|step| *step >= least).unwrap_or(10.0 * power)
}

fn legend(
    value: Option<f64>,
    half: Option<f64>,
    limit: Option<Limit>,
    values: (f64, f64),
    beside: usize,
    unit: &str,
) -> Vec<Line> {
    let mut lines = Vec::new();
    if let Some((value, half)) = value.zip(half) {
        let share = 100.0 * half / value.abs();
        let share = if share < 1000.0 { format!(" ({} %)", significant(share, 2)) } else { String::new() };
        lines.push(Line::Band(format!("band ±{} {unit}{share}", significant(half, 2))));
    }
    if let Some(Limit { value, low, high }) = limit {
        let [low, high] = [low, high].map(show::number);
        let words = format!("goes to {} ({low} to {high})", show::number(value));
        lines.push(if (values.0..=values.1).contains(&value) {
            Line::Limit(words)
        } else {
            Line::Beside(words)
        });
    }
    if beside > 0 {
        lines.push(Line::Beside("other light is beside the scale".to_owned()));
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_scale_has_round_ends_about_all_that_is_near_and_every_mark() {
        let of = |values: &[f64], marks: &[f64]| scale(values.iter().copied(), marks.iter().copied());
        let is = |found: Option<(f64, f64)>, (low, high): (f64, f64)| {
            let (from, to) = found.unwrap();
            assert!(
                (from - low).abs() < 1e-9 && (to - high).abs() < 1e-9,
                "{from} to {to}, not {low} to {high}"
            );
        };
        is(of(&[100.3, 101.7], &[]), (100.2, 101.8));
        is(of(&[100.3, 101.7], &[99.2, 104.1]), (99.0, 105.0));
        // A single reading: the ends differ as they are written.
        is(of(&[216.48], &[]), (216.4, 216.5));
        assert_eq!(of(&[], &[1.0]), None);
        let (low, high) = of(&[0.0, 0.0], &[]).unwrap();
        assert!(low < 0.0 && high > 0.0, "{low} {high}");
        let mut many: Vec<f64> = (0..100).map(|index| 100.0 + f64::from(index % 7)).collect();
        many.push(0.0);
        // One that is far off doesn't flatten the others.
        is(of(&many, &[]), (100.0, 106.0));
    }

    #[test]
    fn steps_of_the_scale_are_round() {
        let steps: Vec<f64> = [0.9, 1.0, 1.1, 2.5, 7.0, 0.03].map(round_step).to_vec();
        for (step, expected) in steps.iter().zip([1.0, 1.0, 2.0, 5.0, 10.0, 0.05]) {
            assert!((step / expected - 1.0).abs() < 1e-9, "{steps:?}");
        }
    }
}
