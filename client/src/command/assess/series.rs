//! One series of recorded readings, and what the engine says of it.

use serde::Serialize;
use settled::settle::{Change, Engine, Observation, sentence};
use settled_protocol::settling::{Criteria, Evidence, Forecast, Verdict};

use super::record::Record;

/// A series.
#[derive(Debug)]
pub(super) struct Series {
    id: String,
    criteria: Criteria,
    resolution: Option<f64>,
    /// Made at the first reading, which tells when the series began.
    engine: Option<(Engine, f64)>,
    last_t_s: f64,
    first_settled: Option<Decision>,
    last: Option<(Verdict, f64)>,
    last_forecast: Option<Forecast>,
}

/// What is written. Members that aren't known are absent.
#[derive(Clone, Debug, Serialize)]
pub(super) struct Decision {
    id: String,
    /// Of the reading that led to it, on the series' own clock.
    #[serde(skip_serializing_if = "Option::is_none")]
    t_s: Option<f64>,
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
    #[serde(flatten, skip_serializing_if = "Option::is_none")]
    forecast: Option<Forecast>,
    #[serde(skip_serializing_if = "Option::is_none")]
    evidence: Option<Evidence>,
}

impl Decision {
    pub(super) fn is_forecast(&self) -> bool {
        self.forecast.is_some()
    }

    pub(super) fn is_settled(&self) -> bool {
        self.t_settled_s.is_some()
    }

    /// The ends of the band about the value.
    pub(super) fn bounds(&self) -> Option<[f64; 2]> {
        let band = self.evidence.as_ref()?.luminance_band?;
        self.y.map(|y| [y - band, y + band])
    }
}

impl Series {
    pub(super) fn new(id: String, criteria: Criteria) -> Self {
        Self {
            id,
            criteria,
            resolution: None,
            engine: None,
            last_t_s: f64::NEG_INFINITY,
            first_settled: None,
            last: None,
            last_forecast: None,
        }
    }

    pub(super) fn id(&self) -> &str {
        &self.id
    }

    /// Takes a record; gives what changed. An error names the series and what was wrong.
    pub(super) fn take(&mut self, record: &Record) -> Result<Vec<Decision>, String> {
        if let Some(criteria) = record.criteria {
            self.criteria = criteria;
            self.engine = None;
        }
        self.resolution = record.resolution_cd_m2.or(self.resolution);
        let Some((t_s, y)) = record.point() else {
            let says_something = record.criteria.is_some() || record.end || record.resolution_cd_m2.is_some();
            return if says_something {
                Ok(Vec::new())
            } else {
                Err(format!("series {:?}: a reading needs t_s and Y", self.id))
            };
        };
        if t_s <= self.last_t_s {
            return Err(format!(
                "series {:?}: times must rise, but {t_s} s follows {} s",
                self.id, self.last_t_s
            ));
        }
        self.last_t_s = t_s;
        let (criteria, resolution) = (self.criteria, self.resolution);
        let (engine, started_s) = self.engine.get_or_insert_with(|| {
            let started_s = t_s - record.integration_s.unwrap_or(0.0);
            (Engine::new(criteria, resolution, started_s), started_s)
        });
        let started_s = *started_s;
        let change =
            engine.push(Observation { t_s, integration_s: record.integration_s, y, uv: record.uv() });
        let mut decisions: Vec<Decision> = self.forecast(t_s, started_s).into_iter().collect();
        if let Some(Change { verdict, .. }) = change {
            let decision = self.decision(verdict, t_s, false);
            self.last = Some((verdict, t_s));
            if verdict == Verdict::Settled && self.first_settled.is_none() {
                self.first_settled = Some(self.decision(verdict, t_s, true));
            }
            decisions.push(decision);
        }
        Ok(decisions)
    }

    /// The forecast, if it is a new one, on the series' own clock.
    fn forecast(&mut self, t_s: f64, started_s: f64) -> Option<Decision> {
        let forecast = self.engine.as_ref()?.0.forecast()?;
        if self.last_forecast.replace(forecast) == Some(forecast) {
            return None;
        }
        let Forecast { settles_at_s, low_s, high_s } = forecast;
        let [settles_at_s, low_s, high_s] =
            [settles_at_s, low_s, high_s].map(|relative| relative + started_s);
        let forecast = Some(Forecast { settles_at_s, low_s, high_s });
        Some(Decision { t_s: Some(t_s), forecast, ..self.bare("forecast") })
    }

    /// The line for the whole series: the first time it had settled, else the last verdict.
    pub(super) fn end(&self) -> Decision {
        let (verdict, t_s) = self.last.unwrap_or((Verdict::TimedOut, self.last_t_s));
        let verdict = if verdict == Verdict::Settled { Verdict::TimedOut } else { verdict };
        self.first_settled.clone().unwrap_or_else(|| self.decision(verdict, t_s, true))
    }

    /// The same in words.
    pub(super) fn sentence(&self) -> String {
        let Some((engine, _)) = &self.engine else { return "no readings".to_owned() };
        let standing = engine.standing();
        match &self.first_settled {
            Some(Decision { t_s: Some(t_s), evidence: Some(evidence), .. }) => {
                let words =
                    sentence(Verdict::Settled, evidence, standing.value.as_ref(), &self.criteria, "cd/m²");
                format!("settled at {} on its clock. {words}", crate::show::span(*t_s))
            }
            _ => {
                let verdict = self.last.map_or(Verdict::TimedOut, |(verdict, _)| verdict);
                sentence(verdict, &standing.evidence, standing.value.as_ref(), &self.criteria, "cd/m²")
            }
        }
    }

    fn bare(&self, verdict: &'static str) -> Decision {
        Decision {
            id: self.id.clone(),
            t_s: None,
            verdict,
            t_settled_s: None,
            y: None,
            y_u95: None,
            u_prime: None,
            v_prime: None,
            uv_u95: None,
            window_s: None,
            n: None,
            forecast: None,
            evidence: None,
        }
    }

    fn decision(&self, verdict: Verdict, t_s: f64, with_evidence: bool) -> Decision {
        let standing = self.engine.as_ref().map(|(engine, _)| engine.standing());
        let value = standing.as_ref().and_then(|standing| standing.value);
        let colour = value.and_then(|value| value.chromaticity);
        let evidence = standing.map(|standing| standing.evidence);
        Decision {
            t_s: Some(t_s).filter(|t_s| t_s.is_finite()),
            t_settled_s: Some(t_s).filter(|_| verdict == Verdict::Settled),
            y: value.map(|value| value.y),
            y_u95: value.map(|value| value.y_u95),
            u_prime: colour.map(|colour| colour.u_prime()),
            v_prime: colour.map(|colour| colour.v_prime()),
            uv_u95: value.and_then(|value| value.chromaticity_u95),
            window_s: evidence.as_ref().map(|evidence| evidence.window_s),
            n: evidence.as_ref().map(|evidence| evidence.n),
            evidence: evidence.filter(|_| with_evidence),
            ..self.bare(verdict.name())
        }
    }
}
