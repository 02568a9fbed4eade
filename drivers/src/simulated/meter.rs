//! A filter colorimeter, simulated.
//!
//! For a luminance Y over an integration time t, one reading's standard deviation is √(shot² + read²): shot = 0.003·√(Y/t),
//! for photons; read = 0.0002/t, for the electronics (both in cd/m² with t in s; sizes are engineering judgement). X, Y and Z have noise of
//! their own. Until the meter is warm its dark offset is off by 0.002·e^(−t/300 s) cd/m² and its sensitivity by
//! 0.2 %·e^(−t/300 s). `mismatch` mixes a fixed matrix into the ideal one, as filters do that miss the colour-matching functions.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use settled_protocol::meter::{Instrument, Kind, Quantity, Span};
use settled_protocol::quantity::{Light, Photometric, Xyz};

use super::Stage;
use super::noise::normal;
use super::signal::{Matrix, apply};
use crate::clock::{Boxed, Clock};
use crate::fault::{Fault, FaultKind};
use crate::meter::{Description, Meter};
use crate::sample::{Exposure, Sample};

/// Range in cd/m².
const RANGE: Span = Span { min: 0.0005, max: 10_000.0 };

/// Below this luminance, in cd/m², the meter gives no chromaticity.
const COLOUR_FROM: f64 = 0.01;

/// Light is taken at this many moments of an exposure.
const MOMENTS: u32 = 8;

/// Time constant of the meter's own warm-up, in s.
const WARMING_S: f64 = 300.0;

/// What `mismatch = 1` mixes in, in place of nothing: columns sum to no white in particular.
const MISMATCH: Matrix = [[0.04, -0.02, 0.01], [-0.015, 0.02, -0.005], [0.0, 0.015, -0.03]];

/// What the meter is.
#[derive(Clone, Debug)]
pub struct Optics {
    /// The seed of its noise.
    pub seed: u64,
    /// Shortest and longest integration time, in s.
    pub integration_s: [f64; 2],
    /// Exposures take no time.
    pub instant: bool,
    /// Scales the noise: 1 is usual, 0 is none.
    pub noise: f64,
    /// How far its filters miss, 0 to 1.
    pub mismatch: f64,
    /// The warm-up it says it needs, in s.
    pub warm_up_s: f64,
    /// The smallest step of its luminance, in cd/m².
    pub resolution: Option<f64>,
    /// What it looks at, in words.
    pub looks_at: &'static str,
}

impl Default for Optics {
    fn default() -> Self {
        Self {
            seed: 1,
            integration_s: [0.2, 4.0],
            instant: false,
            noise: 1.0,
            mismatch: 0.0,
            warm_up_s: 0.0,
            resolution: None,
            looks_at: "display",
        }
    }
}

/// An open simulated meter.
#[derive(Debug)]
pub struct Colorimeter {
    optics: Optics,
    description: Description,
    stage: Arc<Stage>,
    clock: Arc<dyn Clock>,
    exposures: Arc<AtomicU64>,
    opened_s: f64,
}

impl Colorimeter {
    /// Opens it: the stage it looks at, the clock it lives by, the count of its exposures.
    pub(super) fn new(
        optics: Optics,
        (stage, clock, exposures): (Arc<Stage>, Arc<dyn Clock>, Arc<AtomicU64>),
    ) -> Self {
        let [min, max] = optics.integration_s;
        let instrument = Instrument {
            model: format!("simulated colorimeter, looking at a simulated {}", optics.looks_at),
            serial: Some(format!("simulated-{}", optics.seed)),
            kind: Kind::Colorimeter,
            quantities: vec![Quantity::Luminance, Quantity::Xyz],
            integration_s: Some(Span { min, max }),
            range: Some(RANGE),
            resolution: optics.resolution,
        };
        let description = Description { instrument, warm_up_s: optics.warm_up_s, zero: None };
        let opened_s = clock.now_s();
        Self { optics, description, stage, clock, exposures, opened_s }
    }

