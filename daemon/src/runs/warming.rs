//! Until the light has settled, or the run's time is over: a settling as any client's, that belongs to a run.

use std::sync::Arc;

use settled_drivers::clock::Clock as _;
use settled_drivers::sample::Exposure;
use settled_protocol::reading::Flag;
use settled_protocol::run::RunVerdict;
use settled_protocol::settling::{Criteria, Forecast, Verdict};
use tokio::sync::broadcast::error::RecvError;
use tokio::sync::watch;

use super::course::Course;
use crate::meter_task::Published;
use crate::settle::expected_left_s;
use crate::settling::{self, Report};

/// From a failure to the next attempt, in s, at first and at most.
const FIRST_AGAIN_S: f64 = 1.0;
const LAST_AGAIN_S: f64 = 60.0;

/// Between two looks at how it gets on where no reading comes, in s.
const LOOKS_S: f64 = 30.0;

/// Waits for the verdict. What keeps the meter from giving readings is waited out.
pub(super) async fn until_settled(course: &mut Course) {
    let clock = Arc::clone(&course.daemon.clock);
    let mut again_s = FIRST_AGAIN_S;
    loop {
        let Some(error) = settling(course).await else { return };
        course.miss(Some(error)).await;
        clock.sleep_until(clock.now_s() + again_s).await;
        again_s = (2.0 * again_s).min(LAST_AGAIN_S);
    }
}

/// One settling; why it failed if it did.
async fn settling(course: &mut Course) -> Option<settled_protocol::error::RpcError> {
    let (daemon, meter, by) = (Arc::clone(&course.daemon), course.meter.clone(), course.by());
    let criteria = criteria(course);
    let exposure = Exposure { integration_s: course.kept.run.plan.integration_s };
    let (reports, mut reported) = watch::channel(None::<Report>);
    let report = |report| {
        reports.send_replace(Some(report));
    };
    let mut readings = meter.follow();
    let settle = Box::pin(settling::settle(&daemon, &by, meter.id(), criteria, exposure, report));
    tokio::pin!(settle);
    loop {
        let look_s = daemon.clock.now_s() + LOOKS_S;
        tokio::select! {
            biased;
            news = readings.recv() => match news {
                Ok(Published::Reading { logged, .. }) => {
                    let is_ours = logged.reading.runs.contains(&course.kept.run.run);
                    if is_ours && !logged.reading.flags.contains(&Flag::Dark) {
                        course.take(&logged.reading).await;
                    }
                }
                Ok(_) | Err(RecvError::Lagged(_)) => {}
                Err(RecvError::Closed) => std::future::pending().await,
            },
            outcome = &mut settle => return match outcome {
                Ok(settled) => {
                    let has_settled = settled.verdict == Verdict::Settled;
                    course.kept.run.verdict =
                        Some(if has_settled { RunVerdict::Settled } else { RunVerdict::NotSettled });
                    course.kept.run.settled = Some(settled);
                    None
                }
                Err(error) => Some(error),
            },
            Ok(()) = reported.changed() => {
                let report = reported.borrow_and_update().clone();
                if let Some(report) = report {
                    look(course, &report).await;
                }
            }
            () = daemon.clock.sleep_until(look_s) => course.miss(meter.leased(None)).await,
        }
    }
}

/// Takes how it is getting on.
async fn look(course: &mut Course, report: &Report) {
    let most_s = course.lasts_s().map(|lasts_s| (lasts_s - course.elapsed_s()).max(0.0));
    course.kept.run.left_s =
        report.evidence.forecast.and_then(|forecast| left_s(&forecast, report.waited_s, most_s));
    if report.waiting.is_some() {
        course.miss(report.waiting.clone()).await;
    } else {
        course.get_on().await;
    }
}

/// How long it will still be, in s, of a forecast that counts from a settling `waited_s` ago: nothing where people are told that it can't be
/// foreseen yet. Its limit, `most_s` from now, is no forecast.
fn left_s(forecast: &Forecast, waited_s: f64, most_s: Option<f64>) -> Option<f64> {
    let Forecast { settles_at_s, low_s, high_s } = *forecast;
    let left_s = expected_left_s(low_s - waited_s, settles_at_s - waited_s, high_s - waited_s)?;
    Some(left_s.min(most_s.unwrap_or(f64::INFINITY)))
}

/// Its criteria, for what is left of its time.
fn criteria(course: &Course) -> Criteria {
    let criteria = course.kept.run.plan.criteria;
    let elapsed_s = course.elapsed_s().max(0.0);
    let left_s = course.lasts_s().map_or(criteria.max_wait_s, |lasts_s| lasts_s - elapsed_s);
    let min_wait_s = (criteria.min_wait_s - elapsed_s).max(0.0);
    // The run itself ends in time, should that be sooner than a settling can.
    let least_s = criteria.hold_s.max(min_wait_s).max(criteria.preset.least_wait_s()).max(1.0);
    Criteria { min_wait_s, max_wait_s: left_s.max(least_s), ..criteria }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_left_is_told_where_people_are_told_when_it_settles_and_not_else() {
        let forecast = |low_s, settles_at_s, high_s| Forecast { settles_at_s, low_s, high_s };
        let near = forecast(160.0, 200.0, 300.0);
        assert_eq!(left_s(&near, 100.0, Some(7100.0)), Some(100.0));
        assert_eq!(left_s(&near, 100.0, Some(30.0)), Some(30.0), "it is over by then");
        assert_eq!(left_s(&near, 310.0, None), Some(0.0), "it should have by now");
        let far = forecast(110.0, 900.0, 9000.0);
        assert_eq!(left_s(&far, 100.0, Some(7100.0)), None, "it can't be foreseen yet");
    }
}
