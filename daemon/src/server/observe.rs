//! Subscriptions: from what meters make known to one client's outbox.

use std::sync::Arc;

use settled_drivers::clock::Boxed;
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::log::Selection;
use settled_protocol::message::{Call, notification_line};
use settled_protocol::meter::Meter;
use settled_protocol::method::{MeterObserve, MetersObserve, Method, Nothing, ObserveParams};
use settled_protocol::notification::MeterChanged;
use tokio::sync::broadcast::Receiver;
use tokio::sync::broadcast::error::RecvError;

use super::outbox::{Outbox, Stream};
use crate::client::{By, Client};
use crate::daemon::Daemon;
use crate::log;
use crate::meter_task::{Demanded, Logged, MeterHandle, Published, Purpose, Wanted};
use crate::request;

/// What a subscription forwards. Making one takes no time, whatever the meter is doing.
#[derive(Debug)]
pub(super) enum Source {
    /// A meter's readings.
    Readings(Readings),
    /// Changes of meters' states.
    Meters,
}

impl Source {
    /// What a call subscribes to; nothing if it doesn't.
    pub(super) fn of(daemon: &Daemon, client: &Client, call: &Call) -> Option<Result<Self, RpcError>> {
        match call.method.as_str() {
            MeterObserve::NAME => {
                let readings =
                    call.params::<MeterObserve>().and_then(|params| Readings::new(daemon, client, params));
                Some(readings.map(Self::Readings))
            }
            MetersObserve::NAME => Some(call.params::<MetersObserve>().map(|Nothing {}| Self::Meters)),
            _ => None,
        }
    }

    /// Forwards what comes from this call on, though the future be polled later.
    pub(super) fn forward(
        self,
        daemon: Arc<Daemon>,
        outbox: Arc<Outbox>,
        stream: Stream,
    ) -> Boxed<'static, ()> {
        match self {
            Self::Readings(readings) => {
                let follow = readings.meter.follow();
                Box::pin(readings.forward(follow, daemon, outbox, stream))
            }
            Self::Meters => Box::pin(meters(daemon.observe(), outbox, stream)),
        }
    }
}

/// A subscription to a meter's readings.
#[derive(Debug)]
pub(super) struct Readings {
    meter: MeterHandle,
    demand: Option<Demand>,
    after: Option<u64>,
    spectra: bool,
}

impl Readings {
    fn new(daemon: &Daemon, client: &Client, params: ObserveParams) -> Result<Self, RpcError> {
        let meter = daemon.meter(&params.meter)?;
        params.after.map_or(Ok(()), |after| can_follow(daemon, after))?;
        let demand = Demand::new(meter, client, &params)?;
        Ok(Self { meter: meter.clone(), demand, after: params.after, spectra: params.spectra })
    }

    /// Forwards until the meter's task is gone for good. First from the log, then as they come, with no gap and no repeat
    /// in between: both are told apart by sequence.
    async fn forward(
        self,
        mut follow: Receiver<Published>,
        daemon: Arc<Daemon>,
        outbox: Arc<Outbox>,
        stream: Stream,
    ) {
        if self.press().await.is_err() {
            return;
        }
        let mut last = match self.after {
            Some(after) => self.replay(&daemon, &outbox, &stream, after).await,
            None => 0,
        };
        loop {
            match follow.recv().await {
                Ok(Published::Reading { logged, .. }) if logged.reading.sequence > last => {
                    let before = std::mem::replace(&mut last, logged.reading.sequence);
                    self.send(&outbox, &stream, before, logged);
                    continue;
                }
                // A task that was restarted knows of no demands.
                Ok(Published::Failed { exposure: None, .. }) => {}
                Ok(_) => continue,
                // The log has what went by too fast, for those who follow by sequence. The news of a restart may be
                // among it.
                Err(RecvError::Lagged(_)) if self.after.is_some() => {
                    last = self.replay(&daemon, &outbox, &stream, last).await;
                }
                Err(RecvError::Lagged(count)) => outbox.lost(&stream, count),
                Err(RecvError::Closed) => return,
            }
            if self.press().await.is_err() {
                return;
            }
        }
    }

    /// Tells the meter's task of the demand, if there is one. It waits while the task takes nothing in.
    async fn press(&self) -> Result<(), RpcError> {
        match &self.demand {
            Some(demand) => self.meter.press(&demand.demanded, &demand.by, demand.wanted).await,
            None => Ok(()),
        }
    }

    /// Sends the reading that follows the one `before` it. Who follows by sequence is told first of what went out in between
    /// and is neither in the log nor among what still comes.
    fn send(&self, outbox: &Outbox, stream: &Stream, before: u64, logged: Arc<Logged>) {
        let unlogged = self.after.and_then(|_| self.meter.unlogged(before, logged.reading.sequence));
        if let Some((from, to)) = unlogged {
            outbox.unread(stream, from.saturating_sub(1), to);
        }
        outbox.reading(stream, logged, self.spectra);
    }

