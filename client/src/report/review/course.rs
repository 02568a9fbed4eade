//! Light over time: a peak held, a display as it warms up, a ghost as it fades.

use super::view::{View, Words};
use crate::chart::plane::{Axis, DASHED, Mark, Plane};
use crate::chart::{self, BLUE, GREEN, SOFT, VERMILION};
use crate::evaluate::decay::{self, Curve, Sample};
use crate::evaluate::figure::Figure;
use crate::report::Plot;
use crate::review::figures::cold_start::ColdStart;
use crate::review::figures::peak_hold::PeakHold;
use crate::review::figures::retention::Retention;
use crate::review::figures::trend::Constant;
use crate::review::record::Course;
use crate::show;

/// More readings than this are drawn as means of neighbours, with their range: along an even axis, and along one of decades, where the first stand apart.
const MOST: usize = 400;
const MOST_BY_DECADES: usize = 1500;
/// Points of a curve.
const CURVE: u32 = 160;
/// From this on times are in minutes.
const MINUTES_FROM_S: f64 = 300.0;
/// A ghost below this contrast, in per cent, is called gone.
const GONE_PERCENT: f64 = 0.5;

/// A peak that is held.
pub(super) fn peak_hold(view: &View<'_>, figures: &PeakHold) -> Result<Vec<Plot>, chart::Error> {
    let Some(course) = view.course(0) else { return Ok(Vec::new()) };
    let told = [
        (Some(figures.first), figures.first_s),
        (figures.at_30_s, 30.0),
        (figures.at_60_s, 60.0),
        (Some(figures.end), figures.end_s),
    ];
    let told = told.into_iter().filter_map(|(figure, at)| Some((at, figure?)));
    let plane = watched(course, told.collect(), &[]);
    let words = Words {
        title: "peak over time".to_owned(),
        below: format!("white held for {}", show::span(figures.end_s)),
        description: format!(
            "From {} cd/m² at the first reading to {} cd/m² after {}; the highest is {} cd/m².{}",
            figures.first.words(),
            figures.end.words(),
            show::span(figures.end_s),
            figures.peak.words(),
            constants(&figures.constants)
        ),
        caption: format!(
            "Readings of white as it is held, the trend through them (no, one or two exponentials, as the readings warrant), and the trend's 95 % intervals at some times.{} No tolerance: it is \
             told, not judged.",
            constants(&figures.constants)
        ),
    };
    Ok(vec![view.plot("peak", words, vec![plane])?])
}

/// A display as it warms up.
pub(super) fn cold_start(view: &View<'_>, figures: &ColdStart) -> Result<Vec<Plot>, chart::Error> {
    let Some(course) = view.course(0) else { return Ok(Vec::new()) };
    let told = vec![(figures.first_s, figures.first), (figures.end_s, figures.end)];
    let limit = curve(course).filter(|_| figures.reached).map(|curve| curve.limit);
    let band = limit.map_or_else(Vec::new, |limit| vec![0.99 * limit, 1.01 * limit]);
    let mut plane = watched(course, told, &band);
    for end in band {
        plane = plane.level("band", "limit ± 1 %", GREEN, end);
    }
    let within = |figure: Option<Figure>, share: &str| {
        figure.map_or_else(String::new, |figure| {
            format!(" Within {share} of the limit from {} s on.", figure.words())
        })
    };
    let within =
        [within(figures.within_1_percent_s, "1 %"), within(figures.within_half_percent_s, "0.5 %")].concat();
    let words = Words {
        title: "warming up".to_owned(),
        below: format!("watched for {} from when it was first shown", show::span(figures.end_s)),
        description: format!(
            "From {} cd/m² to {} cd/m² within {}.{within}{}",
            figures.first.words(),
            figures.end.words(),
            show::span(figures.end_s),
            constants(&figures.constants)
        ),
        caption: format!(
            "Readings from when the display first shows something, the trend through them, and its 95 % intervals at both ends.{within} No tolerance: it is told, not judged."
        ),
    };
    Ok(vec![view.plot("warm-up", words, vec![plane])?])
}

