//! Subscriptions: from what meters make known to one client's outbox.

use std::sync::Arc;

use settled_drivers::clock::Boxed;
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::message::{Call, notification_line};
use settled_protocol::meter::Meter;
use settled_protocol::method::{MeterObserve, MetersObserve, Method, Nothing, ObserveParams, RunsObserve};
use settled_protocol::notification::MeterChanged;
use tokio::sync::broadcast::Receiver;
use tokio::sync::broadcast::error::RecvError;

use super::follower::{Demand, Follower, Readings};
use super::outbox::{Outbox, Stream};
use super::running;
use crate::client::Client;
use crate::daemon::Daemon;
use crate::log;
use crate::meter_task::{Listener, Listening, MeterHandle, Purpose, Wanted};
use crate::request;

/// What a subscription forwards. Making one takes no time, whatever the meter is doing.
#[derive(Debug)]
pub(super) enum Source {
    /// A meter's readings.
    Readings(Readings),
    /// Changes of meters' states.
    Meters,
    /// How runs get on, or one of them.
    Runs(Option<u64>),
}

impl Source {
    /// What a call subscribes to; nothing if it doesn't.
    pub(super) fn of(daemon: &Daemon, client: &Client, call: &Call) -> Option<Result<Self, RpcError>> {
        match call.method.as_str() {
            MeterObserve::NAME => {
                let readings =
                    call.params::<MeterObserve>().and_then(|params| Readings::new(daemon, client, &params));
                Some(readings.map(Self::Readings))
            }
            MetersObserve::NAME => Some(call.params::<MetersObserve>().map(|Nothing {}| Self::Meters)),
            RunsObserve::NAME => {
                let run = call.params::<RunsObserve>().and_then(|params| running::checked(daemon, params));
                Some(run.map(Self::Runs))
            }
            _ => None,
        }
    }

    /// Forwards what comes from this call on, though the future be polled later, until either of the two is dropped.
    pub(super) fn forward(
        self,
        daemon: Arc<Daemon>,
        outbox: Arc<Outbox>,
        stream: Stream,
    ) -> (Option<Listening>, Boxed<'static, ()>) {
        match self {
            Self::Readings(readings) => {
                let (meter, follow) = (readings.meter.clone(), readings.meter.follow());
                let follower = Arc::new(Follower::new(readings, outbox, stream));
                let listening = meter.listen(Arc::clone(&follower) as Arc<dyn Listener>);
                (Some(listening), Box::pin(async move { follower.run(&daemon, follow).await }))
            }
            Self::Meters => (None, Box::pin(meters(daemon.observe(), outbox, stream))),
            Self::Runs(run) => (None, Box::pin(running::forward(daemon.runs.observe(), run, outbox, stream))),
        }
    }
}

impl Readings {
    pub(super) fn new(daemon: &Daemon, client: &Client, params: &ObserveParams) -> Result<Self, RpcError> {
        let meter = daemon.meter(&params.meter)?;
        params.after.map_or(Ok(()), |after| can_follow(daemon, after))?;
        let every_s = params.every_s.map(request::every).transpose()?;
        let demand = Demand::new(meter, client, params)?;
        Ok(Self { meter: meter.clone(), demand, after: params.after, spectra: params.spectra, every_s })
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

impl Demand {
    /// What an observer asks for; nothing if it only watches.
    fn new(meter: &MeterHandle, client: &Client, params: &ObserveParams) -> Result<Option<Self>, RpcError> {
        let Some(interval_s) = params.interval_s else { return Ok(None) };
        let wanted = Wanted {
            exposure: request::exposure(meter, params.integration_s)?,
            interval_s: request::interval(interval_s)?,
            purpose: Purpose::Observing,
        };
        let by = client.by(params.lease.as_deref());
        if let Some(error) = by.lease.as_deref().and_then(|token| meter.leased(Some(token))) {
            return Err(error);
        }
        Ok(Some(Self { demanded: meter.reserve(&by)?, by, wanted }))
    }
}

/// Forwards changes of meters' states.
async fn meters(mut changes: Receiver<Arc<Meter>>, outbox: Arc<Outbox>, stream: Stream) {
    loop {
        match changes.recv().await {
            Ok(meter) => {
                let changed = MeterChanged { subscription: stream.to_string(), meter: Meter::clone(&meter) };
                if let Ok(line) = notification_line(&changed) {
                    outbox.notice(&stream, &line);
                }
            }
            Err(RecvError::Lagged(count)) => outbox.lost(&stream, count, None),
            Err(RecvError::Closed) => return,
        }
    }
}
