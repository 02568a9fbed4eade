//! What a stretch comes to, in plain sentences.

use settled_protocol::statistics::{Comparison, Deviation, Difference, Drift, Noise, Series, Statistics};

use crate::settle::digits::significant;

/// A drift's interval has two digits, and its rate as many decimals.
pub(crate) fn with_interval(value: f64, half: f64) -> String {
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

/// A drift and its interval that are smaller than this beside what drifts are what sums of rounded numbers leave behind.
const NOTHING: f64 = 1e-9;

/// What drifts.
#[derive(Clone, Copy, Debug)]
pub struct Drifting<'a> {
    /// Its mean, or where it began.
    pub level: f64,
    /// Its unit; empty where it has none.
    pub unit: &'a str,
    /// Whether it is light, of which a share means something; of a colour or a temperature it doesn't.
    pub is_light: bool,
}

impl Drifting<'_> {
    /// Whether there is no drift to be seen: none at all, and no doubt of that either.
    #[must_use]
    pub fn is_still(&self, drift: &Drift) -> bool {
        drift.low_per_h.abs().max(drift.high_per_h.abs()) <= NOTHING * self.level.abs()
    }

    /// A drift as it is told wherever it is told, with half of its 95 % interval: `-0.105 ± 0.015 % an hour, or -0.21 ± 0.03 cd/m²`.
    #[must_use]
    pub fn rate(&self, drift: &Drift) -> String {
        self.told(drift, 1.0, " an hour", signed)
    }

    /// The same for one line among others, `-0.105 ± 0.015 %/h`: without what it is in the light's own unit, where a share says it.
    #[must_use]
    pub fn rate_briefly(&self, drift: &Drift) -> String {
        let rate = self.told(drift, 1.0, "/h", signed);
        rate.split_once(OR).map_or(rate.clone(), |(share, _)| share.to_owned())
    }

    /// How far that is in so many hours.
    #[must_use]
    pub fn in_hours(&self, drift: &Drift, hours: f64) -> String {
        self.told(drift, hours, "", signed)
    }

    fn told(&self, drift: &Drift, times: f64, an_hour: &str, number: fn(f64, f64) -> String) -> String {
        if self.is_still(drift) {
            return "none to be seen".to_owned();
        }
        let amount = |scale: f64| {
            let half = (drift.high_per_h - drift.low_per_h) / 2.0;
            number(scale * times * drift.per_h, scale * times * half)
        };
        let unit = if self.unit.is_empty() { String::new() } else { format!(" {}", self.unit) };
        if self.is_light && self.level > 0.0 {
            format!("{} %{an_hour}{OR}{}{unit}", amount(100.0 / self.level), amount(1.0))
        } else {
            format!("{}{unit}{an_hour}", amount(1.0))
        }
    }
}

/// Between a share and the same in the light's own unit.
const OR: &str = ", or ";

/// A number with its sign, unless it is none, and its interval.
pub(crate) fn signed(value: f64, half: f64) -> String {
    let words = with_interval(value, half);
    let (number, _) = words.split_once(' ').unwrap_or((&words, ""));
    match (number.trim_start_matches('-').parse() == Ok(0.0), value > 0.0) {
        (true, _) => words.trim_start_matches('-').to_owned(),
        (false, true) => format!("+{words}"),
        (false, false) => words,
    }
}

/// A number without its sign, for words that say the way, and its interval.
fn unsigned(value: f64, half: f64) -> String {
    with_interval(value.abs(), half)
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
    let drifting = Drifting { level: series.mean, unit, is_light: !unit.is_empty() };
    let by = || drifting.told(drift, 1.0, " an hour", unsigned);
    Some(if drifting.is_still(drift) {
        "doesn't drift as far as can be told".to_owned()
    } else if drift.low_per_h > 0.0 {
        format!("rises by {}", by())
    } else if drift.high_per_h < 0.0 {
        format!("falls by {}", by())
    } else if enough(&series.allan).is_some_and(|(_, beyond)| beyond.noise == Noise::Drift) {
        // Light that bends goes one way, and yet no line through it has a slope that is sure.
        format!("drifts, but no line tells how fast ({})", drifting.rate(drift))
    } else {
        format!("doesn't drift as far as can be told ({})", drifting.rate(drift))
    })
}

/// From where on averaging is as good as at its best, and what comes after: a longer average gains nothing that can be told. Nothing where it goes on gaining.
fn enough(allan: &[Deviation]) -> Option<(&Deviation, &Deviation)> {
    let best = allan.iter().min_by(|a, b| a.deviation.total_cmp(&b.deviation))?;
    if best.tau_s >= allan.last()?.tau_s || allan.len() < 3 {
        return None;
    }
    let enough = allan.iter().find(|deviation| deviation.low <= best.deviation)?;
    let beyond = allan.iter().find(|deviation| deviation.tau_s > enough.tau_s)?;
    Some((enough, beyond))
}

