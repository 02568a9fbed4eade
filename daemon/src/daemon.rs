//! Everything put together: meters, log, clock. And taken apart again, in order.

use std::collections::HashMap;
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};
use std::time::Duration;

use settled_drivers::clock::Clock as _;
use settled_drivers::nearest;
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::limits::Limits;
use settled_protocol::log::EventKind;
use settled_protocol::meter::Meter;
use settled_protocol::method::Status;
use settled_protocol::status::PageAddressed;
use tokio::sync::{broadcast, watch};
use tokio::task::{Id, JoinError, JoinSet};

use crate::access::Access;
use crate::audit::Audit;
use crate::clock::{Clock, unique_id};
use crate::config::{BusConfig, MeterConfig};
use crate::corrections::{Corrections, STALE_AFTER_S};
use crate::log::{Happening, Log};
use crate::meter_task::{Kept, MeterHandle, Task, Tools, changes};
use crate::power::{self, Inhibit, Rest};
use crate::recorder::Progress;
use crate::runs::Runs;
use crate::server;
use crate::stop::Stop;

mod correcting;
mod leasing;
mod showing;

/// The version that clients are told.
pub const VERSION: &str = env!("CARGO_PKG_VERSION");

/// A task that ended where it should not have waits this long before it is started again.
const RESTART: Duration = Duration::from_secs(1);

/// On what terms a daemon serves its clients.
#[derive(Debug)]
pub struct Terms {
    /// How old a correction may get before its readings are flagged, in s.
    pub stale_after_s: f64,
    /// What a client may ask for at once; connections as far as the system lets us.
    pub limits: Limits,
    /// Who may do what.
    pub access: Access,
}

impl Default for Terms {
    /// Those of a daemon whose config says nothing about them.
    fn default() -> Self {
        Self { stale_after_s: STALE_AFTER_S, limits: server::LIMITS, access: Access::default() }
    }
}

/// What every client's session works with.
#[derive(Debug)]
pub struct Daemon {
    /// The daemon's time.
    pub clock: Arc<Clock>,
    /// The log.
    pub log: Log,
    /// The corrections there are.
    pub corrections: Corrections,
    /// A UUID of this start.
    pub instance: String,
    /// Connections open now.
    pub clients: AtomicUsize,
    /// Subscriptions that have begun and last.
    pub subscriptions: Arc<AtomicUsize>,
    /// Notifications that clients missed since the start.
    pub missed: Arc<AtomicU64>,
    /// Who may do what.
    pub access: Access,
    /// Has meters rest while the machine sleeps.
    pub rest: Rest,
    /// Tells of refusals.
    pub audit: Audit,
    /// Measurements that belong to the daemon.
    pub runs: Runs,
    limits: Mutex<Limits>,
    started_s: f64,
    recording: OnceLock<Progress>,
    /// Where the local page is, or why it is nowhere.
    page: Mutex<Option<Result<PageAddressed, String>>>,
    meters: Vec<(MeterHandle, MeterConfig)>,
    changes: broadcast::Sender<Arc<Meter>>,
}

/// The tasks of all meters, restarted where they end too early.
#[derive(Debug)]
pub struct Supervisor {
    daemon: Arc<Daemon>,
    stop: Stop,
    kept: Vec<Kept>,
    tasks: JoinSet<()>,
    of: HashMap<Id, (Work, usize)>,
}

/// What a task does for a meter.
#[derive(Clone, Copy, Debug)]
enum Work {
    /// It owns the meter.
    Own,
    /// It tells those who listen.
    Tell,
}

