//! What is written for scripts: an object a line. Members that aren't known are absent.

use serde::Serialize;
use settled::settle::Change;
use settled_protocol::reading::Flag;
use settled_protocol::settling::{Evidence, Forecast, Verdict};

use super::series::Series;

/// A series, when it has ended.
#[derive(Debug, Serialize)]
pub(super) struct Decision<'a> {
    id: &'a str,
    verdict: &'static str,
    /// The reading that settled it, on the series' own clock.
    #[serde(skip_serializing_if = "Option::is_none")]
    t_settled_s: Option<f64>,
    /// The reading that lost it, where it did not settle again.
    #[serde(skip_serializing_if = "Option::is_none")]
    lost_s: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    value: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    u95: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    u_prime: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    v_prime: Option<f64>,
    #[serde(rename = "u95_uv", skip_serializing_if = "Option::is_none")]
    uv_u95: Option<f64>,
    window_s: f64,
    n: usize,
    #[serde(skip_serializing_if = "Option::is_none")]
    correction: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    observer: Option<&'a str>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    flags: Vec<Flag>,
    evidence: Evidence,
}

impl<'a> Decision<'a> {
    pub(super) fn of(series: &'a Series) -> Self {
        let ending = series.ending();
        let colour = ending.value.and_then(|value| value.chromaticity);
        Self {
            id: &series.id,
            verdict: ending.verdict.name(),
            t_settled_s: ending.t_settled_s,
            lost_s: series.lost_s,
            value: ending.value.map(|value| value.y),
            u95: ending.value.map(|value| value.y_u95),
            u_prime: colour.map(|colour| colour.u_prime()),
            v_prime: colour.map(|colour| colour.v_prime()),
            uv_u95: ending.value.and_then(|value| value.chromaticity_u95),
            window_s: ending.evidence.window_s,
            n: ending.evidence.n,
            correction: series.correction.as_deref(),
            observer: series.observer.as_deref(),
            flags: series.cautions.flags(),
            evidence: ending.evidence,
        }
    }
}

/// A change of verdict, or a forecast, when the reading that led to it has come.
#[derive(Debug, Default, Serialize)]
pub(super) struct Event<'a> {
    id: &'a str,
    t_s: f64,
    verdict: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    t_settled_s: Option<f64>,
    #[serde(rename = "Y", skip_serializing_if = "Option::is_none")]
    y: Option<f64>,
    #[serde(rename = "u95_Y", skip_serializing_if = "Option::is_none")]
    y_u95: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    u_prime: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    v_prime: Option<f64>,
    #[serde(rename = "u95_uv", skip_serializing_if = "Option::is_none")]
    uv_u95: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    window_s: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    n: Option<usize>,
    #[serde(skip_serializing_if = "Option::is_none")]
    correction: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    observer: Option<&'a str>,
    /// Those that readings carried until then.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    flags: Vec<Flag>,
    #[serde(flatten, skip_serializing_if = "Option::is_none")]
    forecast: Option<Forecast>,
}

impl<'a> Event<'a> {
    pub(super) fn of(series: &'a Series, change: &Change) -> Self {
        let colour = change.value.and_then(|value| value.chromaticity);
        Self {
            id: &series.id,
            t_s: change.t_s,
            verdict: change.verdict.name(),
            t_settled_s: (change.verdict == Verdict::Settled).then_some(change.t_s),
            y: change.value.map(|value| value.y),
            y_u95: change.value.map(|value| value.y_u95),
            u_prime: colour.map(|colour| colour.u_prime()),
            v_prime: colour.map(|colour| colour.v_prime()),
            uv_u95: change.value.and_then(|value| value.chromaticity_u95),
            window_s: Some(change.evidence.window_s),
            n: Some(change.evidence.n),
            correction: series.correction.as_deref(),
            observer: series.observer.as_deref(),
            flags: series.cautions.flags(),
            forecast: None,
        }
    }

    pub(super) fn forecast(series: &'a Series, forecast: Forecast) -> Self {
        Self {
            id: &series.id,
            t_s: series.last_t_s,
            verdict: "forecast",
            correction: series.correction.as_deref(),
            observer: series.observer.as_deref(),
            flags: series.cautions.flags(),
            forecast: Some(forecast),
            ..Self::default()
        }
    }
}
