//! Figures of a run in words: light, change, drift.

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

/// Decimals at which a half-width of an interval has so many digits.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a small whole number, 0 or more"
)]
fn decimals(half: f64, digits: f64) -> usize {
    let wanted = digits - 1.0 - half.abs().log10().floor();
    if wanted.is_finite() { wanted.clamp(0.0, 9.0) as usize } else { 3 }
}

/// The drift for one line among others.
pub(super) fn drift_short(run: &Run, drift: &Drift) -> String {
    let (scale, unit) = scale(run);
    let decimals = decimals(scale * (drift.high_per_h - drift.low_per_h) / 2.0, 1.0);
    format!("{:+.decimals$} {unit}/h", scale * drift.per_h)
}

/// The drift with its interval.
pub(super) fn drift(run: &Run, drift: &Drift) -> String {
    let (scale, unit) = scale(run);
    let decimals = decimals(scale * (drift.high_per_h - drift.low_per_h) / 2.0, 2.0);
    let [rate, low, high] = [drift.per_h, drift.low_per_h, drift.high_per_h].map(|rate| scale * rate);
    let caution = drift.caution.as_ref().map_or_else(String::new, |caution| format!("; {caution}"));
    format!(
        "{rate:+.decimals$} {unit} an hour, from {low:+.decimals$} to {high:+.decimals$} with 95 %{caution}"
    )
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
pub(super) fn statistics(run: &Run, statistics: &Statistics) -> Vec<(&'static str, String)> {
    let Series { mean, sd, min, max, uncertainty, .. } = &statistics.value;
    let unit = statistics.quantity.unit();
    let mean = match uncertainty {
        Some(standard) => {
            format!("{} {unit}, the standard uncertainty of the mean", show::uncertain(*mean, *standard))
        }
        None => format!("{} {unit}", show::number(*mean)),
    };
    let spread = sd.map_or_else(String::new, |sd| format!(", standard deviation {}", significant(sd, 2)));
    let mut rows = vec![
        ("mean", mean),
        ("range", format!("{} to {} {unit}{spread}", show::number(*min), show::number(*max))),
    ];
    rows.extend(statistics.value.drift.as_ref().map(|rate| ("drift", drift(run, rate))));
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
