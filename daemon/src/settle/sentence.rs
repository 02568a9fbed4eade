//! A verdict in one plain sentence.

use settled_protocol::settling::{Criteria, Drift, Estimate, Evidence, Test, Verdict};

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
    match verdict {
        Verdict::Settled => {
            let colour = evidence.chromaticity_drift.map_or_else(
                || " (there was no chromaticity to judge)".to_owned(),
                |drift| format!(" and chromaticity {} of its own", share(drift)),
            );
            let drift = evidence.luminance_drift.map_or_else(String::new, share);
            format!(
                "Settled: over the last {} luminance moved {drift} of its band per {hold} hold{colour}.",
                seconds(evidence.window_s)
            )
        }
        Verdict::Lost => "Lost: it was settled, and has left its band since.".to_owned(),
        Verdict::NoiseLimited => {
            let noise =
                evidence.noise.map_or_else(String::new, |noise| format!(" of {noise:.2e} {unit} a reading"));
            let known = value.map_or_else(String::new, |value| {
                format!("; the value is known to ±{:.2e} {unit}", value.y_u95)
            });
            format!(
                "Noise limited: no drift to be seen, but noise{noise} hides whether it stays within its band{known}. A longer integration time or a wider band would help."
            )
        }
        Verdict::WontSettle => format!(
            "Won't settle within {}: {}.",
            seconds(criteria.max_wait_s),
            drifts(evidence, &hold).unwrap_or_else(|| "it still drifts".to_owned())
        ),
        Verdict::TimedOut => {
            format!("Timed out after {}: {}.", seconds(criteria.max_wait_s), obstacle(evidence, &hold))
        }
    }
}

/// What stands in the way.
fn obstacle(evidence: &Evidence, hold: &str) -> String {
    let failing = |test| evidence.failing.contains(&test);
    if failing(Test::TooFew) {
        "there were too few readings to judge".to_owned()
    } else if failing(Test::MeterWarmUp) {
        "the meter was still in its own warm-up".to_owned()
    } else if failing(Test::LuminanceDrift) || failing(Test::ChromaticityDrift) {
        drifts(evidence, hold).unwrap_or_else(|| "the drift was not known well enough".to_owned())
    } else if failing(Test::Resolution) {
        "the value was not known well enough".to_owned()
    } else if failing(Test::Turning) {
        "the light was about to turn".to_owned()
    } else {
        "it had not stood still for long enough".to_owned()
    }
}

/// How it drifts.
fn drifts(evidence: &Evidence, hold: &str) -> Option<String> {
    let luminance = evidence.luminance_drift?;
    let words = format!("luminance moves {} of its band per {hold} hold", share(luminance));
    Some(match evidence.chromaticity_drift {
        Some(colour) => format!("{words}, chromaticity {} of its own", share(colour)),
        None => words,
    })
}

/// A drift in bands, with its interval.
fn share(drift: Drift) -> String {
    format!("{:+.2} ± {:.2}", drift.bands_per_hold, drift.interval)
}

fn seconds(seconds: f64) -> String {
    if seconds < 120.0 {
        format!("{seconds:.3} s").replace(".000 s", " s").replacen(
            "00 s",
            " s",
            usize::from(seconds.fract() != 0.0),
        )
    } else {
        format!("{:.0} min", seconds / 60.0)
    }
}
