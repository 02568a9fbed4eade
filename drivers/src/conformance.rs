//! What every driver must do, as a suite: the contract of [`Driver`] and [`Meter`], clause by clause.
//!
//! It needs the instrument to be there, and some light in front of it. It takes a dozen exposures and zeroes it, where it can
//! be zeroed: cover the aperture or leave `zero` out.
//!
//! | module | idea |
//! |---|---|
//! | [`faults`] | what a driver must do when its instrument misbehaves |

use std::fmt;
use std::sync::Arc;
use std::time::Duration;

use settled_protocol::meter::Span;
use tokio::time::timeout;

use crate::clock::Clock;
use crate::driver::Driver;
use crate::fault::{Fault, FaultKind, chain};
use crate::meter::Meter;
use crate::sample::{Exposure, Sample};

pub mod faults;
mod misbehaviour;

/// The longest that closing may take.
const PATIENCE: Duration = Duration::from_secs(20);

/// The longest that refusing something may take: a driver knows without asking the instrument.
const AT_ONCE: Duration = Duration::from_millis(100);

/// One clause of the contract, kept or not.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Clause {
    /// The clause, as a sentence.
    pub name: &'static str,
    /// What was wrong, if it was not kept.
    pub failure: Option<String>,
}

/// Every clause that was tried.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Report {
    /// In the order they were tried.
    pub clauses: Vec<Clause>,
}

impl Report {
    /// Whether every clause was kept.
    #[must_use]
    pub fn is_kept(&self) -> bool {
        !self.clauses.is_empty() && self.clauses.iter().all(|clause| clause.failure.is_none())
    }

    fn note(&mut self, name: &'static str, outcome: Result<(), String>) {
        self.clauses.push(Clause { name, failure: outcome.err() });
    }
}

impl fmt::Display for Report {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for Clause { name, failure } in &self.clauses {
            match failure {
                None => writeln!(f, "kept    {name}")?,
                Some(failure) => writeln!(f, "BROKEN  {name}: {failure}")?,
            }
        }
        Ok(())
    }
}

/// Whether the suite may zero the instrument.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Zero {
    /// The aperture is covered, or the instrument is simulated.
    Covered,
    /// Leave it out.
    Skip,
}

/// Runs the suite.
pub async fn check(driver: &Arc<dyn Driver>, clock: &Arc<dyn Clock>, zero: Zero) -> Report {
    let mut report = Report::default();
    let opened = open(driver, clock).await;
    report.note("it opens", opened.as_ref().map(|_| ()).map_err(Clone::clone));
    let Ok(mut meter) = opened else { return report };
    let meter_ref = meter.as_mut();
    report.note("it says what it is, the same each time", describes(meter_ref));
    report.note("an exposure gives one sane sample within its deadline", measures(meter_ref, None).await);
    report.note("it is ready for the next at once", twice(meter_ref).await);
    report.note("the integration time that was used is told", integrates(meter_ref).await);
    report.note("an integration time it can't do is refused at once", refuses(meter_ref).await);
    report.note("after a dropped exposure and recovery it measures again", survives_a_drop(meter_ref).await);
    if zero == Zero::Covered {
        report.note("it is zeroed, or can't be and doesn't declare it", zeroes(meter_ref).await);
    }
    report.note("it closes, opens and measures again", reopens(meter, driver, clock).await);
    report
}

async fn within<T>(limit: Duration, what: impl Future<Output = Result<T, Fault>>) -> Result<T, String> {
    match timeout(limit, what).await {
        Ok(outcome) => outcome.map_err(|fault| format!("{:?}: {}", fault.kind(), chain(&fault))),
        Err(_) => Err(format!("took longer than {limit:?}")),
    }
}

async fn open(driver: &Arc<dyn Driver>, clock: &Arc<dyn Clock>) -> Result<Box<dyn Meter>, String> {
    within(driver.opening() + driver.still_due(), driver.open(clock)).await
}

fn ensure(holds: bool, otherwise: impl FnOnce() -> String) -> Result<(), String> {
    if holds { Ok(()) } else { Err(otherwise()) }
}

