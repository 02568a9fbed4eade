//! One fault tried: the profile runs over the session with the fault in it.

use std::sync::Arc;

use tokio::time::timeout;

use super::super::failure::Failure;
use super::super::{ensure, within, words};
use super::Session;
use super::fault::{Case, First};
use crate::clock::Clock;
use crate::driver::{Driver, Source};
use crate::fault::{Fault, FaultKind};
use crate::meter::Meter;
use crate::replay::lines::Lines;
use crate::replay::{AtEnd, Manner};
use crate::sample::{Exposure, Sample};

/// Runs a case; a failure says what was wrong.
pub(super) async fn run(session: &Session, case: Case, clock: &Arc<dyn Clock>) -> Result<(), Failure> {
    let manner = Manner { speed: case.timed.then_some(1.0), at_end: AtEnd::Repeat };
    let driver = Lines::new(session.profile.clone(), case.exchanges, Source::Replayed, manner);
    let opened = |it: Failure| it.said_of("could not be opened");
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
        match recovered.map_err(|_| Failure::from("recovery took longer than it may"))? {
            Ok(()) => {}
            Err(_) if !case.recovers => return Ok(()),
            Err(fault) => return Err(Failure::of(&fault).said_of("was not brought back to order")),
        }
    }
    // So it does where opening it anew asked for something that a reading asks for, too.
    driver.go_on_after(&session.first);
    let [_, expected] = &session.readings;
    let next =
        measure(meter.as_mut()).await?.map_err(|fault| Failure::of(&fault).said_of("the next reading"))?;
    ensure(next == *expected, || {
        format!("the next reading is {} instead of {}", words::reading(&next), words::reading(expected))
    })
}

/// The reading with the fault: how it failed, if it did and had to.
async fn first(session: &Session, meter: &mut dyn Meter, must: First) -> Result<Option<FaultKind>, Failure> {
    if let First::Dropped(after) = must {
        let _done = timeout(after, meter.measure(Exposure::default())).await.is_ok();
        return Ok(Some(FaultKind::Silent));
    }
    let [expected, _] = &session.readings;
    match (measure(meter).await?, must) {
        (Ok(_), First::Ends) => Ok(None),
        (Ok(value), First::Value | First::NoOther | First::Gone) if value == *expected => Ok(None),
        (Ok(value), _) => Err(format!("gave {}", words::reading(&value)).into()),
        (Err(fault), First::Value) => Err(Failure::of(&fault).said_of("gave no value")),
        (Err(fault), First::Gone) if fault.kind() != FaultKind::Gone => {
            Err(Failure::of(&fault).said_of("was not told that it was unplugged"))
        }
        (Err(fault), _) => Ok(Some(fault.kind())),
    }
}

async fn measure(meter: &mut dyn Meter) -> Result<Result<Sample, Fault>, Failure> {
    let (exposure, late) = (Exposure::default(), |_| Failure::from("did not end within its deadline"));
    timeout(meter.deadline(exposure), meter.measure(exposure)).await.map_err(late)
}
