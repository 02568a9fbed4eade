//! The runs that are known, so that what is news is told once. Pure: no I/O and no clock.

use std::collections::BTreeMap;

use settled_protocol::run::{Alert, AlertKind, Run};
use settled_protocol::time::Timestamp;

use super::Event;

/// Runs that are over and remembered all the same: what was under way when they ended must not bring them back.
const REMEMBERED: usize = 64;

/// What is known of a run.
#[derive(Debug)]
struct Known {
    /// Another run of the same number, in another log, was asked for at another time.
    created: Timestamp,
    alerts: u64,
    /// The alerts that were told and may still stand.
    told: Vec<(AlertKind, Timestamp)>,
    is_over: bool,
}

impl Known {
    fn of(run: &Run) -> Self {
        let told = run.standing.iter().map(|alert| (alert.kind, alert.at)).collect();
        Self { created: run.created, alerts: run.alerts, told, is_over: run.state.is_over() }
    }
}

/// The runs that are known, by number.
#[derive(Debug, Default)]
pub(super) struct Roll {
    runs: BTreeMap<u64, Known>,
}

impl Roll {
    /// Begins with a run as it was told elsewhere: its alerts so far are no news. That it is over is.
    pub(super) fn begin(&mut self, run: &Run) {
        self.runs.insert(run.run, Known { is_over: false, ..Known::of(run) });
    }

    /// Those that were not over when they were told last.
    pub(super) fn unfinished(&self) -> Vec<u64> {
        self.runs.iter().filter(|(_, known)| !known.is_over).map(|(number, _)| *number).collect()
    }

    /// All runs that matter, as they are now.
    pub(super) fn look(&mut self, runs: Vec<Run>) -> Vec<Event> {
        let found: Vec<u64> = runs.iter().map(|run| run.run).collect();
        let gone = self.unfinished().into_iter().filter(|number| !found.contains(number)).collect::<Vec<_>>();
        self.runs.retain(|number, _| !gone.contains(number));
        let gone = gone.into_iter().map(Event::Gone);
        gone.chain(runs.into_iter().flat_map(|run| self.take(run, None))).collect()
    }

    /// A run as it is now, and what it is alarmed at, as the daemon told it: what of that is news.
    pub(super) fn take(&mut self, run: Run, alert: Option<Alert>) -> Vec<Event> {
        let mut events = Vec::new();
        if self.runs.get(&run.run).is_some_and(|known| known.created != run.created) {
            events.push(Event::Gone(run.run));
            self.runs.remove(&run.run);
        }
        let known = match self.runs.get_mut(&run.run) {
            // Told while its end was under way.
            Some(known) if known.is_over => return events,
            Some(known) => known,
            None => {
                let begun = Known { is_over: false, ..Known::of(&run) };
                let known = self.runs.entry(run.run).or_insert(begun);
                if alert.is_some() {
                    // It is news, though it stands already.
                    known.alerts = known.alerts.saturating_sub(1);
                    known
                        .told
                        .retain(|told| alert.as_ref().map(|alert| (alert.kind, alert.at)) != Some(*told));
                }
                known
            }
        };
        let came = run.alerts.saturating_sub(known.alerts);
        let candidates = alert.into_iter().chain(run.standing.iter().filter(|_| came > 0).cloned());
        let mut news: Vec<Alert> = Vec::new();
        for alert in candidates {
            let key = (alert.kind, alert.at);
            if !known.told.contains(&key) {
                known.told.push(key);
                news.push(alert);
            }
        }
        let untold = came.saturating_sub(news.len() as u64);
        let standing: Vec<_> = run.standing.iter().map(|alert| (alert.kind, alert.at)).collect();
        let latest = news.last().map(|alert| (alert.kind, alert.at));
        known.told.retain(|told| standing.contains(told) || Some(*told) == latest);
        known.alerts = known.alerts.max(run.alerts);
        known.is_over = run.state.is_over();
        self.forget();
        if untold > 0 {
            events.push(Event::Untold { run: run.run, alerts: untold });
        }
        if news.is_empty() {
            events.push(Event::Run { run: Box::new(run), alert: None });
        } else {
            let each = |alert| Event::Run { run: Box::new(run.clone()), alert: Some(alert) };
            events.extend(news.into_iter().map(each));
        }
        events
    }