impl Daemon {
    /// A daemon with these meters. Their tasks run once the [`Supervisor`] does.
    #[must_use]
    pub fn new(
        meters: Vec<MeterConfig>,
        clock: Arc<Clock>,
        log: Log,
        terms: Terms,
        stop: Stop,
    ) -> (Arc<Self>, Supervisor) {
        let changes = changes();
        let (meters, kept): (Vec<_>, Vec<_>) = meters
            .into_iter()
            .map(|config| {
                let (handle, kept) =
                    MeterHandle::new(&config.id, config.driver.as_ref(), config.sums, &changes, &clock);
                ((handle, config), kept)
            })
            .unzip();
        let corrections = Corrections::new(&log, &clock, terms.stale_after_s);
        for (handle, _) in &meters {
            corrections.restore(handle);
            handle.recall(&log.stretches(handle.id()));
        }
        let started_s = clock.now_s();
        let (instance, clients, limits) = (unique_id(), AtomicUsize::new(0), server::limits(terms.limits));
        let limits = Mutex::new(limits);
        let (recording, page, runs) = (OnceLock::new(), Mutex::default(), Runs::new(&log));
        let daemon = Arc::new(Self {
            clock,
            log,
            corrections,
            instance,
            clients,
            subscriptions: Arc::default(),
            missed: Arc::default(),
            limits,
            access: terms.access,
            rest: Rest::default(),
            audit: Audit::default(),
            runs,
            started_s,
            recording,
            page,
            meters,
            changes,
        });
        let supervisor =
            Supervisor { daemon: Arc::clone(&daemon), stop, kept, tasks: JoinSet::new(), of: HashMap::new() };
        (daemon, supervisor)
    }

    /// The meter of that id.
    ///
    /// # Errors
    /// `no_such_meter`, with the ids there are.
    pub fn meter(&self, id: &str) -> Result<&MeterHandle, RpcError> {
        self.meters.iter().map(|(handle, _)| handle).find(|handle| handle.id() == id).ok_or_else(|| {
            let ids: Vec<&str> = self.meters.iter().map(|(handle, _)| handle.id()).collect();
            let hint = nearest::hint(id, &ids, "configured");
            RpcError::new(ErrorKind::NoSuchMeter, format!("no meter is called {id:?}{hint}"))
        })
    }

    /// What clients may ask for at once.
    #[must_use]
    pub fn limits(&self) -> Limits {
        *self.limits.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// What looks after the machine's sleep.
    pub(crate) fn power(&self, inhibit: watch::Receiver<Inhibit>) -> power::Tools {
        let (clock, log, rest) = (Arc::clone(&self.clock), self.log.clone(), self.rest.clone());
        power::Tools { bus: BusConfig::System, clock, log, rest, runs: self.runs.active(), inhibit }
    }

    /// Puts other limits in force, as far as the system lets us.
    pub fn change_limits(&self, limits: Limits) {
        *self.limits.lock().unwrap_or_else(PoisonError::into_inner) = server::limits(limits);
    }

    /// A handle of every meter, in the order of the config.
    pub fn handles(&self) -> impl Iterator<Item = &MeterHandle> {
        self.meters.iter().map(|(handle, _)| handle)
    }

    /// Every meter, in the order of the config.
    #[must_use]
    pub fn list(&self) -> Vec<Meter> {
        let now_s = self.clock.now_s();
        self.meters.iter().map(|(handle, _)| handle.meter(now_s)).collect()
    }

    /// Meters as they come, go, fail and recover.
    #[must_use]
    pub fn observe(&self) -> broadcast::Receiver<Arc<Meter>> {
        self.changes.subscribe()
    }

    /// How the daemon is.
    #[must_use]
    pub fn status(&self) -> Status {
        Status {
            version: VERSION.to_owned(),
            uptime_s: self.clock.now_s() - self.started_s,
            clients: self.clients.load(Ordering::Relaxed),
            meters: self.meters.iter().map(|(handle, _)| handle.queue()).collect(),
            log: self.log.status(),
            recording: self.recording.get().map(Progress::status),
        }
    }

    /// Where the local page is to be had.
    ///
    /// # Errors
    /// `unsupported` where there is none, with what keeps it away.
    pub fn page_address(&self) -> Result<PageAddressed, RpcError> {
        let page = self.page.lock().unwrap_or_else(PoisonError::into_inner);
        let message = match &*page {
            Some(Ok(address)) => return Ok(address.clone()),
            Some(Err(why)) => format!("this daemon's local page can't be had: {why}"),
            None => "this daemon has no local page: give it one with [page] port = 9760 in its config, and start it anew".to_owned(),
        };
        Err(RpcError::new(ErrorKind::Unsupported, message))
    }

    /// Tells clients where the local page is from now on, or why it is nowhere.
    pub(crate) fn paged(&self, address: Result<PageAddressed, String>) {
        *self.page.lock().unwrap_or_else(PoisonError::into_inner) = Some(address);
    }

    /// Takes over what a log remembers that could not be opened at the start, once it has been, or until `stop` comes.
    pub(crate) async fn remember(self: &Arc<Self>, mut stop: Stop) {
        let late = tokio::select! {
            late = self.log.opened_late() => late,
            () = stop.wait() => return,
        };
        for handle in self.handles() {
            handle.recall(&late.stretches(handle.id()));
        }
        self.corrections.adopt(late.kept);
        for handle in self.handles() {
            self.corrections.restore(handle);
        }
        crate::runs::adopt(self, late.runs).await;
    }

    /// Tells clients of a recording of its meters from now on, and writes down when it ends before the daemon does: until then, or
    /// until `stop` comes.
    pub(crate) async fn recorded(&self, progress: Progress, mut stop: Stop) {
        let progress = self.recording.get_or_init(|| progress);
        let reason = tokio::select! {
            reason = progress.ended() => reason,
            () = stop.wait() => return,
        };
        let detail = format!("the recording {} has ended: {reason}", progress.file());
        self.log.event(&self.clock, Happening::new(EventKind::RecordingEnded, detail)).await;
    }
}

/// Why a task is started.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Start {
    First,
    /// The one before it ended where it should not have.
    Again,
}

