//! What a client asks for with a run: looked at, and completed.

use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::run::{AlertRules, Run, RunKind, RunPlan};
use settled_protocol::time::Timestamp;

use super::nightly::TimeOfDay;
use super::words;

/// The longest that a run lasts, in s: a year.
const LONGEST_S: f64 = 31_557_600.0;

/// The longest interval between two bursts, in s, and the longest that a run repeated each day lasts.
const DAY_S: f64 = 86_400.0;

/// The most readings of a burst.
const LARGEST_BURST: u32 = 1000;

/// The most nights.
const MOST_NIGHTS: u32 = 10_000;

/// How long a warm-up is waited for unless its plan says otherwise, in s.
const USUAL_WAIT_S: f64 = 7200.0;

/// How long a meter may give nothing before that is an alert, unless the plan says otherwise, in s.
const USUAL_LOST_S: f64 = 60.0;

/// The plan, if a run can be made of it at `now`.
///
/// # Errors
/// `invalid_params`, with the first member that is wrong.
pub(super) fn checked(plan: RunPlan, now: Timestamp) -> Result<RunPlan, RpcError> {
    span("integration_s", plan.integration_s, 1e-6, 3600.0)?;
    span("interval_s", plan.interval_s, 0.0, DAY_S)?;
    span("duration_s", plan.duration_s, 1.0, LONGEST_S)?;
    let AlertRules { luminance, chromaticity, lost_s } = plan.alert;
    span("alert.luminance", luminance, 1e-6, 10.0)?;
    span("alert.chromaticity", chromaticity, 1e-6, 1.0)?;
    span("alert.lost_s", lost_s, 1.0, DAY_S)?;
    if let Some(burst) = plan.burst.filter(|burst| !(1..=LARGEST_BURST).contains(burst)) {
        return Err(wrong(format!("params.burst must be from 1 to {LARGEST_BURST}, not {burst}")));
    }
    if plan.kind == RunKind::WarmUp && (plan.interval_s.is_some() || plan.burst.is_some()) {
        return Err(wrong("a warm_up never pauses: it has neither params.interval_s nor params.burst"));
    }
    plan.criteria.checked().map_err(|error| wrong(format!("params.criteria: {error}")))?;
    check_times(&plan, now)?;
    check_pace(&plan, now)?;
    Ok(plan)
}

/// A single point says nothing of how light behaves.
fn check_pace(plan: &RunPlan, now: Timestamp) -> Result<(), RpcError> {
    let (pace_s, begins) = (interval_s(plan), plan.start.map_or(now, |start| start.max(now)));
    match lasts_s(plan, begins) {
        Some(lasts_s) if pace_s > 0.0 && pace_s >= lasts_s => {
            let (lasts, pace) = (words::span(lasts_s), words::span(pace_s));
            Err(wrong(format!(
                "in {lasts} there is one point alone where one is due each {pace}: choose a shorter interval, or let it last longer"
            )))
        }
        _ => Ok(()),
    }
}

fn check_times(plan: &RunPlan, now: Timestamp) -> Result<(), RpcError> {
    if let Some(nightly) = &plan.nightly {
        let _known: TimeOfDay = nightly.at.parse().map_err(wrong)?;
        if let Some(nights) = nightly.nights.filter(|nights| !(1..=MOST_NIGHTS).contains(nights)) {
            return Err(wrong(format!(
                "params.nightly.nights must be from 1 to {MOST_NIGHTS}, not {nights}"
            )));
        }
        if plan.start.is_some() || plan.until.is_some() {
            return Err(wrong("with params.nightly there is neither params.start nor params.until"));
        }
        let is_a_day = |duration_s: f64| duration_s <= DAY_S;
        return match plan.duration_s.or((plan.kind == RunKind::WarmUp).then_some(USUAL_WAIT_S)) {
            Some(duration_s) if is_a_day(duration_s) => Ok(()),
            _ => {
                Err(wrong("with params.nightly, params.duration_s must be there, and a day (86400) at most"))
            }
        };
    }
    if plan.duration_s.is_some() && plan.until.is_some() {
        return Err(wrong("params.duration_s and params.until say the same: leave one out"));
    }
    if plan.kind == RunKind::Stability && plan.duration_s.is_none() && plan.until.is_none() {
        return Err(wrong("a stability run needs params.duration_s or params.until"));
    }
    let begins = plan.start.map_or(now, |start| start.max(now));
    let Some(until) = plan.until else { return Ok(()) };
    match seconds_between(begins, until) {
        lasts_s if lasts_s < 1.0 => {
            Err(wrong(format!("params.until is over by then: it would begin at {begins}")))
        }
        lasts_s if lasts_s > LONGEST_S => {
            Err(wrong("params.until is more than a year after the run's start"))
        }
        _ => Ok(()),
    }
}

fn span(member: &str, value: Option<f64>, min: f64, max: f64) -> Result<(), RpcError> {
    match value {
        Some(value) if !(min..=max).contains(&value) => {
            Err(wrong(format!("params.{member} must be from {min} to {max}, not {value}")))
        }
        _ => Ok(()),
    }
}

fn wrong(message: impl Into<String>) -> RpcError {
    RpcError::new(ErrorKind::InvalidParams, message)
}

/// From the beginning of one burst to that of the next, in s.
pub(crate) fn interval_s(plan: &RunPlan) -> f64 {
    plan.pace_s()
}

/// Readings of a burst.
pub(super) fn burst(plan: &RunPlan) -> u32 {
    plan.burst.unwrap_or(1)
}

