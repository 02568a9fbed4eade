//! What speaks against paired readings: no sane pair of meters gives them on one display. The limits are engineering judgement.

use serde_json::{Value, json};
use settled_protocol::correction::Correction;
use settled_protocol::quantity::Xyz;

use super::patch::Patch;
use super::readings::{Looker, Seen};

/// By how much the meters' luminances of white may differ, in per cent of the reference's: calibrated meters agree within some 5.
const WHITE_PERCENT: f64 = 20.0;

/// How far apart the meters' white may be in u′v′: a colorimeter's filters miss it by some 0.01.
const WHITE_UV: f64 = 0.05;

/// Two colours that are this close in u′v′ to a meter are one. Primaries of any display are beyond 0.1 apart.
const SAME_UV: f64 = 0.005;

/// Two colours that their code values make this close in u′v′ may look alike.
const NEAR_UV: f64 = 0.03;

/// One reason to distrust a correction.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Suspicion {
    /// For scripts.
    pub(super) kind: &'static str,
    /// For people.
    pub(super) words: String,
}

impl Suspicion {
    pub(super) fn object(&self) -> Value {
        json!({ "kind": self.kind, "message": self.words })
    }
}

/// What white says, by how far the meter, uncorrected, is from the reference.
fn of_difference(luminance_percent: f64, duv_prime: f64) -> Vec<Suspicion> {
    let mut found = Vec::new();
    let question = "do both look at the same display, squarely, and nothing else?";
    if luminance_percent.abs() > WHITE_PERCENT {
        let words = format!(
            "the meters' luminances of white differ by {luminance_percent:+.0} % (more than {WHITE_PERCENT} %): {question}"
        );
        found.push(Suspicion { kind: "white_luminance", words });
    }
    if duv_prime > WHITE_UV {
        let words = format!(
            "the meters' chromaticities of white are {duv_prime:.3} apart in u′v′ (more than {WHITE_UV}): {question}"
        );
        found.push(Suspicion { kind: "white_chromaticity", words });
    }
    found
}

/// What white says as it was read. Without a chromaticity there is nothing to say.
pub(super) fn of_white(meter: Xyz, reference: Xyz) -> Vec<Suspicion> {
    let Some((one, other)) = meter.chromaticity().zip(reference.chromaticity()) else { return Vec::new() };
    of_difference(100.0 * (meter.y() / reference.y() - 1.0), one.distance(other))
}

/// What white says of a correction: as the meter saw it, whatever correction was in force.
pub(super) fn of(correction: &Correction) -> Vec<Suspicion> {
    let white = correction.colours.iter().find(|colour| colour.name.as_str() == "white");
    white.map_or_else(Vec::new, |white| of_white(white.meter, white.reference))
}

/// That a colour looks like one before it, to a meter that has seen both, though their code values don't: it was hardly shown.
pub(super) fn alike(
    patch: &Patch,
    lookers: &[&Looker],
    seen: &[Seen],
    before: &[(Patch, Vec<Seen>)],
) -> Option<String> {
    for (other, others) in before.iter().filter(|(other, _)| !patch.is_near(other, NEAR_UV)) {
        for ((looker, now), then) in lookers.iter().zip(seen).zip(others) {
            let (now, then) = now.xyz.chromaticity().zip(then.xyz.chromaticity())?;
            if now.distance(then) <= SAME_UV {
                let (shown, like) = (patch.name.as_str(), other.name.as_str());
                return Some(format!("to {} this looks like {like}: is {shown} shown?", looker.id));
            }
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kinds(meter: [f64; 3], reference: [f64; 3]) -> Vec<&'static str> {
        let [meter, reference] = [meter, reference].map(|values| Xyz::try_from(values).unwrap());
        of_white(meter, reference).iter().map(|suspicion| suspicion.kind).collect()
    }

    #[test]
    fn white_that_two_meters_see_too_differently_is_suspicious() {
        let white = [95.0, 100.0, 109.0];
        assert_eq!(kinds([97.0, 104.0, 105.0], white), [""; 0]);
        assert_eq!(kinds(white.map(|value| 1.21 * value), white), ["white_luminance"]);
        assert_eq!(kinds(white.map(|value| 0.79 * value), white), ["white_luminance"]);
        // Another white: that of an incandescent lamp (CIE illuminant A, CIE 15).
        assert_eq!(kinds([109.85, 100.0, 35.58], white), ["white_chromaticity"]);
        assert_eq!(kinds([291.0, 265.0, 94.0], white), ["white_luminance", "white_chromaticity"]);
    }
}