    /// Forgets the oldest of those that are over, beyond what is to be remembered.
    fn forget(&mut self) {
        let over: Vec<u64> =
            self.runs.iter().filter(|(_, known)| known.is_over).map(|(number, _)| *number).collect();
        for number in over.iter().take(over.len().saturating_sub(REMEMBERED)) {
            self.runs.remove(number);
        }
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;
    use settled_protocol::run::RunState;

    use super::*;

    fn run(number: u64, state: RunState, alerts: u64, standing: &[Alert]) -> Run {
        let members = json!({
            "run": number, "plan": {"meter": "bench", "kind": "drift"}, "state": state,
            "created": "2026-11-27T18:00:00Z", "begins": "2026-11-27T18:00:00Z", "elapsed_s": 1.0, "points": 1,
            "readings": 1, "missed": 0, "gaps": 0, "gap_s": 0.0, "alerts": alerts, "standing": standing,
            "flags": [], "message": "It goes on.",
        });
        serde_json::from_value(members).unwrap()
    }

    fn alert(minute: u32) -> Alert {
        let members =
            json!({"kind": "luminance", "at": format!("2026-11-27T18:{minute:02}:00Z"), "message": "m"});
        serde_json::from_value(members).unwrap()
    }

    /// The alerts that were news, and how many were never told.
    fn said(events: &[Event]) -> (Vec<Alert>, u64) {
        let mut untold = 0;
        let alerts = events.iter().filter_map(|event| match event {
            Event::Run { alert, .. } => alert.clone(),
            Event::Untold { alerts, .. } => {
                untold += alerts;
                None
            }
            _ => None,
        });
        (alerts.collect(), untold)
    }

    #[test]
    fn an_alert_is_told_once_however_often_it_is_heard_of() {
        let mut roll = Roll::default();
        roll.begin(&run(7, RunState::Running, 0, &[]));
        let stands = || run(7, RunState::Running, 1, &[alert(1)]);
        assert_eq!(said(&roll.take(stands(), Some(alert(1)))), (vec![alert(1)], 0));
        assert_eq!(said(&roll.take(stands(), Some(alert(1)))), (vec![], 0));
        assert_eq!(said(&roll.look(vec![stands()])), (vec![], 0));
    }

    #[test]
    fn an_alert_that_came_while_nobody_listened_is_told_if_it_stands_and_counted_if_it_does_not() {
        let mut roll = Roll::default();
        roll.begin(&run(7, RunState::Running, 1, &[alert(1)]));
        let now = run(7, RunState::Running, 4, &[alert(9)]);
        assert_eq!(said(&roll.look(vec![now])), (vec![alert(9)], 2));
    }

    #[test]
    fn what_stood_before_anybody_watched_is_no_news() {
        let mut roll = Roll::default();
        assert_eq!(said(&roll.look(vec![run(7, RunState::Running, 1, &[alert(1)])])), (vec![], 0));
        // Of a run that is heard of for the first time because of it, it is.
        let events = roll.take(run(8, RunState::Running, 1, &[alert(2)]), Some(alert(2)));
        assert_eq!(said(&events), (vec![alert(2)], 0));
    }

    #[test]
    fn what_is_over_stays_over_and_what_the_log_does_not_know_is_gone() {
        let mut roll = Roll::default();
        roll.begin(&run(7, RunState::Running, 0, &[]));
        roll.begin(&run(8, RunState::Running, 0, &[]));
        assert_eq!(roll.take(run(7, RunState::Done, 0, &[]), None).len(), 1);
        assert_eq!(roll.take(run(7, RunState::Running, 0, &[]), None), []);
        assert_eq!(roll.unfinished(), [8]);
        assert_eq!(roll.look(vec![]), [Event::Gone(8)]);
        assert_eq!(roll.unfinished(), [] as [u64; 0]);
    }

    #[test]
    fn a_run_of_the_same_number_in_another_log_is_another() {
        let mut roll = Roll::default();
        roll.begin(&run(7, RunState::Running, 0, &[]));
        let other =
            Run { created: "2026-11-28T18:00:00Z".parse().unwrap(), ..run(7, RunState::Running, 0, &[]) };
        let events = roll.look(vec![other]);
        assert!(matches!(events.as_slice(), [Event::Gone(7), Event::Run { .. }]), "{events:?}");
    }

    #[test]
    fn those_that_are_over_are_not_remembered_for_ever() {
        let mut roll = Roll::default();
        for number in 1..1000 {
            assert_eq!(roll.take(run(number, RunState::Done, 0, &[]), None).len(), 1);
        }
        assert_eq!(roll.runs.len(), REMEMBERED);
    }
}
