//! Runs, watched across the daemon's end and its new start: a run goes on without whoever watches it, and so does the watching.
//!
//! ```no_run
//! # use settle::{connection::Connection, runs::{Event, Watching}};
//! # async fn example() -> Result<(), Box<dyn std::error::Error>> {
//! let connection = Connection::open_default().await?;
//! let mut watching = Watching::all(connection).await?;
//! while let Some(event) = watching.next().await {
//!     if let Event::Run { run, .. } = event? {
//!         println!("{}: {}", run.run, run.message);
//!     }
//! }
//! # Ok(())
//! # }
//! ```

use std::collections::VecDeque;
use std::fmt;
use std::path::{Path, PathBuf};
use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;

use settled_protocol::error::ErrorKind;
use settled_protocol::method::RunsList;
use settled_protocol::run::{Alert, ListRuns, Run, RunState};
use settled_protocol::text::Text;
use tokio::time::{Instant, Sleep, sleep, timeout};

use crate::connection::{CallError, Connection};
use crate::following::FollowError;
use crate::following::backoff::Backoff;
use crate::subscription::{self, Subscription};
use roll::Roll;

mod roll;

/// How long one attempt to come back may take: a daemon that is stopped, or starts up slowly, takes connections and answers
/// none of them.
const ATTEMPT: Duration = Duration::from_secs(10);

/// What a watching tells.
#[derive(Clone, Debug, PartialEq)]
pub enum Event {
    /// A run as it is now.
    Run {
        /// The run.
        run: Box<Run>,
        /// What it is alarmed at, where that is news.
        alert: Option<Alert>,
    },
    /// There were alerts that nobody here was told of, and that stand no more: the log has them.
    Untold {
        /// The run.
        run: u64,
        /// How many.
        alerts: u64,
    },
    /// A run that was watched is not known any more: the daemon has another log.
    Gone(u64),
    /// The connection has ended.
    Lost,
    /// Nobody answered as hoped; there will be another attempt.
    Trying {
        /// After this time.
        wait: Duration,
        /// What came of the last one.
        why: String,
    },
    /// There is a daemon again. Every run that is not over follows, and every one that came to its end meanwhile.
    Back {
        /// Whether the daemon is another than before, or was started anew.
        anew: bool,
    },
}

/// One run, or all that are not over. Dropping it ends its connection; the runs go on.
pub struct Watching {
    door: Door,
    roll: Roll,
    ready: VecDeque<Event>,
    instance: Option<String>,
    backoff: Backoff,
    state: State,
}

impl fmt::Debug for Watching {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Watching").field("roll", &self.roll).finish_non_exhaustive()
    }
}

/// What is needed to come back.
#[derive(Clone)]
struct Door {
    path: Option<PathBuf>,
    name: Option<Text>,
    which: Option<u64>,
}

type Attempt<T> = Pin<Box<dyn Future<Output = T> + Send>>;

enum State {
    Joined(Joined),
    /// An attempt is under way.
    Trying(Attempt<Result<Found, FollowError>>),
    /// Until the next one.
    Pausing(Pin<Box<Sleep>>),
    /// It has failed for good.
    Over,
}

struct Joined {
    connection: Arc<Connection>,
    changes: Subscription,
    /// Changes were missed: how things are now is being asked.
    looking: Option<Attempt<Result<Vec<Run>, CallError>>>,
    since: Instant,
}

struct Found {
    joined: Joined,
    instance: Option<String>,
    runs: Vec<Run>,
}

impl Watching {
    /// Watches every run that is not over, and those to come. It begins with those there are; later, when the connection ends, it
    /// tries to come back to the same socket for ever.
    ///
    /// # Errors
    /// [`FollowError`]: the daemon's refusal, or its end.
    pub async fn all(connection: Connection) -> Result<Self, FollowError> {
        Self::begin(connection, None).await
    }

    /// Watches one run, as it was told last: what it is alarmed at since then is news.
    ///
    /// # Errors
    /// [`FollowError`]: the daemon's refusal, or its end.
    pub async fn one(connection: Connection, run: Run) -> Result<Self, FollowError> {
        Self::begin(connection, Some(run)).await
    }

    async fn begin(connection: Connection, run: Option<Run>) -> Result<Self, FollowError> {
        let path = connection.path().map(Path::to_owned);
        let which = run.as_ref().map(|run| run.run);
        let door = Door { path, name: connection.name().cloned(), which };
        let mut roll = Roll::default();
        if let Some(run) = &run {
            roll.begin(run);
        }
        let Found { joined, instance, runs } = door.find(connection, roll.unfinished()).await?;
        let state = State::Joined(joined);
        let mut this =
            Self { door, roll, ready: VecDeque::new(), instance, backoff: Backoff::default(), state };
        this.look(runs);
        Ok(this)
    }

    /// The next event; nothing after an error. Nothing is lost if the future is dropped.
    pub async fn next(&mut self) -> Option<Result<Event, FollowError>> {
        loop {
            if let Some(event) = self.ready.pop_front() {
                return Some(Ok(event));
            }
            match &mut self.state {
                State::Over => return None,
                State::Joined(joined) => {
                    if let Some(looking) = &mut joined.looking {
                        let outcome = looking.as_mut().await;
                        joined.looking = None;
                        match outcome {
                            Ok(runs) => self.look(runs),
                            // Its end is told below.
                            Err(CallError::Closed) => {}
                            Err(error) => return Some(self.fail(error.into())),
                        }
                        continue;
                    }
                    match joined.changes.next().await {
                        Some(change) => self.take(change),
                        None => self.lose(),
                    }
                }
                State::Pausing(pause) => {
                    pause.as_mut().await;
                    self.attempt();
                }
                State::Trying(attempt) => {
                    let outcome = attempt.as_mut().await;
                    if let Err(error) = self.judge(outcome) {
                        return Some(self.fail(error));
                    }
                }
            }
        }
    }