/// A ghost as it fades.
pub(super) fn retention(view: &View<'_>, figures: &Retention) -> Result<Vec<Plot>, chart::Error> {
    let Some(course) = view.course(2).filter(|_| figures.grey.value > 0.0) else { return Ok(Vec::new()) };
    let grey = figures.grey.value;
    let percent = |luminance: f64| 100.0 * (luminance / grey - 1.0);
    let of = |figure: Figure| figure.map(|share| 100.0 * share);
    let told: Vec<(f64, Figure)> =
        figures.course.iter().map(|ghost| (ghost.t_s, of(ghost.contrast))).collect();
    let readings: Vec<(f64, f64)> =
        course.points.iter().map(|point| (point.t_s, percent(point.luminance_cd_m2))).collect();
    let x = Axis::spans("since the grey was shown again", readings.iter().map(|(at, _)| *at));
    let y = readings.iter().map(|(_, contrast)| *contrast);
    let y =
        Axis::around("contrast to the grey before, %", y.chain([-2.0 * GONE_PERCENT, 2.0 * GONE_PERCENT]));
    let ends = x.ends;
    let plane = Plane::new(x, y, 280.0)
        .with(
            "gone",
            "gone: within 0.5 %",
            GREEN,
            Mark::Band(vec![(ends.0, -GONE_PERCENT, GONE_PERCENT), (ends.1, -GONE_PERCENT, GONE_PERCENT)]),
        )
        .level("none", "", SOFT, 0.0);
    let plane = scattered(plane, &readings, MOST_BY_DECADES);
    let fitted = curve(course).map(|curve| {
        let at = |at: f64| (at, percent(curve.at(at)));
        along((figures.first_s.max(ends.0), figures.end_s)).into_iter().map(at).collect::<Vec<_>>()
    });
    let plane = plane.line("trend", "trend", VERMILION, fitted.unwrap_or_default(), None).figures(
        "contrast",
        "trend with its interval",
        VERMILION,
        told,
    );
    let gone = figures.gone_s.map_or_else(
        || " It is not gone within the watch beyond doubt.".to_owned(),
        |gone| format!(" Below 0.5 % from {} s on.", gone.words()),
    );
    let words = Words {
        title: "what a bright window left behind".to_owned(),
        below: figures.held_s.map(|held| format!("after a hold of {}", show::span(held))).unwrap_or_default(),
        description: format!(
            "Contrast of the grey to what it was before, {} cd/m²: {} % at the first reading, {} % at the end.{gone}{}",
            figures.grey.words(),
            of(figures.first).words(),
            of(figures.end).words(),
            constants(&figures.constants)
        ),
        caption: format!(
            "Contrast of the grey where the window was to the grey before, and its trend with 95 % intervals.{gone} Gone is below 0.5 % (common practice, no source)."
        ),
    };
    Ok(vec![view.plot("ghost", words, vec![plane])?])
}

/// Readings, their trend, and figures of it; the axis holds what is to be `seen` too.
fn watched(course: &Course, told: Vec<(f64, Figure)>, seen: &[f64]) -> Plane {
    let end_s = course.points.last().map_or(1.0, |point| point.t_s);
    let (unit_s, unit) = if end_s >= MINUTES_FROM_S { (60.0, "min") } else { (1.0, "s") };
    let readings: Vec<(f64, f64)> =
        course.points.iter().map(|point| (point.t_s / unit_s, point.luminance_cd_m2)).collect();
    let x =
        Axis::around(&format!("since it was shown, {unit}"), readings.iter().map(|(at, _)| *at).chain([0.0]));
    let y = readings
        .iter()
        .map(|(_, value)| *value)
        .chain(told.iter().flat_map(|(_, figure)| [figure.low, figure.high]));
    let plane = scattered(
        Plane::new(x, Axis::around("luminance, cd/m²", y.chain(seen.iter().copied())), 280.0),
        &readings,
        MOST,
    );
    let first_s = course.points.first().map_or(0.0, |point| point.t_s);
    let trend = curve(course).map(|curve| {
        let at = |at_s: f64| (at_s / unit_s, curve.at(at_s));
        along((first_s, end_s)).into_iter().map(at).collect::<Vec<_>>()
    });
    let told = told.into_iter().map(|(at_s, figure)| (at_s / unit_s, figure));
    plane.line("trend", "trend", VERMILION, trend.unwrap_or_default(), DASHED).figures(
        "figure",
        "trend with its interval",
        VERMILION,
        told,
    )
}

/// Readings as they are; many of them as the mean and the range of neighbours.
fn scattered(plane: Plane, readings: &[(f64, f64)], most: usize) -> Plane {
    let radius = if readings.len() > MOST { 1.0 } else { 1.8 };
    if readings.len() <= most {
        return plane.with("reading", "readings", BLUE, Mark::Dots { points: readings.to_vec(), radius });
    }
    let together = readings.len().div_ceil(most / 2);
    let (mut range, mut means) = (Vec::new(), Vec::new());
    for some in readings.chunks(together) {
        let count = some.len() as f64;
        let at = some.iter().map(|(at, _)| at).sum::<f64>() / count;
        let least = some.iter().map(|(_, value)| *value).fold(f64::INFINITY, f64::min);
        let most = some.iter().map(|(_, value)| *value).fold(f64::NEG_INFINITY, f64::max);
        range.push((at, least, most));
        means.push((at, some.iter().map(|(_, value)| value).sum::<f64>() / count));
    }
    let key = format!("{together} readings: mean and range");
    plane.with("range", &key, BLUE, Mark::Band(range)).with(
        "mean",
        &key,
        BLUE,
        Mark::Line { points: means, width: 1.2, dash: None },
    )
}

/// The curve that the figures are of, sought as they are.
fn curve(course: &Course) -> Option<Curve> {
    let finite = |t_s: f64, value: f64| t_s.is_finite() && value.is_finite();
    let points = course.points.iter().filter(|point| finite(point.t_s, point.luminance_cd_m2));
    let samples: Vec<Sample> =
        points.map(|point| Sample { t_s: point.t_s, value: point.luminance_cd_m2, count: 1.0 }).collect();
    decay::choose(&samples).map(|chosen| chosen.curve)
}

/// Times from one to another, closer at the beginning.
fn along((from, to): (f64, f64)) -> Vec<f64> {
    (0..=CURVE).map(|step| from + (to - from) * (f64::from(step) / f64::from(CURVE)).powi(2)).collect()
}

fn constants(constants: &[Constant]) -> String {
    if constants.is_empty() {
        return String::new();
    }
    let words: Vec<String> = constants.iter().map(Constant::words).collect();
    format!(" Time constants: {}.", words.join(" and "))
}
