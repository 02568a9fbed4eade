//! What an exposure gives, and what is refused.

use settled_protocol::meter::{Quantity, Span};
use settled_protocol::quantity::Photometric;
use tokio::time::{Instant, timeout};

use super::failure::Failure;
use super::{AT_ONCE, Suite, Zero, ensure, sample, timed, words};
use crate::fault::{Fault, FaultKind, chain};
use crate::meter::Meter;
use crate::sample::{Exposure, Sample, Seen};

impl Suite<'_> {
    pub(super) async fn exposures(&mut self, meter: &mut dyn Meter) {
        let name = "it says what it is, the same each time";
        self.begins(name, 0);
        self.ends(name, describes(meter));
        let (name, count) = ("an exposure gives one sane sample within its deadline", self.times(1, 10));
        self.begins(name, count);
        let (first, took) = timed(measures(meter)).await;
        self.pace = took;
        match &first {
            Err(Failure { kind: Some(kind), .. }) => {
                self.report.halted = first.as_ref().err().cloned();
                // Nothing is wrong with an instrument in the dark.
                if !matches!(kind, FaultKind::BelowRange | FaultKind::AboveRange) {
                    self.ends(name, first);
                }
                return;
            }
            Err(_) => self.ends(name, first),
            Ok(()) => {
                let outcome = self.times_over(meter, count - 1).await;
                self.ends(name, outcome);
            }
        }
        let name = "it is ready for the next at once";
        self.begins(name, 2);
        let outcome = several(meter, 2).await;
        self.ends(name, outcome);
        let name = "the integration time that was used is told";
        self.begins(name, 1);
        let outcome = integrates(meter).await;
        self.ends(name, outcome);
        let name = "an integration time it can't do is refused at once";
        self.begins(name, 1);
        let outcome = refuses(meter).await;
        self.ends(name, outcome);
    }

    async fn times_over(&self, meter: &mut dyn Meter, count: u32) -> Result<(), Failure> {
        let start = Instant::now();
        for done in 0..count {
            if self.is_enough(done as usize, start) {
                break;
            }
            measures(meter).await?;
        }
        Ok(())
    }

    pub(super) async fn zeroing(&mut self, meter: &mut dyn Meter) {
        if meter.describe().zero.is_none() {
            let name = "zeroing, which it can't do, is refused at once";
            self.begins(name, 1);
            let outcome = refuses_zero(meter).await;
            self.ends(name, outcome);
        } else if self.kit.zero == Zero::Covered {
            let name = "it is zeroed within its deadline, and measures again";
            self.begins(name, 1);
            let outcome = zeroes(meter).await;
            self.ends(name, outcome);
        }
    }
}

fn describes(meter: &dyn Meter) -> Result<(), Failure> {
    let description = meter.describe();
    ensure(description == meter.describe(), || "two answers differ".to_owned())?;
    let instrument = &description.instrument;
    ensure(!instrument.model.trim().is_empty(), || "the model has no name".to_owned())?;
    ensure(!instrument.quantities.is_empty(), || "it measures nothing".to_owned())?;
    let rises = |span: &Span| span.min.is_finite() && span.max.is_finite() && span.min <= span.max;
    let spans = [instrument.integration_s, instrument.range];
    let falling = spans.into_iter().flatten().find(|span| !rises(span));
    ensure(falling.is_none(), || {
        format!("a range does not rise: {}", falling.map(words::span).unwrap_or_default())
    })?;
    ensure(description.warm_up_s >= 0.0 && description.warm_up_s.is_finite(), || {
        "its warm-up is no time".to_owned()
    })
}

