//! Runs: measurements that belong to the daemon. They outlive the client that started them, a restart and a reboot.
//!
//! Each run that is not over has a task, and an entry in the book that everybody else sees of it. A task is a client of its meter as any
//! other: it has its turns, shares exposures, and waits while somebody has the meter for itself. The log has each run as a row, written
//! when its state changes; what its readings tell comes from the log, too, when a run is resumed.
//!
//! | module | idea |
//! |---|---|
//! | `plan` | what is asked for: looked at, and completed |
//! | `nightly` | when a run starts that comes again each day |
//! | `kept` | a run as the log keeps it |
//! | `book` | the runs that are not over |
//! | `unwritten` | those that are over, and not in the log yet |
//! | `answers` | what clients are answered |
//! | `task` | one run from its beginning to its end |
//! | `resume` | one that was running when the daemon ended |
//! | `measure` | a burst of readings now and then |
//! | `warming` | until the light has settled |
//! | `course` | what a run has seen, and whom it tells |
//! | `point` | the mean of a burst |
//! | `series` | what it has seen, in bounded memory: pure |
//! | `verdict` | what they come to: pure |
//! | `alarm` | when a reading is a reason for an alert: pure |
//! | `command` | the program that is told of alerts |
//! | [`bands`] | what the light is held against, in words |
//! | `found` | what was found of each quantity, in words |
//! | `words` | all of this in words |

use std::collections::HashMap;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};
use std::time::Duration;

use settled_protocol::error::RpcError;
use settled_protocol::log::EventKind;
use settled_protocol::run::{Alert, Run, RunState};
use tokio::sync::{broadcast, mpsc, watch};
use tokio::task::{Id, JoinError, JoinSet};

use crate::daemon::Daemon;
use crate::log::{Happening, Log, Unfinished};
use crate::stop::Stop;

mod alarm;
mod answers;
pub mod bands;
mod book;
mod command;
mod course;
mod found;
mod kept;
mod measure;
mod nightly;
mod plan;
mod point;
mod resume;
mod series;
mod task;
#[cfg(test)]
mod tests;
mod unwritten;
mod verdict;
mod warming;
mod words;

pub(crate) use answers::{list, show, start, stop};
pub use command::Command;
pub use kept::Kept;
pub(crate) use plan::interval_s;

use book::{Book, Entry};
use unwritten::Unwritten;

/// Changes that who listens inside the daemon may lag behind: some for each run that there may be.
const CHANGES: usize = 256;

/// A task that ended where it should not have waits this long before it is started again.
const RESTART: Duration = Duration::from_secs(1);

/// A run started, got on, was alarmed at something, or ended.
#[derive(Clone, Debug)]
pub struct Changed {
    /// As it is now.
    pub run: Arc<Run>,
    /// What it is alarmed at since the last time.
    pub alert: Option<Alert>,
    /// It only got on: the next of the kind makes this one obsolete.
    pub is_progress: bool,
}

/// Every run that is not over.
#[derive(Debug)]
pub struct Runs {
    /// How many are running.
    active: watch::Sender<usize>,
    /// The last number that was given to one.
    last: AtomicU64,
    book: Book,
    unwritten: Unwritten,
    /// Runs that have been asked for, on their way to whoever runs their tasks.
    fresh: mpsc::Sender<Arc<Entry>>,
    asked: Mutex<Option<mpsc::Receiver<Arc<Entry>>>>,
    changes: broadcast::Sender<Changed>,
    /// Counts changes of the machine's zone.
    zone: watch::Sender<u64>,
    alarms: OnceLock<command::Alarms>,
}

impl Runs {
    /// The runs of a daemon with this log. Nothing runs before `run` does.
    #[must_use]
    pub fn new(log: &Log) -> Self {
        // As many as there may be.
        let (fresh, asked) = mpsc::channel(book::MOST);
        Self {
            active: watch::Sender::new(0),
            last: AtomicU64::new(log.unfinished_runs().last),
            book: Book::default(),
            unwritten: Unwritten::default(),
            fresh,
            asked: Mutex::new(Some(asked)),
            changes: broadcast::channel(CHANGES).0,
            zone: watch::Sender::new(0),
            alarms: OnceLock::new(),
        }
    }

    /// How many runs are running, planned ones not counted: now, and as that changes.
    #[must_use]
    pub fn active(&self) -> watch::Receiver<usize> {
        self.active.subscribe()
    }

    /// Every run that is not over, as it is now.
    #[must_use]
    pub fn all(&self) -> Vec<Run> {
        self.book.all()
    }

    /// Runs as they start, get on, are alarmed at something and end.
    #[must_use]
    pub fn observe(&self) -> broadcast::Receiver<Changed> {
        self.changes.subscribe()
    }

    /// The machine's zone has been changed: nights that are to come begin by the new one.
    pub fn zone_changed(&self) {
        jiff::tz::db().reset();
        jiff::tz::reset_system_time_zone_cache();
        self.zone.send_modify(|count| *count += 1);
    }

    /// The highest number that was given to a run.
    pub(crate) fn last(&self) -> u64 {
        self.last.load(Ordering::Relaxed)
    }

    /// That there has been no run of this number, and up to which there are any.
    pub(crate) fn none(&self, run: u64) -> RpcError {
        RpcError::no_such_run(run, Some(self.last()).filter(|last| *last > 0))
    }

    /// A number that no run has had.
    fn number(&self) -> u64 {
        self.last.fetch_add(1, Ordering::Relaxed) + 1
    }

