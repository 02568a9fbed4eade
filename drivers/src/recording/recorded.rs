//! A driver and its meter that are recorded: what was asked of them, and what came of it. They forward everything.

use std::sync::Arc;
use std::time::Duration;

use super::line::{Call, Event, Failed, ProfileText, Recorded as RecordedSample};
use super::tap::Tap;
use crate::clock::{Boxed, Clock};
use crate::driver::{Driver, Source};
use crate::fault::Fault;
use crate::meter::{Description, Meter};
use crate::sample::{Exposure, Sample};
use crate::simulated::Stage;

/// A driver that is recorded.
#[derive(Debug)]
pub struct Recorded {
    driver: Arc<dyn Driver>,
    tap: Tap,
}

impl Recorded {
    /// The driver, recorded through `tap`, its links as well.
    #[must_use]
    pub fn new(driver: Arc<dyn Driver>, tap: Tap) -> Self {
        driver.tap(&tap);
        Self { driver, tap }
    }
}

/// Something that was asked, until its outcome is known.
struct Asked<'a> {
    tap: &'a Tap,
    call: Call,
    answered: bool,
}

impl<'a> Asked<'a> {
    fn new(tap: &'a Tap, call: Call, integration_s: Option<f64>) -> Self {
        tap.note(Event::Asked { call, integration_s });
        Self { tap, call, answered: false }
    }

    fn answer<T>(mut self, outcome: &Result<T, Fault>, event: impl FnOnce(&T) -> Event) {
        self.answered = true;
        self.tap.note(match outcome {
            Ok(value) => event(value),
            Err(fault) => Event::Fault { call: self.call, failed: Failed::of(fault) },
        });
    }
}

impl Drop for Asked<'_> {
    fn drop(&mut self) {
        if !self.answered {
            self.tap.note(Event::GivenUp { call: self.call });
        }
    }
}

impl Driver for Recorded {
    fn name(&self) -> &'static str {
        self.driver.name()
    }

    fn claims(&self) -> Vec<String> {
        self.driver.claims()
    }

    fn address(&self) -> Option<String> {
        self.driver.address()
    }

    fn open<'a>(&'a self, clock: &'a Arc<dyn Clock>) -> Boxed<'a, Result<Box<dyn Meter>, Fault>> {
        Box::pin(async move {
            let asked = Asked::new(&self.tap, Call::Open, None);
            let outcome = self.driver.open(clock).await;
            asked.answer(&outcome, |meter| Event::opened(meter.describe()));
            let meter = outcome?;
            let meter: Box<dyn Meter> = Box::new(RecordedMeter { meter, tap: self.tap.clone() });
            Ok(meter)
        })
    }

    fn opening(&self) -> Duration {
        self.driver.opening()
    }

    fn still_due(&self) -> Duration {
        self.driver.still_due()
    }

    fn arrival(&self) -> Boxed<'_, ()> {
        self.driver.arrival()
    }

    fn source(&self) -> Source {
        self.driver.source()
    }

    fn rounds(&self) -> u64 {
        self.driver.rounds()
    }

    fn is_corrected(&self) -> bool {
        self.driver.is_corrected()
    }

    fn stage(&self) -> Option<Arc<Stage>> {
        self.driver.stage()
    }

    fn tap(&self, tap: &Tap) {
        self.driver.tap(tap);
    }

    fn profile_text(&self) -> Option<ProfileText> {
        self.driver.profile_text()
    }
}

/// A meter that is recorded.
#[derive(Debug)]
struct RecordedMeter {
    meter: Box<dyn Meter>,
    tap: Tap,
}

impl Meter for RecordedMeter {
    fn describe(&self) -> &Description {
        self.meter.describe()
    }

    fn deadline(&self, exposure: Exposure) -> Duration {
        self.meter.deadline(exposure)
    }

    fn measure(&mut self, exposure: Exposure) -> Boxed<'_, Result<Sample, Fault>> {
        Box::pin(async move {
            let asked = Asked::new(&self.tap, Call::Measure, exposure.integration_s);
            let outcome = self.meter.measure(exposure).await;
            asked.answer(&outcome, |sample| Event::Sample(Box::new(RecordedSample::of(sample))));
            outcome
        })
    }

    fn zero(&mut self) -> Boxed<'_, Result<(), Fault>> {
        Box::pin(async move {
            let asked = Asked::new(&self.tap, Call::Zero, None);
            let outcome = self.meter.zero().await;
            asked.answer(&outcome, |()| Event::Done { call: Call::Zero });
            outcome
        })
    }

    fn zero_deadline(&self) -> Duration {
        self.meter.zero_deadline()
    }

    fn departed(&mut self) -> Boxed<'_, Fault> {
        Box::pin(async move {
            let fault = self.meter.departed().await;
            self.tap.note(Event::Departed(Failed::of(&fault)));
            fault
        })
    }

    fn recover(&mut self) -> Boxed<'_, Result<(), Fault>> {
        Box::pin(async move {
            let asked = Asked::new(&self.tap, Call::Recover, None);
            let outcome = self.meter.recover().await;
            asked.answer(&outcome, |()| Event::Done { call: Call::Recover });
            outcome
        })
    }

    fn recovery(&self) -> Duration {
        self.meter.recovery()
    }

    fn close(self: Box<Self>) -> Boxed<'static, ()> {
        let Self { meter, tap } = *self;
        Box::pin(async move {
            let asked = Asked::new(&tap, Call::Close, None);
            meter.close().await;
            asked.answer(&Ok(()), |()| Event::Done { call: Call::Close });
        })
    }
}
