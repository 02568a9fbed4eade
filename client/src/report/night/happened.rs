//! What happened while a run went on, as a table.

use settled_protocol::log::{Event, EventKind};

use super::Night;
use crate::report::Section;
use crate::review::figures::Table;
use crate::show;

/// Events that stand in a report: the first of them, where there are more.
const MOST: usize = 200;

/// What happened, in its order.
pub(super) fn section(night: &Night) -> Section {
    let events = &night.course.events;
    let mut words = Vec::new();
    if events.is_empty() {
        words.push("The log has nothing beside the readings.".to_owned());
    } else if events.len() > MOST || night.course.more_events {
        words.push(format!(
            "The first {MOST} are here, alerts and trouble before all else; settle log events --run {} has all of them.",
            night.run.run
        ));
    }
    let row = |event: &Event| vec![moment(night, event), event.kind.words(), event.words().into_owned()];
    let rows: Vec<Vec<String>> = foremost(events).into_iter().map(row).collect();
    let (from, until) = (night.statistics.since, night.statistics.until);
    let zone = night.zone.words(from, until);
    let columns = vec![format!("when, {zone}"), "what".to_owned(), "detail".to_owned()];
    let table = Table { title: show::counted(rows.len() as u64, "event", "events"), columns, rows };
    let tables = if events.is_empty() { Vec::new() } else { vec![table] };
    Section { heading: "What happened".to_owned(), words, plots: Vec::new(), tables }
}

/// Those that stand in a report, in the order of time: of too many those that somebody was to be told of come first.
fn foremost(events: &[Event]) -> Vec<&Event> {
    let mut ranked: Vec<&Event> = events.iter().collect();
    ranked.sort_by_key(|event| match event.kind {
        EventKind::Alert => 0,
        kind if kind.is_trouble() => 1,
        _ => 2,
    });
    ranked.truncate(MOST);
    ranked.sort_by_key(|event| event.sequence);
    ranked
}

fn moment(night: &Night, event: &Event) -> String {
    let local = night.zone.at(event.at);
    format!("{} {}", local.full_date(), local.second())
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    #[test]
    fn an_alert_stands_in_the_report_however_much_came_before_it() {
        let event = |sequence: usize| {
            let kind = if sequence == 300 { "alert" } else { "run_gap" };
            let told = json!({ "sequence": sequence, "at": "2026-11-26T18:30:00Z", "t_s": 1.0, "boot": "b", "kind": kind, "detail": "d" });
            serde_json::from_value(told).unwrap()
        };
        let events: Vec<_> = (1..=400).map(event).collect();
        let sequences: Vec<u64> = super::foremost(&events).iter().map(|event| event.sequence).collect();
        assert_eq!(sequences, (1..200).chain([300]).collect::<Vec<u64>>());
    }
}
