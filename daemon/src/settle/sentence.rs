//! A verdict in one plain sentence.

use settled_protocol::rule::{Compared, Rule};
use settled_protocol::settling::{Criteria, Drift, Estimate, Evidence, Test, Verdict, Who};

/// What the verdict rests on, in words. `unit` is that of the luminance (or illuminance).
#[must_use]
pub fn sentence(
    verdict: Verdict,
    evidence: &Evidence,
    value: Option<&Estimate>,
    criteria: &Criteria,
    unit: &str,
) -> String {
    let hold = seconds(criteria.hold_s);
    let words = match &evidence.compared {
        Some(compared) => published(verdict, evidence.rule, compared, criteria, unit),
        None => by_trend(verdict, evidence, value, criteria, unit, &hold),
    };
    words + &moved_by(verdict, evidence, &hold)
}

fn by_trend(
    verdict: Verdict,
    evidence: &Evidence,
    value: Option<&Estimate>,
    criteria: &Criteria,
    unit: &str,
    hold: &str,
) -> String {
    match verdict {
        Verdict::Settled => {
            let window = seconds(evidence.window_s);
            let drift = drifts(evidence, value, unit, hold).unwrap_or_else(|| "nothing moved".to_owned());
            let colour = if evidence.chromaticity_drift.is_none() {
                "; there was no chromaticity to judge"
            } else {
                ""
            };
            format!("Settled: over the last {window} {drift}{colour}.")
        }
        Verdict::Lost => "Lost: it was settled, and has left its band since.".to_owned(),
        Verdict::NoiseLimited => noise_limited(evidence, value, criteria, unit),
        Verdict::WontSettle => format!(
            "Won't settle within {}: {}.",
            seconds(criteria.max_wait_s),
            drifts(evidence, value, unit, hold).unwrap_or_else(|| "it still drifts".to_owned())
        ),
        Verdict::TimedOut => {
            format!(
                "Timed out after {}: {}.",
                seconds(criteria.max_wait_s),
                obstacle(evidence, value, unit, hold)
            )
        }
    }
}

fn noise_limited(evidence: &Evidence, value: Option<&Estimate>, criteria: &Criteria, unit: &str) -> String {
    let noise = evidence.noise.map_or_else(String::new, |noise| format!(" of {noise:.2e} {unit} a reading"));
    let known = value
        .map_or_else(String::new, |value| format!("; the value is known to ±{:.2e} {unit}", value.y_u95));
    let longest = longest_window(criteria.hold_s);
    let help = longer_integration(evidence, value, longest).map_or_else(
        || "a longer integration time".to_owned(),
        |factor| format!("integrating {factor:.1} times as long"),
    );
    format!(
        "Noise limited: no drift to be seen, but noise{noise} hides whether it stays within its band{known}. Wider bands or {help} would help."
    )
}

/// The factor by which each exposure must grow for the test to pass in the longest window: noise falls as its square root.
#[must_use]
pub fn longer_integration(evidence: &Evidence, value: Option<&Estimate>, longest_s: f64) -> Option<f64> {
    let drift = |drift: Option<Drift>| drift.map(|drift| drift.interval);
    let share = |error: Option<f64>, band: Option<f64>| error.zip(band).map(|(error, band)| error / band);
    let shares = [
        drift(evidence.luminance_drift),
        drift(evidence.chromaticity_drift),
        share(value.map(|value| value.y_u95), evidence.luminance_band),
        share(value.and_then(|value| value.chromaticity_u95), evidence.chromaticity_band),
    ];
    let worst = shares.into_iter().flatten().fold(0.0, f64::max);
    // An interval of a slope shrinks as the 3/2 power of the window's length.
    let longest = worst * (evidence.window_s / longest_s).min(1.0).powf(1.5);
    let factor = longest * longest;
    (factor > 1.0 && factor < 1e6).then_some(factor)
}

fn longest_window(hold_s: f64) -> f64 {
    (16.0 * hold_s).min(1200.0).max(2.0 * hold_s)
}

/// What a published rule found, and what the trend says beside it.
fn published(verdict: Verdict, rule: Rule, compared: &Compared, criteria: &Criteria, unit: &str) -> String {
    let measure = |value: f64| {
        if rule.is_relative() { format!("{:.2} %", 100.0 * value) } else { format!("{value:.2} {unit}") }
    };
    let span = seconds(compared.over_s);
    let found = match compared.variation {
        Some(variation) => format!(
            "{} readings over {span} vary by {} (less than {} is asked for)",
            compared.n,
            measure(variation),
            measure(compared.allowed)
        ),
        None => format!("{} readings over {span} are not what it asks for yet", compared.n),
    };
    let beside = match (compared.trend_settled_s, compared.trend) {
        (Some(after), Some(Verdict::Settled)) => {
            format!(" By its trend it settled after {}.", seconds(after))
        }
        (Some(after), _) => {
            format!(" By its trend it settled after {}, and is so no longer.", seconds(after))
        }
        (None, _) => " By its trend it has not settled.".to_owned(),
    };
    let title = rule.title();
    let ruling = match verdict {
        Verdict::Settled => format!("Settled by {title}: {found}."),
        Verdict::Lost => format!("Lost: no longer settled by {title}: {found}."),
        _ => format!("Timed out after {}: by {title}, {found}.", seconds(criteria.max_wait_s)),
    };
    ruling + beside.as_str()
}

