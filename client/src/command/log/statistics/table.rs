//! Statistics in words and columns, for people: no more digits than mean something.

use settled::drift::words::Drifting;
use settled_protocol::statistics::{Comparison, DayCycle, Deviation, Difference, Drift, Series, Statistics};

use crate::chart::noise;
use crate::output::{CAUTION, STRONG, styled};
use crate::show;
use crate::wrap::broken;

/// Columns that words may take.
const WIDTH: usize = 78;

/// A night, in h: what a drift is also told for.
const NIGHT_H: f64 = 12.0;

/// Less than so many hours say nothing of a night.
const LEAST_H: f64 = 3.0;

/// What a stretch comes to.
pub(super) fn statistics(found: &Statistics, name: &str) -> Vec<String> {
    let mut lines = heading(found, name);
    let quantity = match found.quantity {
        settled_protocol::quantity::Photometric::Luminance => "luminance",
        settled_protocol::quantity::Photometric::Illuminance => "illuminance",
    };
    let span_s = found.span_s;
    let light = Kind { unit: found.quantity.unit(), is_light: true, span_s };
    lines.extend(series(quantity, light, &found.value));
    let colour = Kind { unit: "", is_light: false, span_s };
    lines.extend(found.u_prime.iter().flat_map(|of| series("u′", colour, of)));
    lines.extend(found.v_prime.iter().flat_map(|of| series("v′", colour, of)));
    let warmth = Kind { unit: "°C", ..colour };
    lines.extend(found.temperature_c.iter().flat_map(|of| series("meter's temperature", warmth, of)));
    if let Some(with) = &found.with_temperature {
        lines.push(String::new());
        lines.push(format!(
            "{quantity} with the meter's temperature: correlation {:+.2}, 95 %: {:+.2} to {:+.2};",
            with.correlation, with.low, with.high
        ));
        lines.push(format!("  {} {} a kelvin", signed(with.per_k, with.per_k), found.quantity.unit()));
    }
    if !found.value.allan.is_empty() {
        lines.push(String::new());
        lines.push(format!(
            "Allan deviation of {quantity}, {}, from means over {}",
            found.quantity.unit(),
            show::span(found.bin_s)
        ));
        lines.push(format!("  {:>9}  {:>11}  {:<26}  noise", "time", "deviation", "95 %"));
        lines.extend(found.value.allan.iter().map(deviation));
    }
    lines.push(String::new());
    lines.extend(wrapped(&found.message));
    lines
}

/// One night against another: both, then their differences.
pub(super) fn comparison(found: &Comparison, (one, other): (&str, &str)) -> Vec<String> {
    let mut lines = Vec::new();
    for (statistics, name) in [(&found.one, one), (&found.other, other)] {
        lines.extend(heading(statistics, name));
        let light = Kind { unit: statistics.quantity.unit(), is_light: true, span_s: statistics.span_s };
        lines.extend(figures(light, &statistics.value, true));
        lines.push(String::new());
    }
    let unit = found.other.quantity.unit();
    lines.push(styled(STRONG, "the second less the first"));
    let rows = [
        ("mean", found.mean, unit.to_owned()),
        ("u′", found.u_prime, String::new()),
        ("v′", found.v_prime, String::new()),
        ("drift an hour", found.drift_per_h, unit.to_owned()),
    ];
    lines.extend(
        rows.into_iter().filter_map(|(name, difference, unit)| Some(differs(name, &difference?, &unit))),
    );
    lines.push(String::new());
    lines.extend(wrapped(&found.message));
    lines
}

fn heading(found: &Statistics, name: &str) -> Vec<String> {
    let name = if name == found.meter { name.to_owned() } else { format!("{name}, {}", found.meter) };
    let flags = show::short_flags(&found.flags);
    let caution = if flags.is_empty() { String::new() } else { format!("  {}", styled(CAUTION, &flags)) };
    let observer = found.observer.map_or_else(String::new, |of| format!("  {}", show::observer(of)));
    let mut lines = vec![
        format!("{}{observer}{caution}", styled(STRONG, &name)),
        format!(
            "  {} from {} to {}, {}",
            show::counted(found.count, "reading", "readings"),
            show::moment(found.since),
            show::moment(found.until),
            show::span(found.span_s)
        ),
    ];
    if found.thinned > 0 {
        lines.push(format!("  {} of them thinned: not in the Allan deviation", found.thinned));
    }
    if found.gaps > 0 {
        let gaps = show::counted(found.gaps, "gap", "gaps");
        lines.push(format!("  {gaps} without readings, {} in all", show::span(found.gap_s)));
    }
    if found.corrections.len() > 1 {
        let corrections = found.corrections.join(", ");
        lines.push(format!("  {}", styled(CAUTION, &format!("of more than one scale: {corrections}"))));
    }
    lines
}

