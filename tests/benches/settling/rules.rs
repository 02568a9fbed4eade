//! Ways to decide: the engine, and how people decide today.

use settled::settle::{Engine, Observation};
use settled_protocol::settling::{Criteria, Forecast, Verdict};

use crate::series::Series;

/// One decision, at a time.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Decision {
    pub(crate) t: f64,
    pub(crate) verdict: Verdict,
    pub(crate) value: f64,
    pub(crate) u95: f64,
    pub(crate) colour: Option<([f64; 2], f64)>,
}

/// What a rule said of a series.
#[derive(Clone, Debug, Default)]
pub(crate) struct Answers {
    pub(crate) decisions: Vec<Decision>,
    /// When they were made, and what they were.
    pub(crate) forecasts: Vec<(f64, Forecast)>,
}

pub(crate) type Rule = fn(&Series) -> Answers;

/// The engine of the daemon.
pub(crate) fn engine(series: &Series) -> Answers {
    let mut engine = Engine::new(series.recipe.criteria, series.resolution(), 0.0);
    let mut answers = Answers::default();
    for reading in &series.readings {
        if let Some(change) = engine.push(*reading) {
            let value = change.value;
            let colour = value.and_then(|value| value.chromaticity.zip(value.chromaticity_u95));
            answers.decisions.push(Decision {
                t: change.t_s,
                verdict: change.verdict,
                value: value.map_or(0.0, |value| value.y),
                u95: value.map_or(0.0, |value| value.y_u95),
                colour: colour.map(|(at, u95)| ([at.u_prime(), at.v_prime()], u95)),
            });
        }
        if let Some(forecast) = engine.forecast()
            && answers.forecasts.last().is_none_or(|(_, last)| *last != forecast)
        {
            answers.forecasts.push((reading.t_s, forecast));
        }
    }
    answers
}

/// Settled while `holds` says so of the readings so far, lost when it no longer does; the value is the mean of the last
/// `averaged` readings, with the interval of independent readings.
fn while_it_holds(
    series: &Series,
    averaged: usize,
    mut holds: impl FnMut(&[Observation], &Criteria) -> bool,
) -> Answers {
    let mut answers = Answers::default();
    let mut settled = false;
    for count in 1..=series.readings.len() {
        let readings = &series.readings[..count];
        let holds = holds(readings, &series.recipe.criteria);
        if holds != settled {
            settled = holds;
            let verdict = if holds { Verdict::Settled } else { Verdict::Lost };
            answers.decisions.push(mean_of(&readings[count.saturating_sub(averaged)..], verdict));
        }
    }
    answers
}

fn mean_of(readings: &[Observation], verdict: Verdict) -> Decision {
    let count = readings.len() as f64;
    let mean = |of: fn(&Observation) -> f64| readings.iter().map(of).sum::<f64>() / count;
    let error = |of: fn(&Observation) -> f64| {
        let middle = mean(of);
        let squares: f64 = readings.iter().map(|reading| (of(reading) - middle).powi(2)).sum();
        let student = if readings.len() < 4 { 12.71 } else { 2.26 };
        student * (squares / (count - 1.0).max(1.0) / count).sqrt()
    };
    let u: fn(&Observation) -> f64 = |reading| reading.uv.map_or(0.0, |[u, _]| u);
    let v: fn(&Observation) -> f64 = |reading| reading.uv.map_or(0.0, |[_, v]| v);
    Decision {
        t: readings.last().map_or(0.0, |reading| reading.t_s),
        verdict,
        value: mean(|reading| reading.y),
        u95: error(|reading| reading.y),
        colour: readings.iter().all(|r| r.uv.is_some()).then(|| ([mean(u), mean(v)], error(u).max(error(v)))),
    }
}

/// The spans of luminance and chromaticity, in bands.
fn spans(readings: &[Observation], criteria: &Criteria) -> (f64, f64) {
    let span = |of: &dyn Fn(&Observation) -> f64| {
        let (low, high) = readings
            .iter()
            .map(of)
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), x| (low.min(x), high.max(x)));
        high - low
    };
    let y = readings.last().map_or(0.0, |reading| reading.y);
    let colour = span(&|r| r.uv.map_or(0.0, |uv| uv[0])).hypot(span(&|r| r.uv.map_or(0.0, |uv| uv[1])));
    (span(&|r| r.y) / criteria.luminance_band(y), colour / criteria.chromaticity_band(y))
}

/// Two readings in a row that agree within the band.
pub(crate) fn two_agree(series: &Series) -> Answers {
    last_agree(series, 2)
}