    /// Takes how a run is now, and tells everyone.
    fn changed(&self, entry: &Arc<Entry>, kept: &Kept, alert: Option<Alert>) {
        self.say(entry, kept, alert, false);
    }

    /// The same where it only got on.
    fn progress(&self, entry: &Arc<Entry>, kept: &Kept) {
        self.say(entry, kept, None, true);
    }

    fn say(&self, entry: &Arc<Entry>, kept: &Kept, alert: Option<Alert>, is_progress: bool) {
        entry.change(kept.clone());
        if kept.run.state.is_over() {
            self.book.remove(kept.run.run);
        }
        let running = self.book.running();
        self.active.send_if_modified(|active| std::mem::replace(active, running) != running);
        // Nobody may be listening.
        let _heard =
            self.changes.send(Changed { run: Arc::new(kept.run.clone()), alert, is_progress }).is_ok();
    }

    /// Tells the program that is to be told of alerts, if there is one.
    fn alarm(&self, run: &Run, alert: &Alert) {
        if let Some(alarms) = self.alarms.get() {
            alarms.tell(run, alert);
        }
    }

    /// Ends a run: writes down that it is over, and tells everyone.
    async fn conclude(
        &self,
        daemon: &Daemon,
        entry: &Arc<Entry>,
        mut kept: Kept,
        state: RunState,
        message: String,
    ) {
        let now = daemon.clock.now().at;
        let run = &mut kept.run;
        let planned = run.ends.filter(|ends| state == RunState::Done && *ends < now);
        (run.state, run.ends, run.left_s) = (state, Some(planned.unwrap_or(now)), None);
        (run.waiting, run.message) = (None, message);
        run.standing.clear();
        if entry.is_new() {
            // Whoever has asked for it hears whether there is anything left of it.
            entry.set_durable(daemon.log.add_run(kept.clone()).await);
        } else {
            let durable = daemon.log.keep_run(kept.clone()).await;
            entry.set_durable(durable);
            if !durable {
                self.unwritten.keep(&kept.run);
            }
        }
        let detail = format!("{}, {}: {}", plan::name(&kept.run), state.name(), kept.run.message);
        let ended = Happening::about(EventKind::RunEnded, &kept.run.plan.meter, detail).of_run(kept.run.run);
        daemon.log.event(&daemon.clock, ended).await;
        self.changed(entry, &kept, None);
    }
}

/// Has every run run, until `stop` comes; each is resumed at the next start then.
pub(crate) async fn run(
    daemon: &Arc<Daemon>,
    command: Option<watch::Receiver<Option<Command>>>,
    mut stop: Stop,
) {
    let taken = daemon.runs.asked.lock().unwrap_or_else(PoisonError::into_inner).take();
    let Some(mut asked) = taken else { return };
    let telling = command::tell(command, &daemon.runs.alarms, stop.clone());
    let running = async {
        let mut tasks = Tasks { daemon, stop: stop.clone(), tasks: JoinSet::new(), of: HashMap::new() };
        for entry in resume::unfinished(daemon, daemon.log.unfinished_runs().runs) {
            tasks.start(entry);
        }
        loop {
            tokio::select! {
                Some(entry) = asked.recv() => tasks.start(entry),
                Some(ended) = tasks.tasks.join_next_with_id() => tasks.ended(ended).await,
                () = stop.wait() => break,
            }
        }
        // Each writes down how it is, and ends.
        while let Some(ended) = tasks.tasks.join_next_with_id().await {
            tasks.ended(ended).await;
        }
    };
    tokio::join!(running, telling);
}

/// Goes on with the runs of a log that could not be opened at the daemon's start: until then none is begun, so that their numbers are
/// theirs.
pub(crate) async fn adopt(daemon: &Arc<Daemon>, unfinished: Unfinished) {
    daemon.runs.last.fetch_max(unfinished.last, Ordering::Relaxed);
    for entry in resume::unfinished(daemon, unfinished.runs) {
        // The daemon may be stopping.
        let _taken = daemon.runs.fresh.send(entry).await.is_ok();
    }
}

/// The tasks of all runs.
struct Tasks<'a> {
    daemon: &'a Arc<Daemon>,
    stop: Stop,
    tasks: JoinSet<()>,
    of: HashMap<Id, Arc<Entry>>,
}

impl Tasks<'_> {
    fn start(&mut self, entry: Arc<Entry>) {
        let task = task::go(Arc::clone(self.daemon), Arc::clone(&entry), self.stop.clone());
        self.of.insert(self.tasks.spawn(task).id(), entry);
    }

    /// A task has ended: its run is over, or the daemon is. One that panicked is started again, and resumes its run.
    async fn ended(&mut self, ended: Result<(Id, ()), JoinError>) {
        let (id, error) = match ended {
            Ok((id, ())) => (id, None),
            Err(error) => (error.id(), Some(error)),
        };
        let (Some(entry), Some(error)) = (self.of.remove(&id), error) else { return };
        let kept = entry.kept();
        let detail = format!("the task of {} was restarted: {error}", plan::name(&kept.run));
        let happening = Happening::about(EventKind::TaskRestarted, &kept.run.plan.meter, detail);
        self.daemon.log.event(&self.daemon.clock, happening).await;
        if !self.stop.has_come() {
            let (daemon, stop) = (Arc::clone(self.daemon), self.stop.clone());
            let again = Arc::clone(&entry);
            let task = async move {
                tokio::time::sleep(RESTART).await;
                task::go(daemon, again, stop).await;
            };
            self.of.insert(self.tasks.spawn(task).id(), entry);
        }
    }
}
