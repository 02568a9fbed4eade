//! The driver and its open meter: exposures on the clock.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use settled_protocol::meter::{Instrument, Kind, Quantity, Span};
use settled_protocol::quantity::Photometric;

use crate::clock::{Boxed, Clock};
use crate::driver::{Driver, Source};
use crate::fault::{Fault, FaultKind};
use crate::meter::{Description, Meter, ZeroNeed};
use crate::sample::{Exposure, Sample, Seen};

use super::colorimeter::{Circumstances, Colorimeter, Zeroed};
use super::spectrometer::Spectrometer;
use super::stage::Stage;

/// How long zeroing takes, in s.
const ZERO_S: f64 = 1.0;
/// What a busy machine may add to an exposure, in s of real time.
const SLACK_S: f64 = 5.0;

/// A simulated display and a meter that looks at it.
#[derive(Debug)]
pub(super) struct Simulated {
    stage: Arc<Stage>,
    bench: Arc<Bench>,
}

/// What outlives an opening.
#[derive(Debug)]
struct Bench {
    colorimeter: Colorimeter,
    /// What it sees with in place of filters, if it is a spectrometer.
    spectrometer: Option<Spectrometer>,
    instant: bool,
    description: Description,
    /// Exposures so far: the next one's noise.
    exposures: AtomicU64,
}

/// What the meter is, beside its optics.
#[derive(Clone, Debug)]
pub(super) struct Habits {
    /// What it looks at, for its name.
    pub(super) display: String,
    /// Whether exposures take no time.
    pub(super) instant: bool,
    pub(super) warm_up_s: f64,
    pub(super) zero: Option<ZeroNeed>,
}

impl Simulated {
    pub(super) fn new(
        stage: Arc<Stage>,
        colorimeter: Colorimeter,
        spectrometer: Option<Spectrometer>,
        habits: &Habits,
    ) -> Self {
        let kind = if spectrometer.is_some() { Kind::Spectrometer } else { Kind::Colorimeter };
        let description = describe(&colorimeter, kind, habits);
        let (instant, exposures) = (habits.instant, AtomicU64::default());
        let bench = Bench { colorimeter, spectrometer, instant, description, exposures };
        Self { stage, bench: Arc::new(bench) }
    }
}

fn describe(colorimeter: &Colorimeter, kind: Kind, habits: &Habits) -> Description {
    let step = colorimeter.resolution_cd_m2;
    let (name, spectrum) = match kind {
        Kind::Spectrometer => ("spectrometer", Some(Quantity::Spectrum)),
        _ => ("colorimeter", None),
    };
    let instrument = Instrument {
        model: format!("simulated {name} ({})", habits.display),
        serial: Some(format!("simulated-{}", colorimeter.seed)),
        kind,
        quantities: [Quantity::Luminance, Quantity::Xyz].into_iter().chain(spectrum).collect(),
        integration_s: Some(colorimeter.integration_s),
        range: Some(colorimeter.range),
        resolution: (step > 0.0).then_some(step),
    };
    Description { instrument, warm_up_s: habits.warm_up_s, zero: habits.zero }
}

impl Driver for Simulated {
    fn name(&self) -> &'static str {
        "simulated"
    }

    fn claims(&self) -> Vec<String> {
        Vec::new()
    }

    fn open<'a>(&'a self, clock: &'a Arc<dyn Clock>) -> Boxed<'a, Result<Box<dyn Meter>, Fault>> {
        Box::pin(async move {
            let opened_s = clock.now_s();
            self.stage.switch_on(opened_s);
            let meter: Box<dyn Meter> = Box::new(OpenMeter {
                stage: Arc::clone(&self.stage),
                bench: Arc::clone(&self.bench),
                clock: Arc::clone(clock),
                opened_s,
                zeroed: Zeroed { celsius: Colorimeter::temperature_c(0.0), light: [0.0; 3] },
            });
            Ok(meter)
        })
    }

    fn source(&self) -> Source {
        Source::Simulated
    }

    fn stage(&self) -> Option<Arc<Stage>> {
        Some(Arc::clone(&self.stage))
    }
}

