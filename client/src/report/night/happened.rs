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
            "The first {MOST} are here; settle log events --run {} has all of them.",
            night.run.run
        ));
    }
    let row = |event: &Event| {
        vec![moment(night, event), EventKind::name(event.kind).replace('_', " "), event.detail.clone()]
    };
    let rows: Vec<Vec<String>> = events.iter().take(MOST).map(row).collect();
    let (from, until) = (night.statistics.since, night.statistics.until);
    let zone = night.zone.words(from, until);
    let columns = vec![format!("when, {zone}"), "what".to_owned(), "detail".to_owned()];
    let table = Table { title: show::counted(rows.len() as u64, "event", "events"), columns, rows };
    let tables = if events.is_empty() { Vec::new() } else { vec![table] };
    Section { heading: "What happened".to_owned(), words, plots: Vec::new(), tables }
}

fn moment(night: &Night, event: &Event) -> String {
    let local = night.zone.at(event.at);
    format!("{} {}", local.full_date(), local.second())
}
