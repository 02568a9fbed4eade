//! What a run found of each quantity, in words: which of them can't be told, or left its band, and why.

use settled_protocol::quantity::Photometric;
use settled_protocol::run::{Banded, Finding, FoundBy, Run, RunKind, RunVerdict};

use super::bands;
use super::verdict::{Doubt, UNSEEN};
use crate::drift::words::{signed, with_interval};

/// What was found, a clause for each quantity, and what made it hard to tell; nothing where nothing was found.
pub(super) fn clauses(run: &Run, doubts: &[Doubt]) -> Option<String> {
    let mut clauses: Vec<String> = run.findings.iter().map(|finding| clause(run, finding)).collect();
    if !clauses.is_empty() && run.findings.iter().all(|finding| finding.off.is_none()) {
        clauses = vec!["there are too few points".to_owned()];
    }
    if run.plan.kind == RunKind::Stability && run.verdict == Some(RunVerdict::Undecided) {
        let unseen = run.gap_s / run.elapsed_s.max(run.gap_s).max(1e-9);
        if unseen > UNSEEN {
            clauses.push(format!("nothing was seen for {:.0} % of its time", 100.0 * unseen));
        }
    }
    if run.verdict == Some(RunVerdict::Undecided) {
        clauses.extend(doubts.iter().map(|doubt| why(run, *doubt)));
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
        return format!("there are too few points of {name}");
    };
    let off = || {
        let off = scale.off(off, half);
        match finding.found_by {
            Some(FoundBy::Line) => format!("{name} went by {off} by the line through it"),
            Some(FoundBy::Eighths) => format!("{name} went by {off} from the run's first eighth to its last"),
            Some(FoundBy::Beginning) => {
                format!("{name} went by {off} from where it began to the run's last eighth")
            }
            Some(FoundBy::Reference) if run.plan.kind == RunKind::Drift => {
                format!("{name} went by {off} from the first point to the run's last eighth")
            }
            Some(FoundBy::Reference | FoundBy::Unknown) | None => format!("{name} was off by up to {off}"),
        }
    };
    match finding.verdict {
        RunVerdict::Within => format!("{name} stayed within {band}"),
        RunVerdict::Beyond => format!("{}, beyond {band}", off()),
        _ if reaches_over(finding) => format!("{}, which may be within {band} or beyond", off()),
        _ => format!("{name} was within {band} while it was seen"),
    }
}

/// Whether the edge of the band is in the interval.
fn reaches_over(finding: &Finding) -> bool {
    finding.off.zip(finding.half).is_some_and(|(off, half)| off.abs() + half > finding.band)
}

