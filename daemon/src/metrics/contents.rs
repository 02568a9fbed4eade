//! What the page says, in families. All of it is at hand: to write it takes no exposure, no query of the log, and no waiting.

use std::sync::atomic::Ordering;

use settled_drivers::clock::Clock as _;
use settled_protocol::log::EventKind;
use settled_protocol::method::LogStatus;

use super::exposition::{Form, Kind, Page, number};
use super::{meters, process, readings, runs};
use crate::daemon::{Daemon, VERSION};

/// The page as it is now.
pub(super) fn page(daemon: &Daemon, form: Form) -> String {
    let mut page = Page::new(form);
    itself(&mut page, daemon);
    let now_s = daemon.clock.now_s();
    let meters: Vec<_> = daemon.handles().map(|handle| (handle, handle.meter(now_s))).collect();
    meters::write(&mut page, &meters);
    readings::write(&mut page, &meters, now_s);
    runs::write(&mut page, &daemon.runs.all());
    log(&mut page, daemon);
    process::write(&mut page);
    page.end()
}

fn itself(page: &mut Page, daemon: &Daemon) {
    let status = daemon.status();
    page.family(Kind::Info, "settled_build", "", "The daemon's version.")
        .sample(&[("version", VERSION)], 1.0);
    page.family(
        Kind::Gauge,
        "settled_uptime_seconds",
        "seconds",
        "Since the daemon started, on its own clock.",
    )
    .sample(&[], status.uptime_s);
    page.gauge(
        "settled_clock_speed",
        "How much faster than real time the daemon's clock runs: 1, or it is a rehearsal.",
    )
    .sample(&[], daemon.clock.info().speed);
    page.gauge("settled_clients", "Connections of clients that are open.").count(&[], count(status.clients));
    page.gauge("settled_subscriptions", "Subscriptions of clients that have begun.")
        .count(&[], count(daemon.subscriptions.load(Ordering::Relaxed)));
    page.counter(
        "settled_notifications_missed",
        "Notifications that clients missed, because they read too slowly or the log had them no more; each was told so.",
    )
    .count(&[], daemon.missed.load(Ordering::Relaxed));
    let mut events = page.counter(
        "settled_events",
        "Events since the daemon started, by kind: clock steps, suspends, faults, alerts.",
    );
    for (kind, happened) in daemon.log.happened() {
        events.count(&[("kind", EventKind::name(kind))], happened);
    }
    let recording = status.recording.as_ref();
    page.gauge("settled_recording_writing", "Whether the recording of the meters' links goes on.")
        .holds(&[], recording.is_some_and(|recording| recording.writing));
    page.family(
        Kind::Gauge,
        "settled_recording_size_bytes",
        "bytes",
        "Size of the recording, where one was begun.",
    )
    .known(&[], recording.map(|recording| number(recording.bytes)));
}

fn log(page: &mut Page, daemon: &Daemon) {
    let LogStatus { writing, bytes, last_sequence, room, unlogged, .. } = daemon.log.status();
    page.gauge("settled_log_on", "Whether the config wants a log.").holds(&[], !daemon.log.is_off());
    page.gauge("settled_log_writing", "Whether readings are being logged.").holds(&[], writing);
    page.family(Kind::Gauge, "settled_log_size_bytes", "bytes", "Size of the log's database.")
        .known(&[], bytes.map(number));
    page.gauge("settled_log_last_sequence", "The last sequence that is durable.")
        .known(&[], last_sequence.map(number));
    let mut left = page.family(
        Kind::Gauge,
        "settled_log_room_bytes",
        "bytes",
        "What the log may still take, where that is known.",
    );
    left.known(&[], room.map(|room| number(room.left_bytes)));
    page.family(
        Kind::Gauge,
        "settled_log_quota_bytes",
        "bytes",
        "The most that the log may take, where the config says so.",
    )
    .known(&[], room.and_then(|room| room.quota_bytes).map(number));
    let mut low =
        page.gauge("settled_log_room_low", "Whether so little room is left that one should see to it.");
    if let Some(room) = room {
        low.holds(&[], room.low);
    }
    page.counter(
        "settled_log_unlogged_readings",
        "Readings that could not be logged since the daemon started.",
    )
    .count(&[], unlogged);
}

pub(super) fn count(count: usize) -> u64 {
    u64::try_from(count).unwrap_or(u64::MAX)
}