impl Supervisor {
    /// Runs every meter's task until the daemon stops, and lets each end at its reading's edge.
    pub async fn run(mut self) {
        for index in 0..self.kept.len() {
            self.start(index, Start::First);
            self.tell(index);
        }
        let mut stop = self.stop.clone();
        let mut hurried = false;
        loop {
            let ended = tokio::select! {
                ended = self.tasks.join_next_with_id() => ended,
                () = stop.hurried(), if !hurried => {
                    hurried = true;
                    self.tasks.abort_all();
                    continue;
                }
            };
            let Some(ended) = ended else { return };
            let (id, panic) = match ended {
                Ok((id, ())) => (id, None),
                Err(error) => (error.id(), Some(error)),
            };
            let Some((work, index)) = self.of.remove(&id) else { continue };
            match work {
                _ if self.stop.has_come() => {}
                Work::Own => self.restart(index, panic).await,
                Work::Tell => {
                    tracing::error!(?panic, "the task that tells of a meter's readings is restarted");
                    self.tell(index);
                }
            }
        }
    }

    fn tell(&mut self, index: usize) {
        let Some((handle, _)) = self.daemon.meters.get(index) else { return };
        let (handle, stop) = (handle.clone(), self.stop.clone());
        let task = async move { handle.tell(stop).await };
        self.of.insert(self.tasks.spawn(task).id(), (Work::Tell, index));
    }

    async fn restart(&mut self, index: usize, panic: Option<JoinError>) {
        let Some((handle, _)) = self.daemon.meters.get(index) else { return };
        let why = panic.map_or_else(|| "it ended".to_owned(), |error| error.to_string());
        let happening = Happening::about(
            EventKind::TaskRestarted,
            handle.id(),
            format!("the meter's task was restarted: {why}"),
        );
        self.daemon.log.event(&self.daemon.clock, happening).await;
        self.start(index, Start::Again);
    }

    fn start(&mut self, index: usize, start: Start) {
        let (Some((handle, config)), Some(kept)) = (self.daemon.meters.get(index), self.kept.get(index))
        else {
            return;
        };
        let tools = Tools {
            driver: Arc::clone(&config.driver),
            sums: config.sums,
            clock: Arc::clone(&self.daemon.clock),
            log: self.daemon.log.clone(),
            rest: self.daemon.rest.clone(),
            stop: self.stop.clone(),
        };
        let (handle, kept, mut stop) = (handle.clone(), kept.clone(), self.stop.clone());
        let task = async move {
            // Not in the supervisor itself: a disk that stalls must not keep other meters from being restarted.
            if start == Start::Again {
                handle.clear_up(&kept, tools.now_s()).await;
                tokio::select! { () = tokio::time::sleep(RESTART) => {} () = stop.wait() => {} }
            }
            Task::new(&handle, kept, tools).await.run().await;
        };
        self.of.insert(self.tasks.spawn(task).id(), (Work::Own, index));
    }
}
