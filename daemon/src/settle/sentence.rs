//! A verdict in one plain sentence.

use settled_protocol::rule::{Compared, Rule};
use settled_protocol::settling::{Criteria, Drift, Estimate, Evidence, Test, Verdict, Who};

use super::digits::{in_units, significant};

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
        Some(compared) => published(verdict, evidence, compared, criteria, unit),
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
    let noise = evidence
        .noise
        .map_or_else(String::new, |noise| format!(" of {} {unit} a reading", significant(noise, 2)));
    let known = value.map_or_else(String::new, |value| {
        format!("; the value is known to ±{} {unit}", significant(value.y_u95, 2))
    });
    let longest = longest_window(criteria.hold_s);
    let help = longer_integration(evidence, value, longest).map_or_else(
        || "a longer integration time".to_owned(),
        |factor| format!("integrating {} times as long", significant(factor, 2)),
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
fn published(
    verdict: Verdict,
    evidence: &Evidence,
    compared: &Compared,
    criteria: &Criteria,
    unit: &str,
) -> String {
    let rule = evidence.rule;
    let title = rule.title();
    let varies = compared.variation.map(|variation| varies(rule, compared, variation, unit));
    let ruling = match (verdict, varies) {
        (Verdict::Settled, varies) => format!("Settled by {title}: {}.", varies.unwrap_or_default()),
        (Verdict::Lost, varies) => {
            let why = varies.unwrap_or_else(|| format!("it {}", asks_for(rule, compared)));
            format!("Lost: no longer settled by {title}: {why}.")
        }
        (_, varies) => {
            let why = varies.map_or_else(
                || format!("{title} {}", asks_for(rule, compared)),
                |varies| format!("by {title}, {varies}"),
            );
            format!("Timed out after {}: {why}.", seconds(criteria.max_wait_s))
        }
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
    let cold = match verdict {
        Verdict::Settled | Verdict::Lost => "",
        _ if evidence.failing.contains(&Test::MeterWarmUp) => " The meter was still in its own warm-up.",
        _ => "",
    };
    ruling + cold + &beside
}

/// How much the readings that a rule compares vary, and what it allows.
fn varies(rule: Rule, compared: &Compared, variation: f64, unit: &str) -> String {
    let measure = |value: f64| {
        let (value, unit) = if rule.is_relative() { (100.0 * value, "%") } else { (value, unit) };
        format!("{} {unit}", significant(value, 3))
    };
    let too_early = rule == Rule::CieS025 && !compared.met && variation < compared.allowed;
    format!(
        "{} readings over {} vary by {} (less than {} is asked for{})",
        compared.n,
        seconds(compared.over_s),
        measure(variation),
        measure(compared.allowed),
        if too_early { ", after 30 min of operation" } else { "" }
    )
}

/// What a rule asks for that there isn't yet, and what there is.
fn asks_for(rule: Rule, compared: &Compared) -> String {
    let (what, least_s) = match rule {
        Rule::IesLm79 => ("three readings 15 min apart", 1800.0),
        Rule::CieS025 => ("readings over 15 min, after 30 min of operation", 900.0),
        Rule::QuickLook => ("readings over 30 s", 30.0),
        Rule::Trend => ("readings", f64::INFINITY),
    };
    let there = match compared.n {
        _ if compared.over_s >= least_s => "there is no light that they could be a share of".to_owned(),
        0 => "there are none so far".to_owned(),
        1 => "there is 1 so far".to_owned(),
        n => format!("there are {n} over {} so far", seconds(compared.over_s)),
    };
    format!("asks for {what}; {there}")
}

/// Whether it is the display that moves, or the meter, where that was asked and anything still moves.
fn moved_by(verdict: Verdict, evidence: &Evidence, hold: &str) -> String {
    let Some(moves) = evidence.moves.filter(|_| verdict != Verdict::Settled) else { return String::new() };
    let zero =
        moves.zero_drift.map(|drift| format!("its zero moves by {} bands per {hold}", in_units(drift, 1.0)));
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
        "the light was swinging, jumping between levels, or about to turn".to_owned()
    } else {
        "it had not stood still for long enough".to_owned()
    }
}

/// How it drifts: luminance in per cent of its value, or in its unit near black; chromaticity in u′v′; each with what is allowed.
fn drifts(evidence: &Evidence, value: Option<&Estimate>, unit: &str, hold: &str) -> Option<String> {
    let (drift, band) = evidence.luminance_drift.zip(evidence.luminance_band)?;
    let luminance = match value.map(|value| value.y.abs()).filter(|y| band < 0.1 * y) {
        Some(y) => {
            let percent = 100.0 * band / y;
            format!("{} % per {hold} (allowed: {} %)", in_units(drift, percent), significant(percent, 2))
        }
        None => {
            format!("{} {unit} per {hold} (allowed: {} {unit})", in_units(drift, band), significant(band, 2))
        }
    };
    let colour = evidence.chromaticity_drift.zip(evidence.chromaticity_band).map(|(drift, band)| {
        format!(", chromaticity by {} in u′v′ (allowed: {})", in_units(drift, band), significant(band, 2))
    });
    Some(format!("luminance moves by {luminance}{}", colour.unwrap_or_default()))
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

    fn known_to(y_u95: f64) -> Estimate {
        Estimate {
            y: 100.0,
            y_u95,
            y_standard: 0.5 * y_u95,
            coverage_factor: 2.0,
            degrees_of_freedom: 60.0,
            chromaticity: None,
            chromaticity_u95: None,
            n_effective: 30.0,
        }
    }

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
        let value = known_to(0.1);
        let words = sentence(Verdict::Settled, &evidence, Some(&value), &Criteria::default(), "cd/m²");
        assert_eq!(
            words,
            "Settled: over the last 60 s luminance moves by -0.25 ± 0.05 % per 60 s (allowed: 0.50 %), chromaticity by +0.00010 ± 0.00020 in u′v′ (allowed: 0.00050)."
        );
    }

    #[test]
    fn narrow_bands_are_never_said_to_be_nothing() {
        let drift = Some(Drift { bands_per_hold: 0.1, interval: 0.4 });
        let value = known_to(0.000_1);
        let evidence = Evidence {
            window_s: 60.0,
            noise: Some(60.6),
            luminance_band: Some(0.001),
            luminance_drift: drift,
            chromaticity_band: Some(0.000_05),
            chromaticity_drift: drift,
            ..Evidence::default()
        };
        let words = |verdict| sentence(verdict, &evidence, Some(&value), &Criteria::default(), "cd/m²");
        let settled = words(Verdict::Settled);
        assert!(
            settled.contains("(allowed: 0.0010 %)") && settled.contains("(allowed: 5.0e-5)"),
            "{settled}"
        );
        let noisy = words(Verdict::NoiseLimited);
        assert!(noisy.contains("noise of 61 cd/m² a reading") && noisy.contains("±0.00010 cd/m²"), "{noisy}");
    }

    fn ruled(rule: Rule, n: usize, over_s: f64, variation: Option<f64>, failing: &[Test]) -> String {
        let compared = Compared { n, over_s, variation, allowed: 0.005, ..Compared::default() };
        let (compared, failing) = (Some(compared), failing.to_vec());
        let evidence = Evidence { rule, compared, failing, ..Evidence::default() };
        sentence(Verdict::TimedOut, &evidence, None, &Criteria::default(), "cd/m²")
    }

    #[test]
    fn a_rule_that_has_too_few_readings_says_what_it_asks_for() {
        for (rule, n, over_s, expected) in [
            (Rule::IesLm79, 1, 0.0, "IES LM-79 asks for three readings 15 min apart; there is 1 so far."),
            (Rule::IesLm79, 2, 905.0, "three readings 15 min apart; there are 2 over 15 min so far."),
            (Rule::IesLm79, 3, 1810.0, "there is no light that they could be a share of."),
            (
                Rule::CieS025,
                0,
                0.0,
                "readings over 15 min, after 30 min of operation; there are none so far.",
            ),
            (
                Rule::QuickLook,
                9,
                8.0,
                "a quick look asks for readings over 30 s; there are 9 over 8 s so far.",
            ),
        ] {
            let words = ruled(rule, n, over_s, None, &[Test::Variation]);
            assert!(words.contains(expected), "{words}");
        }
    }

    #[test]
    fn a_rule_that_was_kept_waiting_says_by_what() {
        let words = ruled(Rule::CieS025, 900, 900.0, Some(0.001), &[Test::Variation]);
        assert!(
            words.contains("by 0.100 % (less than 0.500 % is asked for, after 30 min of operation)"),
            "{words}"
        );
        let words = ruled(Rule::IesLm79, 3, 1800.0, Some(0.001), &[Test::MeterWarmUp]);
        assert!(words.contains("The meter was still in its own warm-up."), "{words}");
    }
}