/// How long a meter may give nothing before that is an alert, in s.
pub(super) fn lost_s(plan: &RunPlan) -> f64 {
    plan.alert.lost_s.unwrap_or(USUAL_LOST_S)
}

/// How long a run lasts that begins at `begins`, in s; nothing for one that goes on until it is stopped.
pub(super) fn lasts_s(plan: &RunPlan, begins: Timestamp) -> Option<f64> {
    let until_s = plan.until.map(|until| seconds_between(begins, until).max(0.0));
    let usual_s = (plan.kind == RunKind::WarmUp).then_some(USUAL_WAIT_S);
    plan.duration_s.or(until_s).or(usual_s)
}

/// When it ends, as far as is known.
pub(super) fn ends(plan: &RunPlan, begins: Timestamp) -> Option<Timestamp> {
    plan.until.or_else(|| lasts_s(plan, begins).map(|lasts_s| after(begins, lasts_s)))
}

/// How long a run will still be that has just begun, in s.
pub(super) fn left_s(run: &Run) -> Option<f64> {
    run.ends.filter(|_| run.plan.kind != RunKind::WarmUp).map(|ends| seconds_between(run.begins, ends))
}

/// From one moment to another, in s; less than 0 where the other came first.
pub(super) fn seconds_between(one: Timestamp, other: Timestamp) -> f64 {
    let forward = other.unix_ns().saturating_sub(one.unix_ns()) as f64;
    let backward = one.unix_ns().saturating_sub(other.unix_ns()) as f64;
    (forward - backward) / 1e9
}

/// The moment so many s after one.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "held to what a stamp can be")]
pub(super) fn after(moment: Timestamp, seconds: f64) -> Timestamp {
    let ns = (seconds.max(0.0) * 1e9) as u64;
    Timestamp::from_unix_ns(moment.unix_ns().saturating_add(ns))
}

/// What a run is called where people read it.
pub(super) fn name(run: &Run) -> String {
    let kind = match run.plan.kind {
        RunKind::WarmUp => "warm-up",
        RunKind::Stability => "stability",
        RunKind::Drift => "drift",
    };
    match &run.plan.label {
        Some(label) => format!("{kind} run {} ({:?})", run.run, label.as_str()),
        None => format!("{kind} run {}", run.run),
    }
}

#[cfg(test)]
mod tests {
    use serde_json::{Value, json};

    use super::*;

    const NOW: u64 = 1_795_629_600_000_000_000;

    fn check(plan: Value) -> Result<RunPlan, String> {
        let plan = serde_json::from_value(plan).unwrap();
        checked(plan, Timestamp::from_unix_ns(NOW)).map_err(|error| error.message)
    }

    #[test]
    fn a_plan_that_makes_no_sense_is_refused_with_what_is_wrong() {
        for (plan, expected) in [
            (
                json!({"kind": "drift", "interval_s": -1.0}),
                "params.interval_s must be from 0 to 86400, not -1",
            ),
            (json!({"kind": "drift", "burst": 0}), "params.burst must be from 1 to 1000, not 0"),
            (json!({"kind": "drift", "alert": {"lost_s": 0.0}}), "params.alert.lost_s must be from 1"),
            (json!({"kind": "warm_up", "burst": 2}), "a warm_up never pauses"),
            (json!({"kind": "stability"}), "needs params.duration_s or params.until"),
            (json!({"kind": "drift", "duration_s": 9.0, "until": "2026-11-26T00:00:00Z"}), "leave one out"),
            (json!({"kind": "drift", "until": "2026-11-25T17:00:00Z"}), "params.until is over by then"),
            (json!({"kind": "drift", "nightly": {"at": "25:00"}}), "params.nightly.at"),
            (json!({"kind": "drift", "nightly": {"at": "18:00"}}), "params.duration_s must be there"),
            (json!({"kind": "drift", "duration_s": 90_000.0, "nightly": {"at": "18:00"}}), "a day"),
            (json!({"kind": "drift", "duration_s": 9.0, "nightly": {"at": "18:00", "nights": 0}}), "nights"),
            (
                json!({"kind": "drift", "duration_s": 28_800, "interval_s": 36_000}),
                "in 8 h there is one point alone where one is due each 10 h",
            ),
            (
                json!({"kind": "drift", "duration_s": 30.0}),
                "in 30 s there is one point alone where one is due each 1 min: choose a shorter interval, or let it last longer",
            ),
            (
                json!({"kind": "stability", "interval_s": 3600, "until": "2026-11-25T18:30:00Z"}),
                "one point alone",
            ),
        ] {
            let mut whole = plan.clone();
            whole["meter"] = json!("m");
            let found = check(whole).expect_err(&plan.to_string());
            assert!(found.contains(expected), "{plan}: {found}");
        }
    }

    #[test]
    fn what_a_plan_leaves_out_is_as_it_is_documented() {
        let begins = Timestamp::from_unix_ns(NOW);
        let drift = check(json!({"meter": "m", "kind": "drift"})).unwrap();
        assert_eq!((interval_s(&drift), burst(&drift), lasts_s(&drift, begins)), (60.0, 1, None));
        let held =
            check(json!({"meter": "m", "kind": "stability", "until": "2026-11-25T19:00:00Z"})).unwrap();
        assert_eq!((interval_s(&held), lost_s(&held), lasts_s(&held, begins)), (0.0, 60.0, Some(3600.0)));
        let warm = check(json!({"meter": "m", "kind": "warm_up", "nightly": {"at": "18:00"}})).unwrap();
        assert_eq!(lasts_s(&warm, begins), Some(7200.0));
    }
}