/// How far averaging helps.
fn averaging(allan: &[Deviation]) -> Option<String> {
    let last = allan.last()?;
    let Some((enough, beyond)) = enough(allan) else {
        return (allan.len() >= 3)
            .then(|| format!("Averaging gains as far as can be told, to {}.", span(last.tau_s)));
    };
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

    /// Light that warms up goes one way, and no line through it has a slope that is sure: what is said of its drift and of averaging must agree.
    #[test]
    fn light_that_drifts_is_not_said_to_stand_still_because_no_line_fits_it() {
        let point = |tau_s: f64, deviation: f64, noise: &str| serde_json::json!({"tau_s": tau_s, "deviation": deviation, "low": 0.9 * deviation, "high": 1.1 * deviation, "count": 90, "noise": noise});
        let series = |allan: [serde_json::Value; 3]| -> Series {
            serde_json::from_value(serde_json::json!({
                "count": 320, "mean": 284.0, "sd": 4.0, "min": 276.0, "max": 292.0, "allan": allan,
                "drift": {"per_h": 157.0, "low_per_h": -31.0, "high_per_h": 345.0, "caution": "it bends"},
            }))
            .unwrap()
        };
        let warming = series([point(1.0, 0.2, "white"), point(2.0, 0.1, "white"), point(4.0, 0.4, "drift")]);
        assert!(averaging(&warming.allan).unwrap().ends_with("gains nothing (it drifts)."));
        let told = drifts(&warming, "cd/m²").unwrap();
        assert!(told.starts_with("drifts, but no line tells how fast (+55 ± 66 % an hour"), "{told}");
        let still = series([point(1.0, 0.2, "white"), point(2.0, 0.1, "white"), point(4.0, 0.11, "flicker")]);
        assert!(drifts(&still, "cd/m²").unwrap().starts_with("doesn't drift as far as can be told"));
    }

    #[test]
    fn a_drift_is_told_in_one_form_with_as_many_digits_as_are_known() {
        let drift = |per_h: f64, half: f64| Drift {
            per_h,
            low_per_h: per_h - half,
            high_per_h: per_h + half,
            caution: None,
        };
        let light = Drifting { level: 200.0, unit: "cd/m²", is_light: true };
        let told = drift(-0.21, 0.031);
        assert_eq!(light.rate(&told), "-0.105 ± 0.015 % an hour, or -0.210 ± 0.031 cd/m²");
        assert_eq!(light.rate_briefly(&told), "-0.105 ± 0.015 %/h");
        assert_eq!(light.in_hours(&told, 12.0), "-1.26 ± 0.19 %, or -2.52 ± 0.37 cd/m²");
        assert_eq!(light.rate(&drift(-0.000_4, 0.03)), "0.000 ± 0.015 % an hour, or 0.000 ± 0.030 cd/m²");
        // Where there is no light to take a share of, it is told in its own unit.
        let dark = Drifting { level: 0.0, ..light };
        assert_eq!(dark.rate(&told), "-0.210 ± 0.031 cd/m² an hour");
        assert_eq!(dark.rate_briefly(&told), "-0.210 ± 0.031 cd/m²/h");
        let colour = Drifting { level: 0.1978, unit: "", is_light: false };
        assert_eq!(colour.rate(&drift(0.000_12, 0.000_023)), "+0.000120 ± 0.000023 an hour");
    }

    #[test]
    fn a_drift_of_nothing_is_not_told_in_noughts() {
        let none = Drift { per_h: 1e-15, low_per_h: -2e-15, high_per_h: 3e-15, caution: None };
        let warmth = Drifting { level: 31.5, unit: "°C", is_light: false };
        assert_eq!(
            [warmth.rate(&none), warmth.in_hours(&none, 12.0)],
            ["none to be seen", "none to be seen"]
        );
        let nothing = Drift { per_h: 0.0, low_per_h: 0.0, high_per_h: 0.0, caution: None };
        assert_eq!(Drifting { level: 0.0, ..warmth }.rate(&nothing), "none to be seen");
        // Near black a small drift is one.
        let black = Drifting { level: 0.000_5, unit: "cd/m²", is_light: true };
        assert!(!black.is_still(&Drift { per_h: 1e-7, low_per_h: 5e-8, high_per_h: 2e-7, caution: None }));
    }

    #[test]
    fn a_span_is_told_in_the_unit_that_people_use() {
        assert_eq!([30.0, 300.0, 28_800.0, 259_200.0].map(span), ["30 s", "5 min", "8 h", "3 d"]);
    }
}
