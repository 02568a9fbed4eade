//! A burst of readings now and then, until somebody takes the run away. What the meter can't give is tried again, patiently.

use std::sync::Arc;

use settled_drivers::clock::Clock as _;
use settled_drivers::sample::Exposure;
use settled_protocol::error::RpcError;
use settled_protocol::meter::{Meter, State};
use settled_protocol::reading::Flag;
use tokio::sync::broadcast::Receiver;
use tokio::sync::broadcast::error::RecvError;

use super::course::Course;
use super::plan;
use crate::meter_task::{Logged, MeterHandle};

/// From a failure to the next attempt, in s: at first, and at most. That the meter is back is heard of at once.
const FIRST_AGAIN_S: f64 = 1.0;
const LAST_AGAIN_S: f64 = 60.0;

/// Between two looks at a meter that gives nothing, in s: for those who watch the run.
const LOOKS_S: f64 = 60.0;

/// Takes bursts for ever.
pub(super) async fn bursts(course: &mut Course) {
    let (interval_s, size) = (plan::interval_s(&course.kept.run.plan), plan::burst(&course.kept.run.plan));
    let clock = Arc::clone(&course.daemon.clock);
    let mut due_s = course.next_due_s();
    loop {
        clock.sleep_until(due_s).await;
        let began_s = clock.now_s();
        for _ in 0..size {
            reading(course).await;
        }
        // What has been missed isn't made up for.
        due_s = if began_s > due_s + interval_s { began_s } else { due_s } + interval_s;
        // Where exposures take no time, others have theirs in between.
        tokio::task::yield_now().await;
    }
}

/// Takes one reading of light, however long that takes.
async fn reading(course: &mut Course) {
    let clock = Arc::clone(&course.daemon.clock);
    let mut again_s = FIRST_AGAIN_S;
    loop {
        match exposure(course).await {
            Ok(logged) if !logged.reading.flags.contains(&Flag::Dark) => {
                return course.take(&logged.reading).await;
            }
            // Somebody's covered exposure was shared by accident.
            Ok(_) => {}
            Err(error) => {
                course.miss(Some(error)).await;
                let next_s = clock.now_s() + again_s;
                tokio::select! {
                    () = clock.sleep_until(next_s) => {}
                    () = back(course.daemon.observe(), &course.meter) => {}
                }
                again_s = (2.0 * again_s).min(LAST_AGAIN_S);
            }
        }
    }
}

/// One exposure. While it isn't to be had, somebody has the meter for itself say, that is looked at.
async fn exposure(course: &mut Course) -> Result<Arc<Logged>, RpcError> {
    let (meter, by, clock) = (course.meter.clone(), course.by(), Arc::clone(&course.daemon.clock));
    let exposure = Exposure { integration_s: course.kept.run.plan.integration_s };
    let read = meter.read(&by, exposure);
    tokio::pin!(read);
    let mut look_s = course.clock_s(course.lost_at_s()).max(clock.now_s());
    loop {
        tokio::select! {
            biased;
            outcome = &mut read => return outcome,
            () = clock.sleep_until(look_s) => {
                course.miss(meter.leased(None)).await;
                look_s = clock.now_s() + LOOKS_S;
            }
        }
    }
}

/// Waits until a meter that was away is there again; for ever if it isn't away.
async fn back(mut changes: Receiver<Arc<Meter>>, meter: &MeterHandle) {
    let is_away = meter.unusable().is_some();
    loop {
        match changes.recv().await {
            Ok(now)
                if now.id == meter.id() && matches!(now.state, State::Ready | State::Warming) && is_away =>
            {
                return;
            }
            Ok(_) | Err(RecvError::Lagged(_)) => {}
            Err(RecvError::Closed) => std::future::pending().await,
        }
    }
}