    /// Whether no run that is known goes on or is planned, and nothing is left to be told of those that did.
    #[must_use]
    pub fn is_idle(&self) -> bool {
        self.ready.is_empty() && matches!(self.state, State::Joined(_)) && self.roll.unfinished().is_empty()
    }

    fn fail(&mut self, error: FollowError) -> Result<Event, FollowError> {
        self.state = State::Over;
        Err(error)
    }

    fn take(&mut self, change: subscription::Event) {
        match change {
            subscription::Event::Run(run, alert) => self.ready.extend(self.roll.take(*run, alert)),
            subscription::Event::Missed(_) => {
                let unfinished = self.roll.unfinished();
                let which = self.door.which;
                if let State::Joined(joined) = &mut self.state {
                    let connection = Arc::clone(&joined.connection);
                    joined.looking =
                        Some(Box::pin(async move { look(&connection, which, &unfinished).await }));
                }
            }
            subscription::Event::Reading(_) | subscription::Event::Meter(_) => {}
        }
    }

    /// How things are now: what was known and is not found any more is gone.
    fn look(&mut self, runs: Vec<Run>) {
        self.ready.extend(self.roll.look(runs));
    }

    fn lose(&mut self) {
        let State::Joined(joined) = &self.state else { return };
        let wait = self.backoff.after(joined.since.elapsed());
        self.state = State::Pausing(Box::pin(sleep(wait)));
        self.ready.push_back(Event::Lost);
    }

    fn attempt(&mut self) {
        let (door, unfinished) = (self.door.clone(), self.roll.unfinished());
        self.state = State::Trying(Box::pin(door.enter(unfinished)));
    }

    fn judge(&mut self, outcome: Result<Found, FollowError>) -> Result<(), FollowError> {
        match outcome {
            Ok(Found { joined, instance, runs }) => {
                let anew = instance.is_none() || instance != self.instance;
                (self.state, self.instance) = (State::Joined(joined), instance);
                self.ready.push_back(Event::Back { anew });
                self.look(runs);
            }
            Err(error) if error.may_pass() => {
                let wait = self.backoff.next();
                self.state = State::Pausing(Box::pin(sleep(wait)));
                self.ready.push_back(Event::Trying { wait, why: error.to_string() });
            }
            Err(error) => return Err(error),
        }
        Ok(())
    }
}

impl Door {
    /// Goes back to where the runs are.
    async fn enter(self, unfinished: Vec<u64>) -> Result<Found, FollowError> {
        let Some(path) = self.path.clone() else { return Err(CallError::Closed.into()) };
        let attempt = async {
            let connection = Connection::open(&path).await?;
            self.find(connection, unfinished).await
        };
        timeout(ATTEMPT, attempt).await.unwrap_or(Err(FollowError::Silent(path)))
    }

    /// Subscribes, and then looks: what changes in between is told twice, and never not at all.
    async fn find(&self, connection: Connection, unfinished: Vec<u64>) -> Result<Found, FollowError> {
        let instance = connection.instance(self.name.clone()).await?;
        let changes = match connection.observe_runs(self.which).await {
            // The log is another one: there is nothing to hear of this run, which the look then says.
            Err(CallError::Refused(error)) if error.kind() == ErrorKind::NoSuchRun => {
                connection.observe_runs(None).await?
            }
            changes => changes?,
        };
        let runs = look(&connection, self.which, &unfinished).await?;
        let joined =
            Joined { connection: Arc::new(connection), changes, looking: None, since: Instant::now() };
        Ok(Found { joined, instance, runs })
    }
}

/// The run that is watched, or all that are not over, and those that were not over when they were told last.
async fn look(
    connection: &Connection,
    which: Option<u64>,
    unfinished: &[u64],
) -> Result<Vec<Run>, CallError> {
    let mut runs = Vec::new();
    if which.is_none() {
        for state in [RunState::Running, RunState::Planned] {
            let mut ask = ListRuns { state: Some(state), ..ListRuns::default() };
            loop {
                let page = connection.call::<RunsList>(&ask).await?;
                runs.extend(page.runs);
                // A page that leads nowhere would be asked for again and again.
                match page.next.filter(|next| ask.before.is_none_or(|before| *next < before)) {
                    Some(next) => ask.before = Some(next),
                    None => break,
                }
            }
        }
    }
    for number in unfinished {
        if !runs.iter().any(|run| run.run == *number) {
            runs.extend(one(connection, *number).await?);
        }
    }
    // The latest come first; whoever reads begins with the oldest.
    runs.sort_by_key(|run| run.run);
    Ok(runs)
}

/// A run as it is, without the figures of its readings, which take their time; nothing if there is none of that number.
///
/// # Errors
/// [`CallError`].
pub async fn one(connection: &Connection, number: u64) -> Result<Option<Run>, CallError> {
    let ask = ListRuns { before: number.checked_add(1), limit: Some(1), ..ListRuns::default() };
    let page = connection.call::<RunsList>(&ask).await?;
    Ok(page.runs.into_iter().find(|run| run.run == number))
}

#[cfg(test)]
mod tests;
