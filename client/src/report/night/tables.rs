//! The figures of a run as tables for people.

use settled_protocol::statistics::{Series, Statistics};

use crate::chart::noise;
use crate::evaluate::figure::Figure;
use crate::review::figures::Table;
use crate::show;

/// A number without what sums leave behind where nothing moves.
fn clean(value: f64, beside: f64) -> f64 {
    if value.abs() < 1e-7 * beside.abs() { 0.0 } else { value }
}

/// Each quantity with its unit, as far as there are readings of it.
pub(super) fn quantities(
    statistics: &Statistics,
) -> Vec<(&'static str, &'static str, &'static str, &Series)> {
    let value = match statistics.quantity {
        settled_protocol::quantity::Photometric::Luminance => "luminance",
        settled_protocol::quantity::Photometric::Illuminance => "illuminance",
    };
    let first = ("value", value, statistics.quantity.unit(), Some(&statistics.value));
    let others = [
        ("u_prime", "u′", "", statistics.u_prime.as_ref()),
        ("v_prime", "v′", "", statistics.v_prime.as_ref()),
        ("temperature_c", "meter's temperature", "°C", statistics.temperature_c.as_ref()),
    ];
    let all = [first].into_iter().chain(others);
    all.filter_map(|(name, words, unit, series)| Some((name, words, unit, series?))).collect()
}

fn named(words: &str, unit: &str) -> String {
    if unit.is_empty() { words.to_owned() } else { format!("{words}, {unit}") }
}

fn columns(names: &[&str]) -> Vec<String> {
    names.iter().map(|name| (*name).to_owned()).collect()
}

/// Mean, range and spread.
pub(super) fn series(statistics: &Statistics) -> Table {
    let row = |(_, words, unit, series): (&str, &str, &str, &Series)| {
        let Series { count, mean, sd, min, max, uncertainty, .. } = series;
        let told = uncertainty.map(|standard| clean(standard, *mean)).filter(|standard| *standard > 0.0);
        let told = told.map_or_else(|| show::number(*mean), |standard| show::uncertain(*mean, standard));
        let spread =
            sd.map_or_else(String::new, |sd| settled::settle::digits::significant(clean(sd, *mean), 2));
        vec![named(words, unit), count.to_string(), told, spread, show::number(*min), show::number(*max)]
    };
    Table {
        title: "All readings".to_owned(),
        columns: columns(&[
            "quantity",
            "readings",
            "mean ± standard uncertainty",
            "standard deviation",
            "smallest",
            "largest",
        ]),
        rows: quantities(statistics).into_iter().map(row).collect(),
    }
}

/// What each quantity does in an hour.
pub(super) fn drifts(statistics: &Statistics) -> Table {
    let row = |(_, words, unit, series): (&'static str, &'static str, &'static str, &Series)| {
        // What doesn't move at all has no drift to tell, nor has what goes up in a few steps: the line through it is level for sure.
        let moves = |sd: f64| clean(sd, series.mean) > 0.0;
        let drift = series.drift.as_ref().filter(|_| series.sd.is_some_and(moves))?;
        let widest = drift.low_per_h.abs().max(drift.high_per_h.abs());
        if clean(widest, series.mean) == 0.0 {
            let caution = drift.caution.clone().unwrap_or_default();
            return Some(vec![named(words, unit), "none to be seen".to_owned(), String::new(), caution]);
        }
        let figure = Figure::between(drift.per_h, drift.low_per_h, drift.high_per_h);
        let share = (unit != "°C" && !unit.is_empty() && series.mean > 0.0).then(|| {
            let percent = |value: f64| 100.0 * value / series.mean;
            figure.map(percent).words()
        });
        let caution = drift.caution.clone().unwrap_or_default();
        Some(vec![named(words, unit), figure.words(), share.unwrap_or_default(), caution])
    };
    Table {
        title: "An hour, with 95 %".to_owned(),
        columns: columns(&["quantity", "drift", "% of the mean", "caution"]),
        rows: quantities(statistics).into_iter().filter_map(row).collect(),
    }
}

/// The Allan deviation of the light.
pub(super) fn deviations(statistics: &Statistics) -> Table {
    let number = |value: f64| settled::settle::digits::significant(value, 3);
    let row = |point: &settled_protocol::statistics::Deviation| {
        vec![
            show::span(point.tau_s),
            number(point.deviation),
            format!("{} to {}", number(point.low), number(point.high)),
            noise(point.noise).to_owned(),
            point.count.to_string(),
        ]
    };
    Table {
        title: "Allan deviation".to_owned(),
        columns: [
            "averaging time".to_owned(),
            format!("deviation, {}", statistics.quantity.unit()),
            "with 95 %".to_owned(),
            "noise".to_owned(),
            "differences".to_owned(),
        ]
        .to_vec(),
        rows: statistics.value.allan.iter().map(row).collect(),
    }
}