/// Ten readings that agree within the band.
pub(crate) fn ten_agree(series: &Series) -> Answers {
    last_agree(series, 10)
}

fn last_agree(series: &Series, last: usize) -> Answers {
    while_it_holds(series, last, |readings, criteria| {
        let Some(from) = readings.len().checked_sub(last) else { return false };
        let (luminance, colour) = spans(&readings[from..], criteria);
        luminance <= 1.0 && colour <= 1.0
    })
}

/// Half an hour of warm-up, then whatever comes.
pub(crate) fn half_an_hour(series: &Series) -> Answers {
    while_it_holds(series, 2, |readings, _| readings.last().is_some_and(|reading| reading.t_s >= 1800.0))
}

/// The readings of the last hold, once there are enough of them.
fn last_hold<'a>(readings: &'a [Observation], criteria: &Criteria) -> Option<&'a [Observation]> {
    let end = readings.last()?.t_s;
    let from = readings.partition_point(|reading| reading.t_s < end - criteria.hold_s);
    (from > 0 && readings.len() - from >= 8).then(|| &readings[from..])
}

/// The slope of luminance over the last hold is below the band; no interval.
pub(crate) fn slope(series: &Series) -> Answers {
    while_it_holds(series, 10, |readings, criteria| {
        last_hold(readings, criteria).is_some_and(|last| {
            let count = last.len() as f64;
            let t = last.iter().map(|r| r.t_s).sum::<f64>() / count;
            let y = last.iter().map(|r| r.y).sum::<f64>() / count;
            let product: f64 = last.iter().map(|r| (r.t_s - t) * (r.y - y)).sum();
            let spread: f64 = last.iter().map(|r| (r.t_s - t).powi(2)).sum();
            (product / spread * criteria.hold_s).abs() <= criteria.luminance_band(y)
        })
    })
}

/// The ratio of two estimates of variance (Cao & Rhinehart 1995): filters of 0.2, 0.1 and 0.1, steady below 1.4. Filter
/// factors and the critical value at 95 % are from memory.
pub(crate) fn ratio_of_variances(series: &Series) -> Answers {
    let (mut filtered, mut about, mut between, mut before) = (0.0, 0.0, 0.0, None);
    while_it_holds(series, 10, |readings, _| {
        let Some(reading) = readings.last() else { return false };
        let Some(last) = before.replace(reading.y) else {
            filtered = reading.y;
            return false;
        };
        about += 0.1 * ((reading.y - filtered).powi(2) - about);
        filtered += 0.2 * (reading.y - filtered);
        between += 0.1 * ((reading.y - last).powi(2) - between);
        readings.len() > 30 && between > 0.0 && 1.8 * about / between < 1.4
    })
}

/// The ratio of mean square successive difference to variance over the last hold is that of independent readings (von
/// Neumann 1941): at least 2 − 1.645·√(4(n − 2)/(n² − 1)), from memory.
pub(crate) fn successive_differences(series: &Series) -> Answers {
    while_it_holds(series, 10, |readings, criteria| {
        last_hold(readings, criteria).is_some_and(|last| {
            let count = last.len() as f64;
            let mean = last.iter().map(|r| r.y).sum::<f64>() / count;
            let squares: f64 = last.iter().map(|r| (r.y - mean).powi(2)).sum();
            let differences: f64 = last.windows(2).map(|pair| (pair[1].y - pair[0].y).powi(2)).sum();
            let ratio = differences / (count - 1.0) / (squares / count);
            ratio >= 2.0 - 1.645 * (4.0 * (count - 2.0) / (count * count - 1.0)).sqrt()
        })
    })
}

/// The marginal standard error rule (White 1997, in batches of five, from memory): what minimises the standard error of the mean of the rest
/// is left out; settled once that is less than half of the series.
pub(crate) fn marginal_error(series: &Series) -> Answers {
    let mut batches: Vec<f64> = Vec::new();
    let mut settled = false;
    while_it_holds(series, 10, |readings, _| {
        if !readings.len().is_multiple_of(5) {
            return settled;
        }
        batches.push(readings[readings.len() - 5..].iter().map(|r| r.y).sum::<f64>() / 5.0);
        if batches.len() < 6 {
            return false;
        }
        let (mut sum, mut squares, mut best) = (0.0, 0.0, (f64::INFINITY, 0));
        for (cut, batch) in batches.iter().enumerate().rev() {
            sum += batch;
            squares += batch * batch;
            let count = (batches.len() - cut) as f64;
            let error = (squares - sum * sum / count) / (count * count);
            if count >= 5.0 && error < best.0 {
                best = (error, cut);
            }
        }
        settled = 2 * best.1 < batches.len();
        settled
    })
}
