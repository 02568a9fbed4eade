//! One fault tried: the profile runs over the session with the fault in it.

use std::sync::Arc;

use tokio::time::timeout;

use super::super::{ensure, within};
use super::Session;
use super::fault::{Case, First};
use crate::clock::Clock;
use crate::driver::{Driver, Source};
use crate::fault::{Fault, FaultKind, chain};
use crate::meter::Meter;
use crate::replay::lines::Lines;
use crate::replay::{AtEnd, Manner};
use crate::sample::{Exposure, Sample};

/// Runs a case; a failure says what was wrong.
pub(super) async fn run(session: &Session, case: Case, clock: &Arc<dyn Clock>) -> Result<(), String> {
    let manner = Manner { speed: case.timed.then_some(1.0), at_end: AtEnd::Repeat };
    let driver = Lines::new(session.profile.clone(), case.exchanges, Source::Replayed, manner);
    let opened = |it: String| format!("could not be opened: {it}");
    let mut meter =
        within(driver.opening() + driver.still_due(), driver.open(clock)).await.map_err(opened)?;
    let kind = first(session, meter.as_mut(), case.first).await?;
    // A fault in an early exchange leaves later ones of that reading unasked: what is asked next belongs to the second all the same.
    driver.go_on_after(&session.first);
    if kind == Some(FaultKind::Gone) {
        meter.close().await;
        meter = within(driver.opening() + driver.still_due(), driver.open(clock)).await.map_err(opened)?;
    } else if kind.is_some_and(FaultKind::needs_recovery) {
        let recovered = timeout(meter.recovery(), meter.recover()).await;
        match recovered.map_err(|_| "recovery took longer than it may".to_owned())? {
            Ok(()) => {}
            Err(_) if !case.recovers => return Ok(()),
            Err(fault) => return Err(format!("was not brought back to order: {}", chain(&fault))),
        }
    }
    // So it does where opening it anew asked for something that a reading asks for, too.
    driver.go_on_after(&session.first);
    let [_, expected] = &session.readings;
    let next =
        measure(meter.as_mut()).await?.map_err(|fault| format!("the next reading: {}", chain(&fault)))?;
    ensure(next == *expected, || format!("the next reading is {next:?} instead of {expected:?}"))
}

/// The reading with the fault: how it failed, if it did and had to.
async fn first(session: &Session, meter: &mut dyn Meter, must: First) -> Result<Option<FaultKind>, String> {
    if let First::Dropped(after) = must {
        let _done = timeout(after, meter.measure(Exposure::default())).await.is_ok();
        return Ok(Some(FaultKind::Silent));
    }
    let [expected, _] = &session.readings;
    match (measure(meter).await?, must) {
        (Ok(_), First::Ends) => Ok(None),
        (Ok(value), First::Value | First::NoOther | First::Gone) if value == *expected => Ok(None),
        (Ok(value), _) => Err(format!("gave {value:?}")),
        (Err(fault), First::Value) => Err(format!("gave no value: {}", chain(&fault))),
        (Err(fault), First::Gone) if fault.kind() != FaultKind::Gone => {
            Err(format!("{:?} instead of Gone: {}", fault.kind(), chain(&fault)))
        }
        (Err(fault), _) => Ok(Some(fault.kind())),
    }
}

async fn measure(meter: &mut dyn Meter) -> Result<Result<Sample, Fault>, String> {
    let (exposure, late) = (Exposure::default(), |_| "did not end within its deadline".to_owned());
    timeout(meter.deadline(exposure), meter.measure(exposure)).await.map_err(late)
}
