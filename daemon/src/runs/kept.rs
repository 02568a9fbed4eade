//! A run as the log keeps it: what clients are told of it, and what it takes to go on with it.

use serde::{Deserialize, Serialize};
use settled_protocol::run::{Run, RunPlan, RunState};
use settled_protocol::time::Timestamp;

use super::plan;

/// A run, and where it began on the boot clock.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Kept {
    /// As clients are told of it.
    #[serde(flatten)]
    pub run: Run,
    /// The boot clock where it began, in s; absent before that.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) origin_s: Option<f64>,
    /// The boot that `origin_s` belongs to.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) boot: Option<String>,
    /// Which night it is of those that its plan repeats, from 1 on.
    #[serde(default = "first")]
    pub(super) night: u32,
    /// When the night before it began, or should have where somebody skipped it; absent for the first.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) after: Option<Timestamp>,
}

fn first() -> u32 {
    1
}

impl Kept {
    /// A run that has been asked for.
    pub(super) fn new(number: u64, plan: RunPlan, created: Timestamp, begins: Timestamp) -> Self {
        let run = Run {
            run: number,
            ends: plan::ends(&plan, begins),
            plan,
            state: RunState::Planned,
            created,
            begins,
            elapsed_s: 0.0,
            left_s: None,
            points: 0,
            readings: 0,
            missed: 0,
            first: None,
            last: None,
            gaps: 0,
            gap_s: 0.0,
            quantity: None,
            reference: None,
            latest: None,
            alerts: 0,
            standing: Vec::new(),
            waiting: None,
            flags: Vec::new(),
            drift: None,
            verdict: None,
            findings: Vec::new(),
            settled: None,
            statistics: None,
            night_of: None,
            message: format!("It begins at {begins}."),
        };
        Self { run, origin_s: None, boot: None, night: first(), after: None }
    }

    /// The night after it, if its plan repeats it once more.
    pub(super) fn next(&self, number: u64, created: Timestamp, begins: Timestamp) -> Option<Self> {
        let nightly = self.run.plan.nightly.as_ref()?;
        if nightly.nights.is_some_and(|nights| self.night >= nights) {
            return None;
        }
        let mut next = Self::new(number, self.run.plan.clone(), created, begins);
        next.night = self.night + 1;
        next.after = Some(self.run.begins);
        next.run.night_of = self.chain();
        Some(next)
    }

    /// The first of the nights that it is one of; nothing for a run that doesn't come again.
    pub(super) fn chain(&self) -> Option<u64> {
        self.run.plan.nightly.as_ref().map(|_| self.run.night_of.unwrap_or(self.run.run))
    }

    /// When the night before it began. Earlier daemons wrote none, and planned each as the one before it began.
    pub(super) fn night_before(&self) -> Option<Timestamp> {
        self.after.or_else(|| (self.night > 1).then_some(self.run.created))
    }

    /// Moves its beginning, before it has begun.
    pub(super) fn postpone(&mut self, begins: Timestamp) {
        self.run.begins = begins;
        self.run.ends = plan::ends(&self.run.plan, begins);
        self.run.message = format!("It begins at {begins}.");
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn what_is_kept_of_a_run_is_what_clients_are_told_and_a_little_more() {
        let plan = json!({"meter": "m", "kind": "drift", "duration_s": 9.5, "nightly": {"at": "18:00", "nights": 2}});
        let begins = Timestamp::from_unix_ns(1_795_629_600_000_000_001);
        let mut kept = Kept::new(7, serde_json::from_value(plan).unwrap(), begins, begins);
        (kept.origin_s, kept.boot) = (Some(12.25), Some("b".to_owned()));
        let text = serde_json::to_string(&kept).unwrap();
        let told: Run = serde_json::from_str(&text).unwrap();
        let read: Kept = serde_json::from_str(&text).unwrap();
        assert_eq!((&told, &read.run), (&kept.run, &kept.run));
        assert_eq!((read.origin_s, read.boot.as_deref(), read.night), (Some(12.25), Some("b"), 1));
        let next = kept.next(8, begins, plan::after(begins, 86_400.0)).unwrap();
        assert_eq!((next.night, next.chain(), next.run.night_of), (2, Some(7), Some(7)));
        assert_eq!((kept.night_before(), next.night_before()), (None, Some(begins)));
        let mut early = serde_json::to_value(&next).unwrap();
        early.as_object_mut().unwrap().remove("after").unwrap();
        let early: Kept = serde_json::from_value(early).unwrap();
        assert_eq!(early.night_before(), Some(early.run.created), "as it was before this was written");
        assert!(next.next(9, begins, begins).is_none(), "there are two nights");
    }
}