    /// The integration time that is used: the one asked for, or one that fits the light.
    fn integration(&self, exposure: Exposure) -> Result<f64, Fault> {
        let [min, max] = self.optics.integration_s;
        match exposure.integration_s {
            Some(asked) if (min..=max).contains(&asked) => Ok(asked),
            Some(asked) => {
                let detail = format!("an integration time of {asked} s is outside {min} to {max} s");
                Err(Fault::new(FaultKind::Unsupported, detail))
            }
            None => {
                let glance = self.stage.truth(self.clock.now_s()).map_or(0.0, Xyz::y);
                Ok((40.0 / glance.max(1e-3)).clamp(min, max))
            }
        }
    }

    async fn expose(&mut self, exposure: Exposure) -> Result<Sample, Fault> {
        let integration_s = self.integration(exposure)?;
        let number = self.exposures.fetch_add(1, Ordering::Relaxed);
        let began_s = self.clock.now_s();
        let ended_s = if self.optics.instant { began_s } else { began_s + integration_s };
        self.clock.sleep_until(ended_s).await;
        let seen = self.seen(began_s, ended_s)?;
        if seen[1] > RANGE.max {
            return Err(Fault::new(FaultKind::AboveRange, format!("the light is above {} cd/m²", RANGE.max)));
        }
        let light = self.light(self.disturbed(seen, integration_s, number, ended_s))?;
        let temperature_c = Some(23.0 + 8.0 * (1.0 - self.cold(ended_s)));
        Ok(Sample { light, integration_s: Some(integration_s), temperature_c })
    }

    /// The mean light over an exposure, through the meter's filters.
    fn seen(&self, began_s: f64, ended_s: f64) -> Result<[f64; 3], Fault> {
        let mut sum = [0.0; 3];
        for moment in 0..MOMENTS {
            let share = (f64::from(moment) + 0.5) / f64::from(MOMENTS);
            let light: [f64; 3] = self
                .stage
                .truth(began_s + share * (ended_s - began_s))
                .ok_or_else(|| Fault::new(FaultKind::Refused, "the simulated display is off"))?
                .into();
            for (sum, value) in sum.iter_mut().zip(light) {
                *sum += value / f64::from(MOMENTS);
            }
        }
        let missed = apply(&MISMATCH, sum);
        Ok(std::array::from_fn(|channel| sum[channel] + self.optics.mismatch * missed[channel]))
    }

    /// How far the meter is from warm: 1 when opened, 0 when warm; 0 always if it needs no warm-up.
    fn cold(&self, t_s: f64) -> f64 {
        if self.optics.warm_up_s > 0.0 { (-(t_s - self.opened_s) / WARMING_S).exp() } else { 0.0 }
    }

    /// Sensitivity, dark offset and noise.
    fn disturbed(&self, seen: [f64; 3], integration_s: f64, number: u64, t_s: f64) -> [f64; 3] {
        let cold = self.cold(t_s);
        let mut channel = 0;
        seen.map(|value| {
            let shot = 0.003 * (value.max(0.0) / integration_s).sqrt();
            let read = 0.0002 / integration_s;
            let noise = self.optics.noise * shot.hypot(read) * normal(self.optics.seed, number, channel);
            channel += 1;
            value * (1.0 - 0.002 * cold) + 0.002 * cold + noise
        })
    }

    fn light(&self, [x, y, z]: [f64; 3]) -> Result<Light, Fault> {
        let y = self.optics.resolution.map_or(y, |step| (y / step).round() * step);
        let xyz = Xyz::new(x, y, z)
            .map_err(|error| Fault::new(FaultKind::Garbled, "adding the model's noise").because(error))?;
        let light = Light::colour(Photometric::Luminance, xyz);
        Ok(if y < COLOUR_FROM { light.without_chromaticity() } else { light })
    }
}

impl Meter for Colorimeter {
    fn describe(&self) -> &Description {
        &self.description
    }

    fn deadline(&self, _exposure: Exposure) -> Duration {
        Duration::from_secs_f64(self.optics.integration_s[1] + 5.0)
    }

    fn measure(&mut self, exposure: Exposure) -> Boxed<'_, Result<Sample, Fault>> {
        Box::pin(self.expose(exposure))
    }
}
