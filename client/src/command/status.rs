//! `settle status`: how the daemon is.

use settled_protocol::method::{DaemonStatus, Nothing, Status};

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
    lines.extend(status.meters.iter().map(|meter| {
        format!("{}: {} exposures, {} requests waiting", meter.meter, meter.exposures, meter.waiting)
    }));
    lines
}