/// Why something can't be told, and what would tell more.
fn why(run: &Run, doubt: Doubt) -> String {
    let help = match (doubt, run.plan.burst.unwrap_or(1) > 1, run.plan.kind) {
        (Doubt::Course, ..) => {
            return "the light keeps to no line: a run that begins once it has settled, or a longer one, tells more".to_owned();
        }
        (Doubt::Noise, false, _) => {
            "single readings is too much for that: a burst of some readings a point (--burst 10)"
        }
        (Doubt::Noise, true, RunKind::Stability) => {
            "a point is too much for that: a larger burst, or a longer exposure,"
        }
        (Doubt::Noise, true, _) => "a point is too much for that: a larger burst, or a longer run,",
    };
    format!("the noise of {help} tells more")
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
        let per_cent = run.reference.and_then(|from| bands::per_cent(from.value, finding.band));
        match (finding.of, per_cent) {
            (Banded::Luminance, Some(scale)) => Self::Share(scale),
            (Banded::Luminance, None) => Self::Light(unit),
            _ => Self::Colour,
        }
    }

    fn band(&self, band: f64) -> String {
        match self {
            Self::Share(scale) => bands::share(scale * band),
            Self::Light(unit) => bands::in_unit(band, unit),
            Self::Colour => bands::colour(band),
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

#[cfg(test)]
mod tests {
    use serde_json::{Value, json};

    use super::*;

    fn told(kind: &str, verdict: &str, changes: Value, findings: Value) -> String {
        told_with(&[], kind, verdict, changes, findings)
    }

    fn told_with(doubts: &[Doubt], kind: &str, verdict: &str, changes: Value, findings: Value) -> String {
        let mut members = json!({
            "run": 1, "plan": {"meter": "bench", "kind": kind}, "state": "done", "created": "2026-11-27T17:00:00Z",
            "begins": "2026-11-27T17:00:00Z", "elapsed_s": 30.0, "points": 137, "readings": 137, "missed": 0, "gaps": 0, "gap_s": 0.0,
            "quantity": "luminance", "reference": {"at": "2026-11-27T17:00:02Z", "value": 200.0, "count": 1}, "alerts": 0, "flags": [],
            "verdict": verdict, "message": "", "findings": findings,
        });
        let Value::Object(changes) = changes else { panic!("an object") };
        members.as_object_mut().unwrap().extend(changes);
        clauses(&serde_json::from_value(members).unwrap(), doubts).unwrap_or_default()
    }

    #[test]
    fn what_can_not_be_told_is_named_with_the_reason_and_what_would_help() {
        let findings = json!([
            {"of": "luminance", "verdict": "undecided", "band": 1.0, "off": 1.2, "half": 0.8},
            {"of": "chromaticity", "verdict": "within", "band": 0.0005, "off": 0.0001, "half": 0.0002},
        ]);
        assert_eq!(
            told_with(&[Doubt::Noise], "stability", "undecided", json!({}), findings.clone()),
            "luminance was off by up to +0.60 ± 0.40 %, which may be within ±0.5 % or beyond; colour stayed within 0.0005 in u′v′; \
             the noise of single readings is too much for that: a burst of some readings a point (--burst 10) tells more"
        );
        let bursts = json!({"plan": {"meter": "bench", "kind": "stability", "burst": 10}});
        assert!(
            told_with(&[Doubt::Noise], "stability", "undecided", bursts, findings)
                .ends_with("a larger burst, or a longer exposure, tells more")
        );
        let near = json!([{"of": "chromaticity", "verdict": "undecided", "band": 0.0005, "off": 0.00045, "half": 0.0001, "found_by": "line"}]);
        assert_eq!(
            told("drift", "undecided", json!({}), near),
            "colour went by 0.00045 ± 0.00010 in u′v′ by the line through it, which may be within 0.0005 in u′v′ or beyond"
        );
    }

    #[test]
    fn that_points_are_too_few_is_said_once() {
        let few = |of: &str| json!({"of": of, "verdict": "undecided", "band": 1.0});
        for kind in ["drift", "stability"] {
            let both = json!([few("luminance"), few("chromaticity")]);
            assert_eq!(told(kind, "undecided", json!({}), both), "there are too few points");
        }
        let seen = json!({"of": "luminance", "verdict": "within", "band": 1.0, "off": 0.1, "half": 0.1});
        assert_eq!(
            told("drift", "undecided", json!({}), json!([seen, few("chromaticity")])),
            "luminance stayed within ±0.5 %; there are too few points of colour"
        );
    }

    #[test]
    fn light_that_keeps_to_no_line_is_not_called_noisy() {
        let findings = json!([{"of": "luminance", "verdict": "undecided", "band": 18.0, "off": 8.64, "half": 244.0, "found_by": "line"}]);
        assert_eq!(
            told_with(&[Doubt::Course], "drift", "undecided", json!({}), findings),
            "luminance went by +4.32 ± 122 % by the line through it, which may be within ±9 % or beyond; the light keeps to no line: a run \
             that begins once it has settled, or a longer one, tells more"
        );
    }

    #[test]
    fn how_far_light_went_is_told_as_it_was_found() {
        for (kind, found_by, expected) in [
            ("drift", "line", "luminance went by +4.59 ± 0.12 % by the line through it, beyond ±4 %"),
            (
                "drift",
                "eighths",
                "luminance went by +4.59 ± 0.12 % from the run's first eighth to its last, beyond ±4 %",
            ),
            (
                "stability",
                "beginning",
                "luminance went by +4.59 ± 0.12 % from where it began to the run's last eighth, beyond ±4 %",
            ),
            ("stability", "reference", "luminance was off by up to +4.59 ± 0.12 %, beyond ±4 %"),
            ("stability", "of_a_later_version", "luminance was off by up to +4.59 ± 0.12 %, beyond ±4 %"),
        ] {
            let findings = json!([
                {"of": "luminance", "verdict": "beyond", "band": 8.0, "off": 9.18, "half": 0.24, "found_by": found_by},
            ]);
            assert_eq!(told(kind, "beyond", json!({}), findings), expected);
        }
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
        let black = json!([{"of": "luminance", "verdict": "beyond", "band": 0.0005, "off": 0.02, "half": 0.003, "found_by": "line"}]);
        let dark = json!({"reference": {"at": "2026-11-27T17:00:02Z", "value": 0.0, "count": 1}});
        assert_eq!(
            told("drift", "beyond", dark, black),
            "luminance went by +0.0200 ± 0.0030 cd/m² by the line through it, beyond ±0.0005 cd/m²"
        );
    }

    #[test]
    fn a_run_of_an_earlier_daemon_has_no_findings_and_is_told_without_them() {
        assert_eq!(told("drift", "within", json!({}), json!([])), "");
    }
}
