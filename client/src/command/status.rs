//! `settle status`: how the daemon is.

use settled_protocol::method::{DaemonStatus, LogRoom, Nothing, RecordingStatus, Status};

use super::{Context, Exit, Failure};
use crate::show;

pub(super) async fn run(context: &Context) -> Result<Exit, Failure> {
    let status = context.connect().await?.call::<DaemonStatus>(&Nothing {}).await?;
    if context.output.json {
        context.output.object(&status)?;
        return Ok(Exit::Done);
    }
    for line in words(&status) {
        context.output.line(&line)?;
    }
    Ok(Exit::Done)
}

fn words(status: &Status) -> Vec<String> {
    let mut lines = vec![
        format!(
            "settled {}, up for {}, {} connected",
            status.version,
            show::span(status.uptime_s),
            status.clients
        ),
        match (&status.log.reason, status.log.last_sequence) {
            (Some(reason), _) => format!("log: NOT WRITTEN: {reason}"),
            (None, Some(last)) => format!("log: written, last reading {last}"),
            (None, None) => "log: written, no reading yet".to_owned(),
        },
    ];
    lines.extend(unlogged(status.log.unlogged));
    lines.extend(status.log.room.map(room));
    lines.extend(status.log.id.as_ref().map(|id| format!("log's id: {id}")));
    lines.extend(status.recording.as_ref().map(recording));
    lines.extend(status.meters.iter().map(|meter| {
        format!("{}: {} exposures, {} requests waiting", meter.meter, meter.exposures, meter.waiting)
    }));
    lines
}

/// How many readings are in no log: nothing where all are.
fn unlogged(count: u64) -> Option<String> {
    match count {
        0 => None,
        1 => Some("log: 1 reading went out unlogged since the daemon started".to_owned()),
        more => Some(format!("log: {more} readings went out unlogged since the daemon started")),
    }
}

fn room(room: LogRoom) -> String {
    let LogRoom { left_bytes, quota_bytes, low } = room;
    let low = if low { "room for the log: LOW:" } else { "room for the log:" };
    let quota =
        quota_bytes.map_or_else(String::new, |quota| format!(", of a quota of {}", show::size(quota)));
    format!("{low} {} left{quota}", show::size(left_bytes))
}

fn recording(recording: &RecordingStatus) -> String {
    let RecordingStatus { file, bytes, writing, reason } = recording;
    let size = show::size(*bytes);
    match reason {
        None if *writing => format!("recording: {file}, {size}"),
        None => format!("recording: ENDED: {file}, {size}"),
        Some(reason) => format!("recording: ENDED: {reason}; {file}, {size}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn little_room_and_readings_that_are_in_no_log_are_told() {
        let of = |low, quota_bytes| room(LogRoom { left_bytes: 12_300_000, quota_bytes, low });
        assert_eq!(of(false, None), "room for the log: 12.3 MB left");
        assert_eq!(
            of(true, Some(2_000_000_000)),
            "room for the log: LOW: 12.3 MB left, of a quota of 2.0 GB"
        );
        assert_eq!(unlogged(0), None);
        assert_eq!(unlogged(2).unwrap(), "log: 2 readings went out unlogged since the daemon started");
    }

    #[test]
    fn a_recording_that_has_ended_early_says_so_and_why() {
        let status = |reason: Option<&str>| RecordingStatus {
            file: "/r.jsonl".to_owned(),
            bytes: 1_234_567,
            writing: reason.is_none(),
            reason: reason.map(str::to_owned),
        };
        assert_eq!(recording(&status(None)), "recording: /r.jsonl, 1.2 MB");
        let ended = "recording: ENDED: it has reached its limit; /r.jsonl, 1.2 MB";
        assert_eq!(recording(&status(Some("it has reached its limit"))), ended);
    }
}
