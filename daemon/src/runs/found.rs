//! What a run found of each quantity, in words: which of them can't be told, or left its band, and why.

use settled_protocol::quantity::Photometric;
use settled_protocol::run::{Banded, Finding, Run, RunKind, RunVerdict};

use super::verdict::UNSEEN;
use crate::drift::words::{signed, with_interval};

/// A half of an interval that is more of the band than this is what the readings' noise makes: none would be told from the band's edge.
const NOISY: f64 = 0.5;

/// What was found, a clause for each quantity; nothing where nothing was.
pub(super) fn clauses(run: &Run) -> Option<String> {
    let mut clauses: Vec<String> = run.findings.iter().map(|finding| clause(run, finding)).collect();
    if run.plan.kind == RunKind::Stability && run.verdict == Some(RunVerdict::Undecided) {
        let unseen = run.gap_s / run.elapsed_s.max(run.gap_s).max(1e-9);
        if unseen > UNSEEN {
            clauses.push(format!("nothing was seen for {:.0} % of its time", 100.0 * unseen));
        }
    }
    if run.verdict == Some(RunVerdict::Undecided) && run.findings.iter().any(is_noisy) {
        clauses.push(format!("the noise of {} is too much for that: {}", a_point(run), help(run)));
    }
    (!clauses.is_empty()).then(|| clauses.join("; "))
}

fn clause(run: &Run, finding: &Finding) -> String {
    let (name, scale) = (name(run, finding.of), Scale::of(run, finding));
    let band = scale.band(finding.band);
    if finding.verdict == RunVerdict::Undecided && run.verdict == Some(RunVerdict::Beyond) {
        return format!("{name} can't be told");
    }
    let Some((off, half)) = finding.off.zip(finding.half) else {
        return format!("there are too few points to tell how far {name} went");
    };
    let off = |verb: &str| format!("{name} {verb} {}", scale.off(off, half));
    let verb = if run.plan.kind == RunKind::Drift { "went by" } else { "was off by up to" };
    match finding.verdict {
        RunVerdict::Within => format!("{name} stayed within {band}"),
        RunVerdict::Beyond => format!("{}, beyond {band}", off(verb)),
        _ if reaches_over(finding) => format!("{}, which may be within {band} or beyond", off(verb)),
        _ => format!("{name} was within {band} while it was seen"),
    }
}

/// Whether the edge of the band is in the interval.
fn reaches_over(finding: &Finding) -> bool {
    finding.off.zip(finding.half).is_some_and(|(off, half)| off.abs() + half > finding.band)
}

/// Whether it is for noise that it can't be told.
fn is_noisy(finding: &Finding) -> bool {
    let is_wide = finding.half.is_some_and(|half| half > NOISY * finding.band);
    finding.verdict == RunVerdict::Undecided && is_wide && reaches_over(finding)
}

fn a_point(run: &Run) -> &'static str {
    if run.plan.burst.unwrap_or(1) > 1 { "a point" } else { "single readings" }
}

/// What would tell more.
fn help(run: &Run) -> &'static str {
    match (run.plan.burst.unwrap_or(1) > 1, run.plan.kind) {
        (false, _) => "a burst of some readings a point (--burst 10) tells more",
        (true, RunKind::Stability) => "a larger burst, or a longer exposure, tells more",
        (true, _) => "a larger burst, or a longer run, tells more",
    }
}

fn name(run: &Run, of: Banded) -> &'static str {
    match (of, run.quantity) {
        (Banded::Luminance, Some(Photometric::Illuminance)) => "illuminance",
        (Banded::Luminance, _) => "luminance",
        (Banded::Chromaticity, _) => "colour",
        (Banded::Unknown, _) => "something else",
    }
}

/// What distances are told in.
enum Scale {
    /// Per cent of the reference.
    Share(f64),
    /// The light's own unit, near black.
    Light(&'static str),
    /// u′v′.
    Colour,
}

impl Scale {
    fn of(run: &Run, finding: &Finding) -> Self {
        let unit = run.quantity.unwrap_or(Photometric::Luminance).unit();
        match (finding.of, &run.reference) {
            (Banded::Luminance, Some(from)) if from.value > finding.band => Self::Share(100.0 / from.value),
            (Banded::Luminance, _) => Self::Light(unit),
            _ => Self::Colour,
        }
    }

    fn band(&self, band: f64) -> String {
        match self {
            Self::Share(scale) => format!("±{} %", rounded(scale * band)),
            Self::Light(unit) => format!("±{} {unit}", rounded(band)),
            Self::Colour => format!("{} in u′v′", rounded(band)),
        }
    }

