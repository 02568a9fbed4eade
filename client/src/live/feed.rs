//! What the daemon tells, as news: over one connection that is opened again whenever it has ended.
//!
//! Whatever is only watched causes no exposure. To measure is a subscription more, which asks for readings and is told next to none
//! of them: they all come by the one that watches.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use settled::clock::boot_s;
use settled_protocol::method::{ClockKind, HelloResult, ObserveParams};
use settled_protocol::text::Text;
use tokio::sync::{Notify, mpsc};
use tokio::task::JoinSet;
use tokio::time::{Instant, MissedTickBehavior, interval, sleep, timeout};

use super::state::News;
use crate::connection::{CallError, Connection};
use crate::following::backoff::Backoff;
use crate::lease::inherited;
use crate::subscription::{Event, Subscription};
use join::{Joined, is_refused};

mod join;

/// News on their way to the picture: a second of the fastest meters.
const NEWS: usize = 512;
/// Orders on their way to the daemon: nobody types faster.
const ORDERS: usize = 32;
/// How long one attempt to come back may take.
const ATTEMPT: Duration = Duration::from_secs(10);
/// Between two looks at what isn't told by itself: events, and until when a lease is.
const LOOK: Duration = Duration::from_secs(2);
/// The longest that a subscription can be told to leave readings out for, in s.
const SELDOM_S: f64 = 86_400.0;

/// To ask for readings of a meter from now on, or no more.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Order {
    /// The meter's id.
    pub meter: String,
    /// Whether to ask.
    pub on: bool,
}

/// The two ends of a feed. Dropping it ends its connection, and with it whatever was measured for it.
#[derive(Debug)]
pub struct Feed {
    /// What is new.
    pub news: mpsc::Receiver<News>,
    /// What is to be measured.
    pub orders: mpsc::Sender<Order>,
    _task: JoinSet<()>,
}

impl Feed {
    /// Begins over a connection that is open.
    #[must_use]
    pub fn begin(connection: Connection) -> Self {
        let (sender, news) = mpsc::channel(NEWS);
        let (orders, taken) = mpsc::channel(ORDERS);
        let source = Source {
            path: connection.path().map(PathBuf::from),
            name: connection.name().cloned(),
            news: sender,
            orders: taken,
            measured: BTreeSet::new(),
            past: join::Past::default(),
        };
        let mut task = JoinSet::new();
        task.spawn(source.run(connection));
        Self { news, orders, _task: task }
    }
}

/// The daemon's end.
struct Source {
    path: Option<PathBuf>,
    name: Option<Text>,
    news: mpsc::Sender<News>,
    orders: mpsc::Receiver<Order>,
    measured: BTreeSet<String>,
    past: join::Past,
}

/// That nobody wants news any more.
struct Unwanted;

impl Source {
    async fn run(mut self, connection: Connection) {
        let mut backoff = Backoff::default();
        let mut next = Some(connection);
        while !self.news.is_closed() {
            let (since, outcome) = (Instant::now(), self.attempt(next.take()).await);
            let said = match outcome {
                Ok(()) => self.news.send(News::Lost).await,
                Err(why) => self.news.send(News::Tried(why)).await,
            };
            if said.is_err() || self.pause(backoff.after(since.elapsed())).await.is_err() {
                return;
            }
        }
    }

    /// Orders are taken while there is no daemon, too.
    async fn pause(&mut self, wait: Duration) -> Result<(), Unwanted> {
        let until = sleep(wait);
        tokio::pin!(until);
        loop {
            tokio::select! {
                () = &mut until => return Ok(()),
                order = self.orders.recv() => self.note(&order.ok_or(Unwanted)?),
            }
        }
    }

    fn note(&mut self, Order { meter, on }: &Order) {
        if *on {
            self.measured.insert(meter.clone());
        } else {
            self.measured.remove(meter);
        }
    }

    /// Opens a connection, unless there is one, and tells of it until it ends; or why that came to nothing.
    async fn attempt(&mut self, connection: Option<Connection>) -> Result<(), String> {
        let joining = async {
            let connection = match (connection, &self.path) {
                (Some(connection), _) => connection,
                (None, Some(path)) => Connection::open(path).await.map_err(|error| error.to_string())?,
                (None, None) => return Err("the connection has ended".to_owned()),
            };
            let hello = match connection.introduce(self.name.clone()).await {
                Ok(hello) => Some(hello),
                Err(error) if is_refused(&error) => None,
                Err(error) => return Err(error.to_string()),
            };
            let joined = join::join(&connection).await.map_err(|error| error.to_string())?;
            Ok((connection, hello, joined))
        };
        let joined = timeout(ATTEMPT, joining).await;
        let (connection, hello, joined) =
            joined.unwrap_or_else(|_| Err("it takes no requests".to_owned()))?;
        match self.serve(Arc::new(connection), hello, joined).await {
            Ok(()) | Err(CallError::Closed) => Ok(()),
            Err(error) => Err(error.to_string()),
        }
    }

