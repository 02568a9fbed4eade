//! `settle status`: how the daemon is.

use settled_protocol::method::{DaemonStatus, Nothing, RecordingStatus, Status};

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
    lines.extend(status.recording.as_ref().map(recording));
    lines.extend(status.meters.iter().map(|meter| {
        format!("{}: {} exposures, {} requests waiting", meter.meter, meter.exposures, meter.waiting)
    }));
    lines
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