/// What a series is of.
#[derive(Clone, Copy)]
struct Kind<'a> {
    unit: &'a str,
    is_light: bool,
    /// How long it goes on, in s.
    span_s: f64,
}

fn series(name: &str, kind: Kind<'_>, of: &Series) -> Vec<String> {
    let title = if kind.unit.is_empty() { name.to_owned() } else { format!("{name}, {}", kind.unit) };
    let mut lines = vec![String::new(), title];
    lines.extend(figures(kind, of, false));
    lines
}

/// Rows of a quantity; the unit beside its mean where no title has it.
fn figures(kind: Kind<'_>, of: &Series, with_unit: bool) -> Vec<String> {
    let mean = match of.uncertainty {
        Some(uncertainty) => format!("{}   (standard uncertainty)", show::uncertain(of.mean, uncertainty)),
        None => precise(of.mean, of),
    };
    let unit = if with_unit { format!(" {}", kind.unit) } else { String::new() };
    let mut lines = vec![row("mean", &format!("{mean}{unit}"))];
    lines.extend(of.sd.map(|sd| row("sd", &digits(sd))));
    lines.push(row("range", &format!("{} to {}", precise(of.min, of), precise(of.max, of))));
    let drifting = Drifting { level: of.mean, unit: kind.unit, is_light: kind.is_light };
    lines.extend(of.drift.iter().flat_map(|of| drift(of, drifting, kind.span_s)));
    lines.extend(of.day.as_ref().map(day));
    lines
}

fn row(name: &str, words: &str) -> String {
    format!("  {name:<15}  {words}")
}

fn drift(of: &Drift, drifting: Drifting<'_>, span_s: f64) -> Vec<String> {
    let mut lines = vec![row("drift, 95 %", &drifting.rate(of))];
    if span_s >= LEAST_H * 3600.0 && !drifting.is_still(of) {
        lines.push(row("  a night, 12 h", &drifting.in_hours(of, NIGHT_H)));
    }
    lines.extend(of.caution.iter().flat_map(|caution| {
        wrapped_to(caution, WIDTH - 19).into_iter().map(|words| row("", &styled(CAUTION, &words)))
    }));
    lines
}

fn day(of: &DayCycle) -> String {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "minutes of a day")]
    let minutes = (of.crest_h * 60.0).round() as u32 % 1440;
    let words = format!(
        "± {}   95 %: {} to {}; crest at {:02}:{:02} UTC",
        digits(of.amplitude),
        digits(of.low),
        digits(of.high),
        minutes / 60,
        minutes % 60
    );
    row("day cycle", &words)
}

fn deviation(of: &Deviation) -> String {
    let interval = format!("{} to {}", digits(of.low), digits(of.high));
    format!(
        "  {:>9}  {:>11}  {interval:<26}  {}",
        show::span(of.tau_s),
        digits(of.deviation),
        noise(of.noise)
    )
}

fn differs(name: &str, of: &Difference, unit: &str) -> String {
    let interval = (of.high - of.low) / 2.0;
    let [value, low, high] = [of.value, of.low, of.high].map(|value| signed(value, interval));
    let unit = if unit.is_empty() { String::new() } else { format!(" {unit}") };
    let verdict = if of.differs { styled(STRONG, "differs") } else { "may be none".to_owned() };
    row(name, &format!("{value}{unit}   95 %: {low} to {high}   {verdict}"))
}

/// Three significant digits: enough of what is itself a spread.
fn digits(value: f64) -> String {
    settled::settle::digits::significant(value, 3)
}

/// A value of a series with as many decimals as its spread has meaning in.
fn precise(value: f64, of: &Series) -> String {
    match of.sd.filter(|sd| *sd > 0.0) {
        Some(sd) => show::uncertain(value, sd).split(" ± ").next().unwrap_or_default().to_owned(),
        None => show::number(value),
    }
}

/// A value with its sign, with the decimals that `interval` has two digits of.
fn signed(value: f64, interval: f64) -> String {
    let text = show::uncertain(value.abs(), interval.abs());
    let text = text.split(" ± ").next().unwrap_or_default();
    format!("{}{text}", if value < 0.0 { '-' } else { '+' })
}

fn wrapped(text: &str) -> Vec<String> {
    wrapped_to(text, WIDTH)
}

/// Words in lines of so many columns.
fn wrapped_to(text: &str, width: usize) -> Vec<String> {
    broken(text, width).lines().map(str::to_owned).collect()
}

#[cfg(test)]
mod tests;
