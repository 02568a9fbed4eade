//! What a stretch comes to, in plain sentences.

use settled_protocol::statistics::{Comparison, Deviation, Difference, Noise, Series, Statistics};

use crate::settle::digits::significant;

/// A drift's interval has two digits, and its rate as many decimals.
fn with_interval(value: f64, half: f64) -> String {
    let half = half.abs();
    let order = if half > 0.0 {
        half.log10().floor()
    } else {
        value.abs().max(f64::MIN_POSITIVE).log10().floor() - 2.0
    };
    let decimals = 1.0 - order;
    if !(0.0..=6.0).contains(&decimals) {
        return format!("{} ± {}", significant(value, 3), significant(half, 2));
    }
    let decimals = decimals as usize;
    format!("{value:.decimals$} ± {half:.decimals$}")
}

/// A span of time in the unit that people would use.
#[must_use]
pub fn span(seconds: f64) -> String {
    let (amount, unit) = match seconds {
        s if s < 120.0 => (s, "s"),
        s if s < 7200.0 => (s / 60.0, "min"),
        s if s < 172_800.0 => (s / 3600.0, "h"),
        s => (s / 86_400.0, "d"),
    };
    let rounded = (amount * 10.0).round() / 10.0;
    format!("{rounded} {unit}")
}

/// How one quantity drifts; nothing where that isn't known.
fn drifts(series: &Series, unit: &str) -> Option<String> {
    let drift = series.drift.as_ref()?;
    let unit = if unit.is_empty() { String::new() } else { format!(" {unit}") };
    let half = (drift.high_per_h - drift.low_per_h) / 2.0;
    Some(if drift.low_per_h > 0.0 {
        format!("rises by {}{unit} an hour", with_interval(drift.per_h, half))
    } else if drift.high_per_h < 0.0 {
        format!("falls by {}{unit} an hour", with_interval(-drift.per_h, half))
    } else {
        format!("doesn't drift as far as can be told ({}{unit} an hour)", with_interval(drift.per_h, half))
    })
}

/// How far averaging helps.
fn averaging(allan: &[Deviation]) -> Option<String> {
    let best = allan.iter().min_by(|a, b| a.deviation.total_cmp(&b.deviation))?;
    let last = allan.last()?;
    if best.tau_s >= last.tau_s || allan.len() < 3 {
        return (allan.len() >= 3)
            .then(|| format!("Averaging gains as far as can be told, to {}.", span(last.tau_s)));
    }
    // From where on it is as good as at its best: a longer average gains nothing that can be told.
    let enough = allan.iter().find(|deviation| deviation.low <= best.deviation)?;
    let beyond = allan.iter().find(|deviation| deviation.tau_s > enough.tau_s)?;
    let why = match beyond.noise {
        Noise::Phase | Noise::White | Noise::Unknown => "",
        Noise::Flicker => " (flicker)",
        Noise::RandomWalk => " (it wanders)",
        Noise::Drift => " (it drifts)",
    };
    Some(format!("Averaging beyond {} gains nothing{why}.", span(enough.tau_s)))
}

