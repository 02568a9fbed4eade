//! Figures of a run in words: light, change, drift.

use settled::drift::words::Drifting;
use settled::settle::digits::significant;
use settled_protocol::quantity::Photometric;
use settled_protocol::run::{Run, RunPoint};
use settled_protocol::statistics::{Drift, Series, Statistics};

use crate::show;

fn unit(run: &Run) -> &'static str {
    run.quantity.map_or("", Photometric::unit)
}

/// Light with its unit.
pub(super) fn value(run: &Run, value: f64) -> String {
    format!("{} {}", show::number(value), unit(run)).trim_end().to_owned()
}

/// What a rate is told in: a share of the light that the run began with, in per cent, or its own unit near black.
fn scale(run: &Run) -> (f64, &'static str) {
    match run.reference.as_ref().or(run.latest.as_ref()).map(|point| point.value) {
        Some(value) if value > 0.0 => (100.0 / value, "%"),
        _ => (1.0, unit(run)),
    }
}

/// What drifts in a run so far: its light, beside what that was as it began.
fn drifting(run: &Run) -> Drifting<'static> {
    let level = run.reference.as_ref().or(run.latest.as_ref()).map_or(0.0, |point| point.value);
    Drifting { level, unit: unit(run), is_light: true }
}

/// The drift for one line among others.
pub(super) fn drift_short(run: &Run, drift: &Drift) -> String {
    drifting(run).rate_briefly(drift)
}

fn with_caution(drifting: Drifting<'_>, drift: &Drift) -> String {
    let caution = drift.caution.as_ref().map_or_else(String::new, |caution| format!("; {caution}"));
    format!("{}{caution}", drifting.rate(drift))
}

/// What changed from the first point to another.
pub(super) fn change(run: &Run, from: &RunPoint, to: &RunPoint) -> String {
    let (scale, unit) = scale(run);
    let mut words = format!("{} {unit}", signed(scale * (to.value - from.value)));
    if let Some((from, to)) = from.chromaticity.zip(to.chromaticity) {
        let moved = (to.u_prime() - from.u_prime()).hypot(to.v_prime() - from.v_prime());
        words.push_str(&format!(", {moved:.5} in u′v′"));
    }
    words
}

fn signed(value: f64) -> String {
    let words = significant(value, 3);
    if value > 0.0 { format!("+{words}") } else { words }
}

/// What the readings of a run come to, a line each.
pub(super) fn statistics(statistics: &Statistics) -> Vec<(&'static str, String)> {
    let Series { mean: mean_value, sd, min, max, uncertainty, .. } = &statistics.value;
    let unit = statistics.quantity.unit();
    let mean = match uncertainty {
        Some(standard) => {
            format!(
                "{} {unit}, the standard uncertainty of the mean",
                show::uncertain(*mean_value, *standard)
            )
        }
        None => format!("{} {unit}", show::number(*mean_value)),
    };
    let spread = sd.map_or_else(String::new, |sd| format!(", standard deviation {}", significant(sd, 2)));
    let mut rows = vec![
        ("mean", mean),
        ("range", format!("{} to {} {unit}{spread}", show::number(*min), show::number(*max))),
    ];
    // Beside the mean, as the sentence below has it.
    let drifting = Drifting { level: *mean_value, unit, is_light: true };
    rows.extend(statistics.value.drift.as_ref().map(|rate| ("drift", with_caution(drifting, rate))));
    if let Some(day) = &statistics.value.day {
        let words = format!(
            "{} {unit} up and down each day ({} to {} with 95 %)",
            significant(day.amplitude, 2),
            significant(day.low, 2),
            significant(day.high, 2)
        );
        rows.push(("day", words));
    }
    if let Some(with) = &statistics.with_temperature {
        let words = format!(
            "{} {unit} a kelvin of the meter's, correlation {:+.2} ({:+.2} to {:+.2} with 95 %)",
            signed(with.per_k),
            with.correlation,
            with.low,
            with.high
        );
        rows.push(("by warmth", words));
    }
    rows.push(("", statistics.message.clone()));
    rows
}
