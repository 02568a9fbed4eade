//! How it stands between verdicts: the best value so far, and what still fails.

use settled_protocol::settling::{Drift, Estimate, Evidence, Forecast, Test, Verdict};

use super::look::{Readings, Window};
use super::{ABSURD, Engine};

/// How it stands.
#[derive(Clone, Debug, PartialEq)]
pub struct Standing {
    /// The last verdict that still holds; nothing while the evidence is not enough for one.
    pub verdict: Option<Verdict>,
    /// The best value so far, from three readings on.
    pub value: Option<Estimate>,
    /// What there is to go by.
    pub evidence: Evidence,
}

impl Engine {
    /// How it stands now. Cheap enough to ask at every reading.
    #[must_use]
    pub fn standing(&self) -> Standing {
        let window = self.look.map(|look| look.window).or_else(|| self.first_impression());
        let best = self.look.map(|look| look.best).or(window);
        Standing {
            verdict: self.verdict,
            value: best.and_then(|window| window.estimate()),
            evidence: self.evidence(window.as_ref()),
        }
    }

    /// All readings there are, before the first look.
    fn first_impression(&self) -> Option<Window> {
        let (now, _) = self.latest?;
        let last = self.luminance.last_s()?;
        let readings = Readings {
            luminance: &self.luminance,
            colour: &self.colour,
            last,
            now,
            steps: self.steps_of_scale,
        };
        Window::judge(&self.rules, &readings, f64::MIN, 3)
    }

    fn evidence(&self, window: Option<&Window>) -> Evidence {
        let bare = Evidence {
            outliers: self.outliers,
            steps: self.steps,
            forecast: self.forecast_from_now(),
            failing: self.failing(window),
            ..Evidence::default()
        };
        let Some(window) = window else { return bare };
        let line = window.luminance;
        let colour = window.colour;
        Evidence {
            window_s: finite(window.length).unwrap_or_default(),
            n: window.readings,
            luminance_band: finite(window.band),
            chromaticity_band: colour.and_then(|colour| finite(colour.band)),
            luminance_drift: drift(window.change, window.change_error, window.band),
            chromaticity_drift: colour
                .and_then(|colour| drift(colour.change, colour.change_error, colour.band)),
            noise: finite(line.scatter * (window.readings as f64 / window.entries.max(1) as f64).sqrt()),
            autocorrelation: finite(line.alike),
            ..bare
        }
    }

    /// The forecast, as far as it is not over yet.
    fn forecast_from_now(&self) -> Option<Forecast> {
        let now = self.latest?.0 - self.started_s;
        let Forecast { settles_at_s, low_s, high_s } =
            self.forecast.filter(|forecast| forecast.high_s > now)?;
        Some(Forecast { settles_at_s: settles_at_s.max(now), low_s: low_s.max(now), high_s })
    }

    fn failing(&self, window: Option<&Window>) -> Vec<Test> {
        if self.settled.is_some() {
            return Vec::new();
        }
        let mut failing = Vec::new();
        match (self.look, window) {
            (Some(_), Some(window)) => failing.extend(window.failing()),
            _ => failing.push(Test::TooFew),
        }
        if self.turning {
            failing.push(Test::Turning);
        }
        if self.latest.is_none_or(|(latest, _)| self.too_early(latest))
            && self.rules.criteria.min_wait_s > 0.0
        {
            failing.push(Test::MinimumWait);
        }
        failing
    }
}

/// A drift in bands; nothing where it isn't known.
fn drift(change: f64, error: f64, band: f64) -> Option<Drift> {
    let known = |bands: f64| finite(bands).filter(|bands| bands.abs() < ABSURD);
    Some(Drift { bands_per_hold: known(change / band)?, interval: known(error / band)? })
}

fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}