    /// What came after a sequence, page by page, no faster than the client reads. Where the log can't be read, the client
    /// is told what it misses for that. Returns the last that was sent or missed.
    async fn replay(&self, daemon: &Daemon, outbox: &Outbox, stream: &Stream, mut after: u64) -> u64 {
        loop {
            let limit = Some(u32::try_from(daemon.limits.waiting_notifications / 2).unwrap_or(1));
            let selection = Selection {
                meter: Some(self.meter.id().to_owned()),
                after: Some(after),
                limit,
                spectra: self.spectra,
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
                let before = std::mem::replace(&mut after, reading.sequence);
                if let Ok(logged) = Logged::new(reading) {
                    self.send(outbox, stream, before, Arc::new(logged));
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

/// The exposures that an observer asks for.
#[derive(Debug)]
struct Demand {
    demanded: Demanded,
    by: By,
    wanted: Wanted,
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
                    outbox.notice(&stream, line);
                }
            }
            Err(RecvError::Lagged(count)) => outbox.lost(&stream, count),
            Err(RecvError::Closed) => return,
        }
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use serde_json::Value;
    use settled_drivers::driver::Registry;
    use settled_drivers::sample::Exposure;

    use super::*;
    use crate::clock::Clock;
    use crate::config::{Config, Survives};
    use crate::stop;

    const CONFIG: &str =
        "[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\n";

    async fn read(daemon: &Daemon, times: usize) {
        for _ in 0..times {
            daemon.meter("m").unwrap().read(&By::itself(), Exposure::default()).await.unwrap();
        }
    }

    /// What each line in the outbox tells, up to a sequence: a reading, or what was missed and why.
    async fn told(outbox: &Outbox, last: u64) -> Vec<(u64, u64, Option<String>)> {
        let mut told = Vec::new();
        while told.last().is_none_or(|(_, to, _)| *to < last) {
            let bytes = outbox.next().await.unwrap();
            for line in bytes.split(|byte| *byte == b'\n').filter(|line| !line.is_empty()) {
                let params = serde_json::from_slice::<Value>(line).unwrap()["params"].take();
                let number = |value: &Value| value.as_u64().unwrap();
                told.push(match params.get("reading") {
                    Some(reading) => (number(&reading["sequence"]), number(&reading["sequence"]), None),
                    None => (number(&params["from"]), number(&params["to"]), Some(params["why"].to_string())),
                });
            }
        }
        told
    }

    /// An observer that looks only after a logged reading, 300 that could not be logged, and then some that could.
    async fn late(logged_again: usize) -> Vec<(u64, u64, Option<String>)> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("log.sqlite");
        let execute = |sql| rusqlite::Connection::open(&path).unwrap().execute_batch(sql).unwrap();
        let config = Config::load(Path::new("/settled.toml"), CONFIG, &Registry::built_in()).unwrap();
        let (log, _written) = log::Log::open(path.clone(), Survives::Crash).unwrap();
        let (_stopper, stop) = stop::pair();
        let (daemon, supervisor) =
            Daemon::new(config.meters, Arc::new(Clock::system()), log, crate::daemon::Terms::default(), stop);
        let mut tasks = tokio::task::JoinSet::new();
        tasks.spawn(supervisor.run());
        let params = ObserveParams { meter: "m".to_owned(), after: Some(0), ..ObserveParams::default() };
        let source = Source::Readings(Readings::new(&daemon, &Client::new(None), params).unwrap());
        let outbox = Arc::new(Outbox::new(&crate::server::LIMITS));
        let observer = source.forward(Arc::clone(&daemon), Arc::clone(&outbox), "s1".into());
        read(&daemon, 1).await;
        execute("ALTER TABLE readings RENAME TO away");
        read(&daemon, 300).await;
        execute("ALTER TABLE away RENAME TO readings");
        read(&daemon, logged_again).await;
        tasks.spawn(observer);
        told(&outbox, 301 + logged_again as u64).await
    }

    #[tokio::test]
    async fn who_follows_by_sequence_and_lags_is_told_of_what_could_not_be_logged() {
        let unavailable = Some("\"log_unavailable\"".to_owned());
        for (logged_again, to) in [(0, 45), (100, 301)] {
            let told = late(logged_again).await;
            assert_eq!(told[0], (1, 1, None));
            assert_eq!(told[1], (2, to, unavailable.clone()), "{logged_again}: {told:?}");
            // Whatever there is was told, and once.
            let follows = told.windows(2).all(|pair| pair[0].1 + 1 == pair[1].0);
            assert!(follows, "{logged_again}: {told:?}");
        }
    }
}