/// One exposure, and whether what it gave is what the meter says it gives.
pub(super) async fn measures(meter: &mut dyn Meter) -> Result<(), Failure> {
    let Sample { seen, integration_s, temperature_c } = sample(meter, None).await?;
    ensure(integration_s.is_none_or(|s| s > 0.0 && s.is_finite()), || {
        format!("integrated for {} s", integration_s.unwrap_or_default())
    })?;
    ensure(temperature_c.is_none_or(|t| (-100.0..200.0).contains(&t)), || {
        format!("is at {} °C", temperature_c.unwrap_or_default())
    })?;
    let quantities = &meter.describe().instrument.quantities;
    let (photometric, more) = match &seen {
        Seen::Light(light) => (light.photometric(), light.xyz().map(|_| Quantity::Xyz)),
        Seen::Spectrum(photometric, _) => (*photometric, Some(Quantity::Spectrum)),
    };
    let amount = match photometric {
        Photometric::Luminance => Quantity::Luminance,
        Photometric::Illuminance => Quantity::Illuminance,
    };
    let undeclared = [Some(amount), more].into_iter().flatten().find(|it| !quantities.contains(it));
    ensure(undeclared.is_none(), || {
        let gave = words::quantities(undeclared.as_slice());
        format!("gave {gave}, and says that it measures {}", words::quantities(quantities))
    })
}

async fn several(meter: &mut dyn Meter, count: u32) -> Result<(), Failure> {
    for _ in 0..count {
        measures(meter).await?;
    }
    Ok(())
}

async fn integrates(meter: &mut dyn Meter) -> Result<(), Failure> {
    let Some(Span { min, max }) = meter.describe().instrument.integration_s else { return Ok(()) };
    let asked = (2.0 * min).min(max);
    let used = sample(meter, Some(asked)).await?.integration_s;
    ensure(used.is_some_and(|used| (used / asked - 1.0).abs() < 0.5), || {
        let used = used.map_or("none".to_owned(), |used| format!("{used} s"));
        format!("asked for an integration time of {asked} s, it tells of {used}")
    })
}

async fn refuses(meter: &mut dyn Meter) -> Result<(), Failure> {
    let beyond = meter.describe().instrument.integration_s.map_or(1.0, |span| 10.0 * span.max);
    for impossible in [beyond, 0.0, -1.0, f64::NAN, f64::INFINITY] {
        let exposure = Exposure { integration_s: Some(impossible) };
        match timeout(AT_ONCE, meter.measure(exposure)).await {
            Ok(Err(fault)) if fault.kind() == FaultKind::Unsupported => {}
            Ok(Err(fault)) => return Err(otherwise(&fault)),
            Ok(Ok(_)) => return Err(format!("gave a reading for {impossible} s").into()),
            Err(_) => {
                return Err(format!("did not refuse {impossible} s within {}", words::time(AT_ONCE)).into());
            }
        }
        // Who asks for the impossible still waits no longer than for anything.
        let _finite = meter.deadline(exposure);
    }
    measures(meter).await
}

async fn refuses_zero(meter: &mut dyn Meter) -> Result<(), Failure> {
    match timeout(AT_ONCE, meter.zero()).await {
        Ok(Err(fault)) if fault.kind() == FaultKind::Unsupported => measures(meter).await,
        Ok(Err(fault)) => Err(otherwise(&fault)),
        Ok(Ok(())) => Err("was zeroed, but declares nothing of it".into()),
        Err(_) => Err(format!("did not refuse within {}", words::time(AT_ONCE)).into()),
    }
}

/// It was not refused as what the instrument can't do.
fn otherwise(fault: &Fault) -> Failure {
    format!("says of what it can't do that it failed: {}", chain(fault)).into()
}

async fn zeroes(meter: &mut dyn Meter) -> Result<(), Failure> {
    let deadline = meter.zero_deadline();
    match timeout(deadline, meter.zero()).await {
        Ok(Ok(())) => measures(meter).await,
        Ok(Err(fault)) if fault.kind() == FaultKind::Unsupported => {
            Err("declares it, but can't be zeroed".into())
        }
        Ok(Err(fault)) => Err(Failure::of(&fault)),
        Err(_) => Err(format!("took longer than {}", words::time(deadline)).into()),
    }
}