/// What there is to say of a stretch beside what `cautions` say already.
#[must_use]
pub fn message(told: &Statistics, cautions: &[String]) -> String {
    let unit = told.quantity.unit();
    let mut sentences = Vec::new();
    let mean = match told.value.uncertainty {
        Some(uncertainty) => with_interval(told.value.mean, uncertainty),
        None => significant(told.value.mean, 5),
    };
    sentences.push(match (told.count, drifts(&told.value, unit)) {
        (1, _) => format!("A single reading: {mean} {unit}."),
        (count, None) => format!("{count} readings over {}: {mean} {unit}.", span(told.span_s)),
        (count, Some(drifts)) => {
            format!("{count} readings over {}: {mean} {unit}; it {drifts}.", span(told.span_s))
        }
    });
    if let Some(caution) = told.value.drift.as_ref().and_then(|drift| drift.caution.as_ref()) {
        sentences.push(format!("Of the drift: {caution}."));
    }
    let colour = |name: &str, series: &Option<Series>| {
        let series = series.as_ref()?;
        let drift = series.drift.as_ref()?;
        let moves = drift.low_per_h > 0.0 || drift.high_per_h < 0.0;
        drifts(series, "").filter(|_| moves).map(|drifts| format!("{name} {drifts}."))
    };
    sentences.extend(colour("u′", &told.u_prime));
    sentences.extend(colour("v′", &told.v_prime));
    sentences.extend(averaging(&told.value.allan));
    if let Some(day) = told.value.day.filter(|day| day.low > 0.0) {
        let (amplitude, half) = (day.amplitude, (day.high - day.low) / 2.0);
        let minutes = (day.crest_h * 60.0).round() as u64 % 1440;
        sentences.push(format!(
            "Each day it goes up and down by {} {unit}, highest at {:02}:{:02} UTC.",
            with_interval(amplitude, half),
            minutes / 60,
            minutes % 60
        ));
    }
    if let Some(with) = told.with_temperature.filter(|with| with.low > 0.0 || with.high < 0.0) {
        sentences.push(format!(
            "It goes with the meter's temperature, by {} {unit} a kelvin (correlation {:.2}); which moves which that doesn't say.",
            significant(with.per_k, 2),
            with.correlation
        ));
    }
    if told.gaps > 0 {
        let gaps = if told.gaps == 1 { "is one gap".to_owned() } else { format!("are {} gaps", told.gaps) };
        sentences.push(format!("There {gaps}, {} in all.", span(told.gap_s)));
    }
    if told.thinned > 0 {
        sentences.push(format!(
            "{} of them are no more there but in what thinning left, and don't count in the Allan deviation.",
            told.thinned
        ));
    }
    sentences.extend(cautions.iter().cloned());
    sentences.join(" ")
}

/// What comparing two stretches comes to.
#[must_use]
pub fn compared(told: &Comparison, cautions: &[String]) -> String {
    let unit = told.one.quantity.unit();
    let mut sentences = Vec::new();
    let sentence = |what: &str, difference: &Difference, unit: &str| {
        let half = (difference.high - difference.low) / 2.0;
        let amount = with_interval(difference.value, half);
        let unit = if unit.is_empty() { String::new() } else { format!(" {unit}") };
        if difference.differs {
            let way = if difference.value > 0.0 { "higher" } else { "lower" };
            let amount = with_interval(difference.value.abs(), half);
            format!("{what} of the other is {way} by {amount}{unit}.")
        } else {
            format!("{what} doesn't differ as far as can be told ({amount}{unit}).")
        }
    };
    let mut tell = |what: &str, difference: Option<&Difference>, unit: &str| {
        if let Some(difference) = difference {
            sentences.push(sentence(what, difference, unit));
        }
    };
    tell("The mean", told.mean.as_ref(), unit);
    tell("The drift", told.drift_per_h.as_ref(), &format!("{unit} an hour"));
    tell("The mean of u′", told.u_prime.as_ref(), "");
    tell("The mean of v′", told.v_prime.as_ref(), "");
    if sentences.is_empty() {
        sentences.push("They can't be compared.".to_owned());
    }
    sentences.extend(cautions.iter().cloned());
    sentences.join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_has_the_decimals_of_its_interval() {
        assert_eq!(with_interval(0.1234, 0.0312), "0.123 ± 0.031");
        assert_eq!(with_interval(120.3071, 0.0216), "120.307 ± 0.022");
        assert_eq!(with_interval(120.3071, 0.0), "120.3 ± 0.0");
        assert_eq!(with_interval(1.2e-12, 3e-13), "1.20e-12 ± 3.0e-13");
    }

    #[test]
    fn a_span_is_told_in_the_unit_that_people_use() {
        assert_eq!([30.0, 300.0, 28_800.0, 259_200.0].map(span), ["30 s", "5 min", "8 h", "3 d"]);
    }
}