fn describes(meter: &dyn Meter) -> Result<(), String> {
    let description = meter.describe();
    ensure(description == meter.describe(), || "two answers differ".to_owned())?;
    let instrument = &description.instrument;
    ensure(!instrument.model.trim().is_empty(), || "the model has no name".to_owned())?;
    ensure(!instrument.quantities.is_empty(), || "it measures nothing".to_owned())?;
    let rises = |span: &Span| span.min.is_finite() && span.max.is_finite() && span.min <= span.max;
    let spans = [instrument.integration_s, instrument.range];
    ensure(spans.iter().flatten().all(rises), || format!("a span does not rise: {spans:?}"))?;
    ensure(description.warm_up_s >= 0.0 && description.warm_up_s.is_finite(), || {
        "its warm-up is no time".to_owned()
    })
}

async fn sample(meter: &mut dyn Meter, integration_s: Option<f64>) -> Result<Sample, String> {
    let exposure = Exposure { integration_s };
    within(meter.deadline(exposure), meter.measure(exposure)).await
}

async fn measures(meter: &mut dyn Meter, integration_s: Option<f64>) -> Result<(), String> {
    let Sample { integration_s, temperature_c, .. } = sample(meter, integration_s).await?;
    ensure(integration_s.is_none_or(|s| s > 0.0 && s.is_finite()), || {
        format!("integrated for {integration_s:?} s")
    })?;
    ensure(temperature_c.is_none_or(|t| (-100.0..200.0).contains(&t)), || {
        format!("is at {temperature_c:?} °C")
    })
}

async fn twice(meter: &mut dyn Meter) -> Result<(), String> {
    measures(meter, None).await?;
    measures(meter, None).await
}

async fn integrates(meter: &mut dyn Meter) -> Result<(), String> {
    let Some(Span { min, max }) = meter.describe().instrument.integration_s else { return Ok(()) };
    let asked = (2.0 * min).min(max);
    let used = sample(meter, Some(asked)).await?.integration_s;
    ensure(used.is_some_and(|used| (used / asked - 1.0).abs() < 0.5), || {
        format!("asked for {asked} s, told of {used:?}")
    })
}

async fn refuses(meter: &mut dyn Meter) -> Result<(), String> {
    let beyond = meter.describe().instrument.integration_s.map_or(1.0, |span| 10.0 * span.max);
    let exposure = Exposure { integration_s: Some(beyond) };
    match timeout(AT_ONCE, meter.measure(exposure)).await {
        Ok(Err(fault)) if fault.kind() == FaultKind::Unsupported => {}
        Ok(Err(fault)) => return Err(format!("{:?} instead of Unsupported", fault.kind())),
        Ok(Ok(_)) => return Err(format!("gave a sample for {beyond} s")),
        Err(_) => return Err(format!("did not refuse within {AT_ONCE:?}")),
    }
    measures(meter, None).await
}

async fn survives_a_drop(meter: &mut dyn Meter) -> Result<(), String> {
    for moment in [Duration::ZERO, Duration::from_millis(20)] {
        // Whether it was done by then makes no difference.
        let _done = timeout(moment, meter.measure(Exposure::default())).await.is_ok();
        within(meter.recovery(), meter.recover()).await?;
        measures(meter, None).await?;
    }
    Ok(())
}

async fn zeroes(meter: &mut dyn Meter) -> Result<(), String> {
    let declared = meter.describe().zero.is_some();
    let deadline = meter.zero_deadline();
    match timeout(deadline, meter.zero()).await {
        Ok(Ok(())) => ensure(declared, || "was zeroed, but declares nothing of it".to_owned())?,
        Ok(Err(fault)) if fault.kind() == FaultKind::Unsupported => {
            ensure(!declared, || "declares it, but can't be zeroed".to_owned())?;
        }
        Ok(Err(fault)) => return Err(chain(&fault)),
        Err(_) => return Err(format!("took longer than {deadline:?}")),
    }
    measures(meter, None).await
}

async fn reopens(
    meter: Box<dyn Meter>,
    driver: &Arc<dyn Driver>,
    clock: &Arc<dyn Clock>,
) -> Result<(), String> {
    let before = meter.describe().clone();
    timeout(PATIENCE, meter.close()).await.map_err(|_| format!("closing took longer than {PATIENCE:?}"))?;
    let mut again = open(driver, clock).await?;
    ensure(again.describe() == &before, || "it is another instrument now".to_owned())?;
    measures(again.as_mut(), None).await?;
    timeout(PATIENCE, again.close()).await.map_err(|_| format!("closing took longer than {PATIENCE:?}"))
}