/// Whether it is the display that moves, or the meter, where that was asked and anything still moves.
fn moved_by(verdict: Verdict, evidence: &Evidence, hold: &str) -> String {
    let Some(moves) = evidence.moves.filter(|_| verdict != Verdict::Settled) else { return String::new() };
    let zero = moves
        .zero_drift
        .map(|drift| format!("its zero moves by {} bands per {hold}", interval(drift, 1.0, "", 2)));
    match (moves.who, zero) {
        (Who::Display, Some(zero)) => format!(" It is the display that moves, not the meter: {zero}."),
        (Who::Display, None) => " It is the display that moves: the meter has had its warm-up.".to_owned(),
        (Who::Meter, zero) => format!(" It is the meter that moves: {}.", zero.unwrap_or_default()),
        (Who::Either, _) => {
            " Whether the display moves or the meter can't be told: dark readings (aperture covered) some minutes apart would tell."
                .to_owned()
        }
    }
}

/// What stands in the way.
fn obstacle(evidence: &Evidence, value: Option<&Estimate>, unit: &str, hold: &str) -> String {
    let failing = |test| evidence.failing.contains(&test);
    if failing(Test::TooFew) {
        "there were too few readings to judge".to_owned()
    } else if failing(Test::MeterWarmUp) {
        "the meter was still in its own warm-up".to_owned()
    } else if failing(Test::LuminanceDrift) || failing(Test::ChromaticityDrift) {
        drifts(evidence, value, unit, hold)
            .unwrap_or_else(|| "the drift was not known well enough".to_owned())
    } else if failing(Test::Variation) {
        "the rule was not met".to_owned()
    } else if failing(Test::Resolution) {
        "the value was not known well enough".to_owned()
    } else if failing(Test::Turning) {
        "the light was about to turn".to_owned()
    } else {
        "it had not stood still for long enough".to_owned()
    }
}

/// How it drifts: luminance in per cent of its value, or in its unit near black; chromaticity in u′v′; each with what is allowed.
fn drifts(evidence: &Evidence, value: Option<&Estimate>, unit: &str, hold: &str) -> Option<String> {
    let (drift, band) = evidence.luminance_drift.zip(evidence.luminance_band)?;
    let luminance = match value.map(|value| value.y.abs()).filter(|y| band < 0.1 * y) {
        Some(y) => format!(
            "{} per {hold} (allowed: {:.2} %)",
            interval(drift, 100.0 * band / y, " %", 2),
            100.0 * band / y
        ),
        None => format!(
            "{:+.1e} ± {:.1e} {unit} per {hold} (allowed: {band:.1e} {unit})",
            drift.bands_per_hold * band,
            drift.interval * band
        ),
    };
    let colour = evidence.chromaticity_drift.zip(evidence.chromaticity_band).map(|(drift, band)| {
        format!(", chromaticity by {} in u′v′ (allowed: {band:.4})", interval(drift, band, "", 5))
    });
    Some(format!("luminance moves by {luminance}{}", colour.unwrap_or_default()))
}

/// A drift with its interval, in multiples of `unit`.
fn interval(drift: Drift, unit: f64, symbol: &str, digits: usize) -> String {
    format!("{:+.digits$} ± {:.digits$}{symbol}", drift.bands_per_hold * unit, drift.interval * unit)
}

/// A time, in the unit that reads best.
fn seconds(seconds: f64) -> String {
    match seconds {
        short if short < 10.0 => format!("{} s", (short * 10.0).round() / 10.0),
        middling if middling < 120.0 => format!("{middling:.0} s"),
        long => format!("{:.0} min", long / 60.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_settled_sentence_names_drift_interval_and_what_is_allowed() {
        let evidence = Evidence {
            window_s: 59.6,
            luminance_band: Some(0.5),
            luminance_drift: Some(Drift { bands_per_hold: -0.5, interval: 0.1 }),
            chromaticity_band: Some(0.0005),
            chromaticity_drift: Some(Drift { bands_per_hold: 0.2, interval: 0.4 }),
            ..Evidence::default()
        };
        let value = Estimate {
            y: 100.0,
            y_u95: 0.1,
            y_standard: 0.05,
            coverage_factor: 2.0,
            degrees_of_freedom: 60.0,
            chromaticity: None,
            chromaticity_u95: None,
            n_effective: 30.0,
        };
        let words = sentence(Verdict::Settled, &evidence, Some(&value), &Criteria::default(), "cd/m²");
        assert_eq!(
            words,
            "Settled: over the last 60 s luminance moves by -0.25 ± 0.05 % per 60 s (allowed: 0.50 %), chromaticity by +0.00010 ± 0.00020 in u′v′ (allowed: 0.0005)."
        );
    }
}
