//! Subscriptions to runs: what happens is told each time, how a run gets on only the latest.

use std::collections::BTreeMap;
use std::sync::Arc;

use settled_protocol::error::RpcError;
use settled_protocol::message::notification_line;
use settled_protocol::notification::RunChanged;
use settled_protocol::run::{ObserveRuns, Run};
use tokio::sync::broadcast::Receiver;
use tokio::sync::broadcast::error::RecvError;

use super::outbox::{Outbox, Stream};
use crate::daemon::Daemon;
use crate::runs::Changed;

/// The run that is observed; nothing for all of them.
///
/// # Errors
/// `no_such_run` where there has been none of that number.
pub(super) fn checked(daemon: &Daemon, params: ObserveRuns) -> Result<Option<u64>, RpcError> {
    match params.run {
        Some(run) if !(1..=daemon.runs.last()).contains(&run) => Err(daemon.runs.none(run)),
        run => Ok(run),
    }
}

/// Forwards changes of runs. While the client doesn't take what it was told, progress is put off, and only the latest of each run is told
/// then.
pub(super) async fn forward(
    mut changes: Receiver<Changed>,
    only: Option<u64>,
    outbox: Arc<Outbox>,
    stream: Stream,
) {
    let tell = |run: &Run, alert| {
        let changed = RunChanged { subscription: stream.to_string(), run: run.clone(), alert };
        if let Ok(line) = notification_line(&changed) {
            outbox.notice(&stream, &line);
        }
    };
    let mut put_off: BTreeMap<u64, Arc<Run>> = BTreeMap::new();
    loop {
        tokio::select! {
            biased;
            change = changes.recv() => match change {
                Ok(Changed { run, .. }) if only.is_some_and(|only| only != run.run) => {}
                Ok(Changed { run, is_progress: true, .. }) => drop(put_off.insert(run.run, run)),
                Ok(Changed { run, alert, is_progress: false }) => {
                    put_off.remove(&run.run);
                    tell(&run, alert);
                }
                Err(RecvError::Lagged(count)) => outbox.lost(&stream, count, None),
                Err(RecvError::Closed) => return,
            },
            () = outbox.drained(&stream), if !put_off.is_empty() => {
                for run in std::mem::take(&mut put_off).into_values() {
                    tell(&run, None);
                }
            }
        }
    }
}