/// The open meter, as cold as the room when it was opened.
#[derive(Debug)]
struct OpenMeter {
    stage: Arc<Stage>,
    bench: Arc<Bench>,
    clock: Arc<dyn Clock>,
    opened_s: f64,
    zeroed: Zeroed,
}

impl Meter for OpenMeter {
    fn describe(&self) -> &Description {
        &self.bench.description
    }

    fn deadline(&self, exposure: Exposure) -> Duration {
        let longest_s = self.bench.colorimeter.integration_s.max;
        let integration_s = exposure.integration_s.filter(|s| *s >= 0.0).unwrap_or(longest_s);
        Duration::from_secs_f64(integration_s.min(longest_s) + SLACK_S)
    }

    fn measure(&mut self, exposure: Exposure) -> Boxed<'_, Result<Sample, Fault>> {
        Box::pin(async move {
            let begin_s = self.clock.now_s();
            let integration_s = self.integration_s(exposure, begin_s)?;
            let number = self.bench.exposures.fetch_add(1, Ordering::Relaxed);
            let end_s = self.wait(begin_s, integration_s).await;
            let light = self.stage.mean(begin_s, end_s);
            let temperature_c = self.temperature_c(end_s);
            let how = Circumstances { integration_s, temperature_c, zeroed: self.zeroed, number };
            self.sample(light, how)
        })
    }

    fn zero(&mut self) -> Boxed<'_, Result<(), Fault>> {
        Box::pin(async move {
            if self.bench.description.zero.is_none() {
                return Err(Fault::new(FaultKind::Unsupported, "the meter has no zero command"));
            }
            let begin_s = self.clock.now_s();
            let end_s = self.wait(begin_s, ZERO_S).await;
            // Nobody covers it: whatever light there is, it takes for its own offset.
            let light = self.stage.mean(begin_s, end_s);
            self.zeroed = Zeroed { celsius: self.temperature_c(end_s), light };
            Ok(())
        })
    }
}

impl OpenMeter {
    /// The integration time asked for, if it can be had, or the one that suits the light at the beginning.
    fn integration_s(&self, exposure: Exposure, begin_s: f64) -> Result<f64, Fault> {
        let colorimeter = &self.bench.colorimeter;
        match exposure.integration_s {
            None => Ok(colorimeter.automatic_s(self.stage.mean(begin_s, begin_s)[1])),
            Some(asked) if colorimeter.integration_s.contains(asked) => Ok(asked),
            Some(asked) => {
                let Span { min, max } = colorimeter.integration_s;
                let detail = format!("exposing for {asked} s: the meter takes from {min} to {max} s");
                Err(Fault::new(FaultKind::Unsupported, detail))
            }
        }
    }

    /// Waits for the end of what takes `duration_s`, and says when that was.
    async fn wait(&self, begin_s: f64, duration_s: f64) -> f64 {
        if self.bench.instant {
            return begin_s;
        }
        let end_s = begin_s + duration_s;
        self.clock.sleep_until(end_s).await;
        end_s
    }

    fn temperature_c(&self, t_s: f64) -> f64 {
        Colorimeter::temperature_c(t_s - self.opened_s)
    }

    fn sample(&self, light: [f64; 3], how: Circumstances) -> Result<Sample, Fault> {
        let Bench { colorimeter, spectrometer, .. } = self.bench.as_ref();
        let unphysical =
            |error| Fault::new(FaultKind::Garbled, "exposing: the model gave no number").because(error);
        let (luminance, seen) = match spectrometer {
            Some(spectrometer) => {
                let spectrum = spectrometer.answer(colorimeter, light, how).map_err(unphysical)?;
                (light[1], Seen::Spectrum(Photometric::Luminance, spectrum))
            }
            None => {
                let answer = colorimeter.answer(light, how);
                (answer[1], Seen::Light(colorimeter.light(answer).map_err(unphysical)?))
            }
        };
        if luminance > colorimeter.range.max {
            let detail =
                format!("exposing: the light is above the meter's range of {} cd/m²", colorimeter.range.max);
            return Err(Fault::new(FaultKind::AboveRange, detail));
        }
        Ok(Sample { seen, integration_s: Some(how.integration_s), temperature_c: Some(how.temperature_c) })
    }
}

#[cfg(test)]
mod tests;
