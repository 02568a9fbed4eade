//! Runs that are not over: how each gets on, and what it is alarmed at. One that is over is in the log, and leaves the page.

use settled_protocol::run::{AlertKind, Run, RunState};

use super::exposition::{Kind, Page};
use crate::runs::interval_s;

/// Kinds of alert of this version.
const ALERTS: [AlertKind; 5] = [
    AlertKind::Luminance,
    AlertKind::Chromaticity,
    AlertKind::MeterLost,
    AlertKind::DiskLow,
    AlertKind::LogFailed,
];

/// What a counter counts of a run.
type Counted = fn(&Run) -> u64;

/// Name, words, and what is counted.
const COUNTERS: [(&str, &str, Counted); 5] = [
    ("settled_run_points", "Points of the run so far.", |run| run.points),
    ("settled_run_readings", "Readings of the run so far.", |run| run.readings),
    ("settled_run_points_missed", "Points of the run that could not be taken.", |run| run.missed),
    ("settled_run_gaps", "Stretches of the run without readings though some were due.", |run| run.gaps),
    ("settled_run_alerts", "Alerts of the run so far.", |run| run.alerts),
];

pub(super) fn write(page: &mut Page, runs: &[Run]) {
    let mut states = page.gauge("settled_runs", "Runs that are not over, by state.");
    for state in [RunState::Planned, RunState::Running] {
        let count = runs.iter().filter(|run| run.state == state).count();
        states.count(&[("state", state.name())], super::contents::count(count));
    }
    each(page, runs);
    for (name, help, count) in COUNTERS {
        let mut counter = page.counter(name, help);
        for run in runs {
            of(run, |labels| counter.count(labels, count(run)));
        }
    }
    let mut gaps = page.family(
        Kind::Counter,
        "settled_run_gap_seconds",
        "seconds",
        "How long the run's gaps were together.",
    );
    for run in runs {
        of(run, |labels| gaps.sample(labels, run.gap_s));
    }
    let mut standing = page.gauge(
        "settled_run_alert_standing",
        "1 for each kind of alert of the run that stands, 0 for the others.",
    );
    for run in runs {
        for kind in ALERTS {
            let stands = run.standing.iter().any(|alert| alert.kind == kind);
            of(run, |labels| standing.holds(&[labels, &[("alert", kind.name())]].concat(), stands));
        }
    }
}

/// What each run is, and where.
fn each(page: &mut Page, runs: &[Run]) {
    let mut info =
        page.family(Kind::Info, "settled_run", "", "What each run that is not over was asked for.");
    for run in runs {
        let label = run.plan.label.as_ref().map_or("", |label| label.as_str());
        let (kind, state) = (run.plan.kind.name(), run.state.name());
        of(run, |labels| {
            info.sample(&[labels, &[("kind", kind), ("state", state), ("label", label)]].concat(), 1.0)
        });
    }
    let mut interval = page.family(
        Kind::Gauge,
        "settled_run_interval_seconds",
        "seconds",
        "From one burst of readings to the next, of a run that is running; 0 is without pause.",
    );
    for run in runs.iter().filter(|run| run.state == RunState::Running) {
        of(run, |labels| interval.sample(labels, interval_s(&run.plan)));
    }
    let mut left = page.family(
        Kind::Gauge,
        "settled_run_left_seconds",
        "seconds",
        "How long the run will still be, where that is known.",
    );
    for run in runs {
        of(run, |labels| left.known(labels, run.left_s));
    }
}

/// With the labels that every sample of a run has.
fn of(run: &Run, write: impl FnOnce(&[(&str, &str)])) {
    let number = run.run.to_string();
    write(&[("run", number.as_str()), ("meter", run.plan.meter.as_str())]);
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::super::exposition::Form;
    use super::*;

    #[test]
    fn a_run_tells_how_it_gets_on_and_each_alert_that_stands() {
        let run: Run = serde_json::from_value(json!({
            "run": 7, "state": "running", "created": "2026-01-01T18:00:00Z", "begins": "2026-01-01T18:00:00Z",
            "plan": {"meter": "bench", "kind": "drift", "label": "a \"night\"", "interval_s": 60.0},
            "elapsed_s": 3600.0, "left_s": 1800.0, "points": 58, "readings": 174, "missed": 2, "gaps": 1, "gap_s": 90.5,
            "alerts": 3, "flags": [], "message": "It goes on.",
            "standing": [{"kind": "meter_lost", "at": "2026-01-01T18:50:00Z", "message": "The meter gives no readings."}],
        }))
        .unwrap();
        let mut page = Page::new(Form::OpenMetrics);
        write(&mut page, &[run]);
        let text = page.end();
        for line in [
            "settled_runs{state=\"planned\"} 0",
            "settled_runs{state=\"running\"} 1",
            "settled_run_info{run=\"7\",meter=\"bench\",kind=\"drift\",state=\"running\",label=\"a \\\"night\\\"\"} 1",
            "settled_run_interval_seconds{run=\"7\",meter=\"bench\"} 60",
            "settled_run_left_seconds{run=\"7\",meter=\"bench\"} 1800",
            "settled_run_points_total{run=\"7\",meter=\"bench\"} 58",
            "settled_run_points_missed_total{run=\"7\",meter=\"bench\"} 2",
            "settled_run_gap_seconds_total{run=\"7\",meter=\"bench\"} 90.5",
            "settled_run_alert_standing{run=\"7\",meter=\"bench\",alert=\"meter_lost\"} 1",
            "settled_run_alert_standing{run=\"7\",meter=\"bench\",alert=\"disk_low\"} 0",
        ] {
            assert!(text.lines().any(|found| found == line), "{line} in\n{text}");
        }
    }
}
