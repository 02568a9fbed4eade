//! Subscriptions: from what meters make known to one client's outbox.

use std::sync::Arc;

use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::log::Selection;
use settled_protocol::message::notification_line;
use settled_protocol::meter::Meter;
use settled_protocol::method::ObserveParams;
use settled_protocol::notification::MeterChanged;
use tokio::sync::broadcast;
use tokio::sync::broadcast::error::RecvError;

use super::outbox::{Outbox, Stream};
use crate::daemon::Daemon;
use crate::log;
use crate::meter_task::{Demanded, Logged, MeterHandle, Published};

/// A subscription to a meter's readings, made before its answer is sent so that nothing is missed in between.
#[derive(Debug)]
pub(super) struct Readings {
    follow: broadcast::Receiver<Published>,
    demanded: Option<Demanded>,
    params: ObserveParams,
    meter: MeterHandle,
    after: Option<u64>,
}

impl Readings {
    pub(super) async fn new(daemon: &Daemon, params: ObserveParams) -> Result<Self, RpcError> {
        let meter = daemon.meter(&params.meter)?;
        params.after.map_or(Ok(()), |after| can_follow(daemon, after))?;
        let follow = meter.follow();
        let demanded = demand(meter, &params).await?;
        Ok(Self { follow, demanded, meter: meter.clone(), after: params.after, params })
    }

    /// Forwards until the meter's task is gone for good. First from the log, then as they come, with no gap and no repeat
    /// in between: both are told apart by sequence.
    pub(super) async fn forward(mut self, daemon: Arc<Daemon>, outbox: Arc<Outbox>, stream: Stream) {
        let mut last = match self.after {
            Some(after) => self.replay(&daemon, &outbox, &stream, after).await,
            None => 0,
        };
        loop {
            match self.follow.recv().await {
                Ok(Published::Reading { logged, .. }) if logged.reading.sequence > last => {
                    last = logged.reading.sequence;
                    outbox.reading(&stream, logged);
                }
                Ok(Published::Failed { exposure: None, .. }) if self.demanded.is_some() => {
                    self.demanded = demand(&self.meter, &self.params).await.ok().flatten();
                }
                Ok(_) => {}
                // The log has what went by too fast, for those who follow by sequence.
                Err(RecvError::Lagged(_)) if self.after.is_some() => {
                    last = self.replay(&daemon, &outbox, &stream, last).await;
                }
                Err(RecvError::Lagged(count)) => outbox.lost(&stream, count),
                Err(RecvError::Closed) => return,
            }
        }
    }

    /// What came after a sequence, page by page, no faster than the client reads. Where the log can't be read, the client
    /// is told what it misses for that. Returns the last that was sent or missed.
    async fn replay(&self, daemon: &Daemon, outbox: &Outbox, stream: &Stream, mut after: u64) -> u64 {
        loop {
            let limit = Some(u32::try_from(super::LIMITS.waiting_notifications / 2).unwrap_or(1));
            let selection = Selection {
                meter: Some(self.params.meter.clone()),
                after: Some(after),
                limit,
                ..Selection::default()
            };
            let page = match daemon.log.readings(selection).await {
                Ok(page) => page,
                Err(error) => {
                    tracing::warn!(%error, "following a meter from the log");
                    let last = daemon.log.last_given().unwrap_or(after);
                    outbox.unread(stream, after, last);
                    return after.max(last);
                }
            };
            for reading in page.readings {
                after = reading.sequence;
                if let Ok(json) = serde_json::value::to_raw_value(&reading) {
                    outbox.reading(stream, Arc::new(Logged { reading, json }));
                }
            }
            if page.next.is_none() {
                return after;
            }
            outbox.drained(stream).await;
        }
    }
}

/// Refuses to follow from a sequence that this log has not come to: nothing would be told apart from what the client has.
fn can_follow(daemon: &Daemon, after: u64) -> Result<(), RpcError> {
    let last = daemon.log.last_given().ok_or_else(log::off)?;
    if after <= last {
        return Ok(());
    }
    let message =
        format!("params.after is {after}, but this log's last sequence is {last}: is it another log's?");
    Err(RpcError::new(ErrorKind::InvalidParams, message))
}

/// The exposures that an observer asks for; none if it only watches.
async fn demand(meter: &MeterHandle, params: &ObserveParams) -> Result<Option<Demanded>, RpcError> {
    let Some(interval_s) = params.interval_s else { return Ok(None) };
    let exposure = super::dispatch::exposure(params.integration_s)?;
    Ok(Some(meter.demand(exposure, super::dispatch::interval(interval_s)?).await?))
}

/// Forwards changes of meters' states.
pub(super) async fn meters(
    mut changes: broadcast::Receiver<Arc<Meter>>,
    outbox: Arc<Outbox>,
    stream: Stream,
) {
    loop {
        match changes.recv().await {
            Ok(meter) => {
                let changed = MeterChanged { subscription: stream.to_string(), meter: Meter::clone(&meter) };
                if let Ok(line) = notification_line(&changed) {
                    outbox.notice(&stream, line);
                }
            }
            Err(RecvError::Lagged(count)) => outbox.lost(&stream, count),
            Err(RecvError::Closed) => return,
        }
    }
}
