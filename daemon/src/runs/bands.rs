//! The bands that a run's light is held against, in words: as wide as the verdict has them, which near black is wider than asked for.

use settled_protocol::quantity::Photometric;
use settled_protocol::run::{Run, RunKind};

/// What a run's light is held against.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Bands {
    /// Of luminance, or illuminance: `±0.5 %` of the reference, or in its unit near black.
    pub luminance: String,
    /// Of chromaticity: `0.0005 in u′v′`. Absent where the light has none.
    pub chromaticity: Option<String>,
    /// Whether there is no reference yet: near black they will be wider.
    pub may_widen: bool,
}

impl Bands {
    /// Those of a run; a warm-up has none.
    #[must_use]
    pub fn of(run: &Run) -> Option<Self> {
        let criteria = &run.plan.criteria;
        if run.plan.kind == RunKind::WarmUp {
            return None;
        }
        let Some(reference) = &run.reference else {
            return Some(Self {
                luminance: share(100.0 * criteria.luminance),
                chromaticity: Some(colour(criteria.chromaticity)),
                may_widen: true,
            });
        };
        let band = criteria.luminance_band(reference.value);
        let unit = run.quantity.unwrap_or(Photometric::Luminance).unit();
        Some(Self {
            luminance: match per_cent(reference.value, band) {
                Some(scale) => share(scale * band),
                None => in_unit(band, unit),
            },
            chromaticity: reference.chromaticity.map(|_| colour(criteria.chromaticity_band(reference.value))),
            may_widen: false,
        })
    }
}

/// What makes distances per cent of the light that a band is about; nothing where the light is no more than the band.
pub(super) fn per_cent(light: f64, band: f64) -> Option<f64> {
    (light > band).then(|| 100.0 / light)
}

/// A band in per cent of the light.
pub(super) fn share(percent: f64) -> String {
    format!("±{} %", rounded(percent))
}

/// A band in the light's own unit.
pub(super) fn in_unit(band: f64, unit: &str) -> String {
    format!("±{} {unit}", rounded(band))
}

/// A band in u′v′.
pub(super) fn colour(band: f64) -> String {
    format!("{} in u′v′", rounded(band))
}

/// A number without what binary fractions leave behind, in three digits.
fn rounded(value: f64) -> f64 {
    format!("{value:.2e}").parse().unwrap_or(value)
}

#[cfg(test)]
mod tests {
    use serde_json::{Value, json};

    use super::*;

    fn bands(reference: Value) -> Bands {
        let run = json!({
            "run": 1, "plan": {"meter": "bench", "kind": "stability"}, "state": "done", "created": "2026-11-27T17:00:00Z",
            "begins": "2026-11-27T17:00:00Z", "elapsed_s": 30.0, "points": 2, "readings": 2, "missed": 0, "gaps": 0, "gap_s": 0.0,
            "quantity": "luminance", "reference": reference, "alerts": 0, "flags": [], "message": "",
        });
        Bands::of(&serde_json::from_value(run).unwrap()).unwrap()
    }

    fn at(value: f64) -> Value {
        let colour =
            json!({"x": 0.3127, "y": 0.329, "u_prime": 0.1978300066428368, "v_prime": 0.468319994938791});
        json!({"at": "2026-11-27T17:00:02Z", "value": value, "count": 1, "chromaticity": colour})
    }

    #[test]
    fn near_black_bands_are_told_as_wide_as_they_are() {
        for (value, expected) in [
            (200.0, ["±0.5 %", "0.0005 in u′v′"]),
            (0.199, ["±0.5 %", "0.00251 in u′v′"]),
            (0.05, ["±1 %", "0.01 in u′v′"]),
            (0.0002, ["±0.0005 cd/m²", "2.5 in u′v′"]),
        ] {
            let told = bands(at(value));
            assert_eq!([told.luminance, told.chromaticity.unwrap()], expected, "{value}");
            assert!(!told.may_widen);
        }
    }

    #[test]
    fn no_band_is_told_of_a_colour_that_is_not_there_and_without_a_reference_those_asked_for() {
        let grey = json!({"at": "2026-11-27T17:00:02Z", "value": 200.0, "count": 1});
        assert_eq!(bands(grey).chromaticity, None);
        let none = bands(Value::Null);
        assert_eq!((none.luminance.as_str(), none.may_widen), ("±0.5 %", true));
        assert_eq!(none.chromaticity.as_deref(), Some("0.0005 in u′v′"));
    }
}