    async fn serve(
        &mut self,
        connection: Arc<Connection>,
        hello: Option<HelloResult>,
        joined: Joined,
    ) -> Result<(), CallError> {
        let Joined { meters, runs, log_id, changes } = joined;
        let ids: Vec<String> = meters.iter().map(|meter| meter.id.clone()).collect();
        let (anew, other_log) = self.past.note(log_id, hello.as_ref());
        let speed = hello.as_ref().map_or(1.0, |hello| hello.clock.speed);
        self.tell(News::Joined { meters, runs, anew, other_log, speed }).await?;
        let mut forwarding = JoinSet::new();
        let missed = Arc::new(Notify::new());
        for change in changes {
            forwarding.spawn(forward(change, self.news.clone(), Arc::clone(&missed)));
        }
        let real_time = hello.is_none_or(|hello| hello.clock.kind == ClockKind::System);
        for id in &ids {
            match connection.observe(&ObserveParams { meter: id.clone(), ..ObserveParams::default() }).await {
                Ok(readings) => {
                    let past = self.past.readings(&connection, id, real_time).await?;
                    for news in past {
                        self.tell(news).await?;
                    }
                    forwarding.spawn(forward(readings, self.news.clone(), Arc::default()));
                }
                Err(error) if is_refused(&error) => {
                    self.tell(News::Unfollowed(id.clone(), error.to_string())).await?;
                }
                Err(error) => return Err(error),
            }
        }
        self.keep_up(&connection, &missed).await
    }

    /// Measures what is to be measured, and looks at what isn't told by itself, or was `missed`, until the connection ends.
    async fn keep_up(&mut self, connection: &Arc<Connection>, missed: &Notify) -> Result<(), CallError> {
        let mut asked: BTreeMap<String, Subscription> = BTreeMap::new();
        let mut looks = interval(LOOK);
        looks.set_missed_tick_behavior(MissedTickBehavior::Delay);
        loop {
            asked.retain(|meter, _| self.measured.contains(meter));
            let missing = self.measured.iter().find(|meter| !asked.contains_key(*meter)).cloned();
            if let Some(meter) = missing {
                match connection.observe(&asking(&meter)).await {
                    Ok(readings) => drop(asked.insert(meter, readings)),
                    Err(error) if is_refused(&error) => {
                        self.measured.remove(&meter);
                        self.tell(News::Unmeasured(meter, error.to_string())).await?;
                    }
                    Err(error) => return Err(error),
                }
                continue;
            }
            tokio::select! {
                biased;
                () = connection.closed() => return Ok(()),
                order = self.orders.recv() => self.note(&order.ok_or(CallError::Closed)?),
                () = missed.notified() => self.tell(News::Runs(join::runs(connection).await?)).await?,
                _ = looks.tick() => {
                    for news in self.past.look(connection).await? {
                        self.tell(news).await?;
                    }
                }
            }
        }
    }

    async fn tell(&self, news: News) -> Result<(), CallError> {
        self.news.send(news).await.map_err(|_| CallError::Closed)
    }
}

/// How readings are asked for: without pause, or as a lease that this program was started under allows.
fn asking(meter: &str) -> ObserveParams {
    ObserveParams {
        meter: meter.to_owned(),
        interval_s: Some(0.0),
        every_s: Some(SELDOM_S),
        lease: inherited(meter),
        ..ObserveParams::default()
    }
}

/// Hands on what a subscription tells, until the connection ends; and whether anything was `missed`.
async fn forward(mut events: Subscription, news: mpsc::Sender<News>, missed: Arc<Notify>) {
    while let Some(event) = events.next().await {
        let new = match event {
            Event::Reading(reading) => News::Reading(reading, Some(boot_s())),
            Event::Meter(meter) => News::Meter(meter),
            Event::Run(run, _) => News::Run(run),
            // The engine knows what a gap is by the times of readings. Of a run its end may have been missed, after which nothing comes.
            Event::Missed(_) => {
                missed.notify_one();
                continue;
            }
        };
        if news.send(new).await.is_err() {
            return;
        }
    }
}