    fn off(&self, off: f64, half: f64) -> String {
        match self {
            Self::Share(scale) => format!("{} %", signed(scale * off, scale * half)),
            Self::Light(unit) => format!("{} {unit}", signed(off, half)),
            Self::Colour => format!("{} in u′v′", with_interval(off, half)),
        }
    }
}

/// A number without what binary fractions leave behind, in three digits.
fn rounded(value: f64) -> f64 {
    format!("{value:.2e}").parse().unwrap_or(value)
}

#[cfg(test)]
mod tests {
    use serde_json::{Value, json};

    use super::*;

    fn told(kind: &str, verdict: &str, changes: Value, findings: Value) -> String {
        let mut members = json!({
            "run": 1, "plan": {"meter": "bench", "kind": kind}, "state": "done", "created": "2026-11-27T17:00:00Z",
            "begins": "2026-11-27T17:00:00Z", "elapsed_s": 30.0, "points": 137, "readings": 137, "missed": 0, "gaps": 0, "gap_s": 0.0,
            "quantity": "luminance", "reference": {"at": "2026-11-27T17:00:02Z", "value": 200.0, "count": 1}, "alerts": 0, "flags": [],
            "verdict": verdict, "message": "", "findings": findings,
        });
        let Value::Object(changes) = changes else { panic!("an object") };
        members.as_object_mut().unwrap().extend(changes);
        clauses(&serde_json::from_value(members).unwrap()).unwrap_or_default()
    }

    #[test]
    fn what_can_not_be_told_is_named_with_the_reason_and_what_would_help() {
        let findings = json!([
            {"of": "luminance", "verdict": "undecided", "band": 1.0, "off": 1.2, "half": 0.8},
            {"of": "chromaticity", "verdict": "within", "band": 0.0005, "off": 0.0001, "half": 0.0002},
        ]);
        assert_eq!(
            told("stability", "undecided", json!({}), findings.clone()),
            "luminance was off by up to +0.60 ± 0.40 %, which may be within ±0.5 % or beyond; colour stayed within 0.0005 in u′v′; \
             the noise of single readings is too much for that: a burst of some readings a point (--burst 10) tells more"
        );
        let bursts = json!({"plan": {"meter": "bench", "kind": "stability", "burst": 10}});
        assert!(
            told("stability", "undecided", bursts, findings)
                .ends_with("a larger burst, or a longer exposure, tells more")
        );
        let few = json!([{"of": "luminance", "verdict": "undecided", "band": 1.0}]);
        assert_eq!(
            told("drift", "undecided", json!({}), few),
            "there are too few points to tell how far luminance went"
        );
        let near = json!([{"of": "chromaticity", "verdict": "undecided", "band": 0.0005, "off": 0.00045, "half": 0.0001}]);
        assert_eq!(
            told("drift", "undecided", json!({}), near),
            "colour went by 0.00045 ± 0.00010 in u′v′, which may be within 0.0005 in u′v′ or beyond"
        );
    }

    #[test]
    fn light_that_nobody_saw_is_the_reason_where_it_is() {
        let findings =
            json!([{"of": "luminance", "verdict": "undecided", "band": 1.0, "off": 0.2, "half": 0.1}]);
        assert_eq!(
            told("stability", "undecided", json!({"gap_s": 12.0}), findings),
            "luminance was within ±0.5 % while it was seen; nothing was seen for 40 % of its time"
        );
    }

    #[test]
    fn what_left_its_band_is_named_with_how_far() {
        let findings = json!([
            {"of": "luminance", "verdict": "beyond", "band": 1.0, "off": -2.1, "half": 0.3},
            {"of": "chromaticity", "verdict": "undecided", "band": 0.0005},
        ]);
        assert_eq!(
            told("stability", "beyond", json!({"quantity": "illuminance"}), findings),
            "illuminance was off by up to -1.05 ± 0.15 %, beyond ±0.5 %; colour can't be told"
        );
        let black =
            json!([{"of": "luminance", "verdict": "beyond", "band": 0.0005, "off": 0.02, "half": 0.003}]);
        let dark = json!({"reference": {"at": "2026-11-27T17:00:02Z", "value": 0.0, "count": 1}});
        assert_eq!(
            told("drift", "beyond", dark, black),
            "luminance went by +0.0200 ± 0.0030 cd/m², beyond ±0.0005 cd/m²"
        );
    }

    #[test]
    fn a_run_of_an_earlier_daemon_has_no_findings_and_is_told_without_them() {
        assert_eq!(told("drift", "within", json!({}), json!([])), "");
    }
}
