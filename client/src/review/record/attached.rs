//! The meter as it was when a review began: what the daemon told of it.

use serde::{Deserialize, Serialize};
use settled_protocol::colorimetry::observer::Observer;
use settled_protocol::correction::InForce;
use settled_protocol::meter::{Meter, WarmUp, Zero};

use crate::show;

/// What was known of the meter, and of the programs, as a review began. What isn't known is absent.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Attached {
    /// The instrument's model.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub model: Option<String>,
    /// The driver that speaks to it.
    pub driver: String,
    /// The correction in force; none was if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub correction: Option<InForce>,
    /// How it stood with its zero; absent where it has none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zero: Option<Zero>,
    /// How far its own warm-up was; absent where it needs none, or nobody knows.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub warm_up: Option<WarmUp>,
    /// By whose eye its spectra are summed up, where it gives spectra and that isn't CIE 1931, 2°.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub observer: Option<Observer>,
    /// The bandwidth in nm that the sums over its spectra are corrected for, where they are.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bandwidth_nm: Option<f64>,
    /// The version of settled.
    pub settled: String,
    /// The version of settle.
    pub settle: String,
}

impl Attached {
    /// Of what a daemon of this version tells of the meter.
    #[must_use]
    pub fn of(meter: &Meter, settled: &str) -> Self {
        Self {
            model: meter.instrument.as_ref().map(|instrument| instrument.model.clone()),
            driver: meter.driver.clone(),
            correction: meter.correction.clone(),
            zero: meter.zero.clone(),
            warm_up: meter.warm_up,
            observer: meter.observer,
            bandwidth_nm: meter.bandwidth_nm,
            settled: settled.to_owned(),
            settle: env!("CARGO_PKG_VERSION").to_owned(),
        }
    }

    /// The correction that readings went through, in words: `c1 "field monitor 4", for field monitor 4, in force since …`, or `none`.
    #[must_use]
    pub fn correction_words(&self) -> String {
        let Some(InForce { id, name, display, since, applied, .. }) = &self.correction else {
            return "none".to_owned();
        };
        let display =
            display.as_ref().map_or_else(String::new, |display| format!(", for {}", display.as_str()));
        let applied = if *applied { "" } else { ", but not applied: it is another meter's" };
        format!("{id} \"{}\"{display}, in force since {}{applied}", name.as_str(), show::moment(*since))
    }

    /// When it was last zeroed, and whether it should have been, in words; nothing where it has no zero.
    #[must_use]
    pub fn zero_words(&self) -> Option<String> {
        let Zero { at, needed, why, .. } = self.zero.as_ref()?;
        let done = at.map_or_else(|| "not known when".to_owned(), show::moment);
        let why = why.as_ref().map_or_else(String::new, |why| format!(": {why}"));
        Some(if *needed { format!("{done}; it was due as the review began{why}") } else { done })
    }

    /// How far its own warm-up was, in words; nothing where it needs none, or nobody knows.
    #[must_use]
    pub fn warm_up_words(&self) -> Option<String> {
        let WarmUp { needed_s, elapsed_s } = self.warm_up?;
        let (needed, elapsed) = (show::span(needed_s), show::span(elapsed_s));
        Some(if elapsed_s >= needed_s {
            format!("done as the review began: open for {elapsed}, {needed} needed")
        } else {
            format!("not done as the review began: open for {elapsed}, {needed} needed")
        })
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn of(more: &serde_json::Value) -> Attached {
        let mut told =
            json!({ "id": "m", "driver": "profile", "simulated": false, "state": "ready", "faults": 0 });
        told.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        Attached::of(&serde_json::from_value(told).unwrap(), "1.2.3")
    }

    #[test]
    fn what_the_daemon_does_not_tell_is_absent_and_told_by_nobody() {
        let bare = of(&json!({}));
        assert_eq!(
            (bare.correction_words().as_str(), bare.zero_words(), bare.warm_up_words()),
            ("none", None, None)
        );
        let written = serde_json::to_value(&bare).unwrap();
        let settle = env!("CARGO_PKG_VERSION");
        assert_eq!(written, json!({ "driver": "profile", "settled": "1.2.3", "settle": settle }));
        assert_eq!(serde_json::from_value::<Attached>(written).unwrap(), bare);
    }

    #[test]
    fn a_correction_a_zero_that_is_due_and_a_warm_up_under_way_are_told() {
        let at = "2026-11-28T01:00:00Z";
        let attached = of(&json!({
            "correction": { "id": "c1", "name": "panel", "display": "monitor 4", "at": at, "since": at, "applied": false, "warnings": [] },
            "zero": { "at": at, "needed": true, "why": "it is 9 h old" },
            "warm_up": { "needed_s": 600.0, "elapsed_s": 60.0 },
        }));
        assert_eq!(
            attached.correction_words(),
            "c1 \"panel\", for monitor 4, in force since 2026-11-28T01:00:00.0Z, but not applied: it is another meter's"
        );
        let zero = "2026-11-28T01:00:00.0Z; it was due as the review began: it is 9 h old";
        assert_eq!(attached.zero_words().as_deref(), Some(zero));
        let warm_up = "not done as the review began: open for 60 s, 10 min needed";
        assert_eq!(attached.warm_up_words().as_deref(), Some(warm_up));
    }
}
