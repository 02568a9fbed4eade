//! A meter's readings, followed across the daemon's end and its new start: with no gap and no repeat as far as a log tells
//! them, and with a word where it doesn't.
//!
//! ```no_run
//! # use settle::{connection::Connection, following::{Event, Following, Start}};
//! # use settled_protocol::method::ObserveParams;
//! # async fn example(params: ObserveParams) -> Result<(), Box<dyn std::error::Error>> {
//! let connection = Connection::open_default().await?;
//! let mut following = Following::begin(connection, params, Start::Now, None).await?;
//! while let Some(event) = following.next().await {
//!     match event? {
//!         Event::Reading(reading) => println!("{}", reading.sequence),
//!         Event::Missed(gap) => println!("{} are missing here", gap.count),
//!         Event::Lost => println!("the daemon has gone"),
//!         Event::Trying { .. } => {}
//!         Event::Back { lack, .. } => println!("it is back, {lack:?}"),
//!     }
//! }
//! # Ok(())
//! # }
//! ```

use std::fmt;
use std::path::{Path, PathBuf};
use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;

use settled_protocol::error::ErrorKind;
use settled_protocol::method::ObserveParams;
use settled_protocol::reading::Reading;
use settled_protocol::text::Text;
use tokio::time::{Instant, Sleep, sleep, timeout};

use crate::connection::{CallError, Connection, OpenError};
use crate::subscription::{self, Gap, Subscription};
use backoff::Backoff;
use bookmark::{Bookmark, Search};
use pace::Pace;

pub use bookmark::{Lack, Start};

pub(crate) mod backoff;
mod bookmark;
mod inquiry;
mod pace;

/// How long one attempt to come back may take: a daemon that is stopped, or starts up slowly, takes connections and answers
/// none of them.
const ATTEMPT: Duration = Duration::from_secs(10);

/// What a following tells.
#[derive(Clone, Debug, PartialEq)]
pub enum Event {
    /// A reading.
    Reading(Box<Reading>),
    /// Readings that were missed here, and why.
    Missed(Gap),
    /// The connection has ended.
    Lost,
    /// Nobody answered as hoped; there will be another attempt.
    Trying {
        /// After this time.
        wait: Duration,
        /// What came of the last one.
        why: String,
    },
    /// The readings go on.
    Back {
        /// Whether the daemon is another than before, or was started anew.
        anew: bool,
        /// Why it can't be known what was missed, if it can't: otherwise nothing was, unless a [`Event::Missed`] follows.
        lack: Option<Lack>,
    },
}

/// Why a following has ended, or never began.
#[derive(Debug)]
pub enum FollowError {
    /// Nobody answered for as long as the caller wanted to try.
    Open(OpenError),
    /// The daemon answered, and won't let it go on.
    Call(CallError),
    /// Somebody took the connection, and no request, for as long as the caller wanted to try.
    Silent(PathBuf),
}

impl fmt::Display for FollowError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Open(error) => error.fmt(f),
            Self::Call(error) => error.fmt(f),
            Self::Silent(path) => write!(f, "the daemon at {} takes no requests", path.display()),
        }
    }
}

impl std::error::Error for FollowError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            // Their own words are part of the text above already.
            Self::Open(error) => error.source(),
            Self::Call(error) => error.source(),
            Self::Silent(_) => None,
        }
    }
}

impl From<OpenError> for FollowError {
    fn from(error: OpenError) -> Self {
        Self::Open(error)
    }
}

impl From<CallError> for FollowError {
    fn from(error: CallError) -> Self {
        Self::Call(error)
    }
}

impl FollowError {
    /// Whether another attempt may end better.
    pub(crate) fn may_pass(&self) -> bool {
        match self {
            Self::Open(_) | Self::Silent(_) | Self::Call(CallError::Closed) => true,
            Self::Call(CallError::Misfit { .. }) => false,
            Self::Call(CallError::Refused(error)) => matches!(
                error.kind(),
                ErrorKind::Overloaded
                    | ErrorKind::ShuttingDown
                    | ErrorKind::Internal
                    | ErrorKind::Cancelled
                    | ErrorKind::Leased
            ),
        }
    }
}

/// A meter's readings. Dropping it ends its connection, and leaves nothing behind.
pub struct Following {
    door: Door,
    patience: Option<Duration>,
    bookmark: Bookmark,
    pace: Option<Pace>,
    instance: Option<String>,
    backoff: Backoff,
    state: State,
}

impl fmt::Debug for Following {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Following").field("bookmark", &self.bookmark).finish_non_exhaustive()
    }
}

/// What is needed to come back.
#[derive(Clone)]
struct Door {
    path: Option<PathBuf>,
    name: Option<Text>,
    params: ObserveParams,
}

enum State {
    Joined(Joined),
    /// An attempt is under way.
    Trying(Until, Pin<Box<dyn Future<Output = Result<Found, FollowError>> + Send>>),
    /// Until the next one.
    Pausing(Until, Pin<Box<Sleep>>),
    /// It has failed for good.
    Over,
}

/// When the caller wants no more attempts, if ever.
type Until = Option<Instant>;

struct Joined {
    connection: Arc<Connection>,
    readings: Subscription,
    since: Instant,
}

/// A subscription, and the place it goes on from.
struct Found {
    joined: Joined,
    instance: Option<String>,
    bookmark: Bookmark,
    lack: Option<Lack>,
}

impl Following {
    /// Follows a meter's readings over a connection of its own. Whatever keeps it from beginning is an error at once; later,
    /// when the connection ends, it tries to come back to the same socket for as long as `patience` says, or for ever.
    /// `params.after` is what `from` says.
    ///
    /// # Errors
    /// [`FollowError`]: the daemon's refusal, or its end.
    pub async fn begin(
        connection: Connection,
        params: ObserveParams,
        from: Start,
        patience: Option<Duration>,
    ) -> Result<Self, FollowError> {
        let path = connection.path().map(Path::to_owned);
        let door = Door { path, name: connection.name().cloned(), params };
        let Found { joined, instance, bookmark, .. } = door.find(connection, Search::begin(from)).await?;
        let pace = door.params.every_s.and_then(Pace::new);
        let (backoff, state) = (Backoff::default(), State::Joined(joined));
        Ok(Self { door, patience, bookmark, pace, instance, backoff, state })
    }

    /// The connection, while there is one: for other requests. Who keeps it keeps it open.
    #[must_use]
    pub fn connection(&self) -> Option<Arc<Connection>> {
        match &self.state {
            State::Joined(joined) => Some(Arc::clone(&joined.connection)),
            State::Trying(..) | State::Pausing(..) | State::Over => None,
        }
    }

    /// The next event; nothing after an error. Nothing is lost if the future is dropped.
    pub async fn next(&mut self) -> Option<Result<Event, FollowError>> {
        loop {
            match &mut self.state {
                State::Over => return None,
                State::Joined(joined) => match joined.readings.next().await {
                    Some(event) => {
                        if let Some(event) = self.note(event) {
                            return Some(Ok(event));
                        }
                    }
                    None => {
                        let lasted = joined.since.elapsed();
                        return Some(Ok(self.lose(lasted)));
                    }
                },
                State::Pausing(_, pause) => {
                    pause.as_mut().await;
                    self.attempt();
                }
                State::Trying(_, attempt) => {
                    let outcome = attempt.as_mut().await;
                    return Some(self.judge(outcome));
                }
            }
        }
    }

    /// Keeps the place. A gap that has been held back comes before its reading, which then waits its turn.
    fn note(&mut self, event: subscription::Event) -> Option<Event> {
        match event {
            subscription::Event::Reading(reading) => match self.bookmark.pass(&reading) {
                Some(gap) => {
                    if let State::Joined(joined) = &mut self.state {
                        joined.readings.put_back(subscription::Event::Reading(reading));
                    }
                    Some(Event::Missed(gap))
                }
                None if self.pace.as_mut().is_none_or(|pace| pace.admits(&reading)) => {
                    Some(Event::Reading(reading))
                }
                None => None,
            },
            subscription::Event::Missed(gap) => self.bookmark.miss(gap).map(Event::Missed),
            subscription::Event::Meter(_) | subscription::Event::Run(..) => None,
        }
    }

    /// A connection that has lasted so long has ended. One that ends as soon as it is there is as good as none.
    fn lose(&mut self, lasted: Duration) -> Event {
        let wait = self.backoff.after(lasted);
        let until = self.patience.map(|patience| Instant::now() + patience);
        self.state = State::Pausing(until, Box::pin(sleep(wait)));
        Event::Lost
    }

    fn attempt(&mut self) {
        let state = std::mem::replace(&mut self.state, State::Over);
        if let State::Pausing(until, _) = state {
            let (door, search) = (self.door.clone(), Search::resume(&self.bookmark));
            self.state = State::Trying(until, Box::pin(door.enter(search)));
        }
    }

    /// What an attempt has come to.
    fn judge(&mut self, outcome: Result<Found, FollowError>) -> Result<Event, FollowError> {
        let State::Trying(until, _) = std::mem::replace(&mut self.state, State::Over) else {
            return Err(CallError::Closed.into());
        };
        match outcome {
            Ok(Found { joined, instance, bookmark, lack }) => {
                let anew = instance.is_none() || instance != self.instance;
                (self.state, self.instance, self.bookmark) = (State::Joined(joined), instance, bookmark);
                if let Some(pace) = &mut self.pace {
                    pace.begin_anew();
                    if lack.is_some() {
                        pace.forget();
                    }
                }
                Ok(Event::Back { anew, lack })
            }
            Err(error) => {
                let wait = self.backoff.next();
                if !error.may_pass() || until.is_some_and(|until| Instant::now() + wait > until) {
                    return Err(error);
                }
                self.state = State::Pausing(until, Box::pin(sleep(wait)));
                Ok(Event::Trying { wait, why: error.to_string() })
            }
        }
    }
}

impl Door {
    /// Goes back to where the readings came from.
    async fn enter(self, search: Search) -> Result<Found, FollowError> {
        let Some(path) = self.path.clone() else { return Err(CallError::Closed.into()) };
        let attempt = async {
            let connection = Connection::open(&path).await?;
            self.find(connection, search).await
        };
        timeout(ATTEMPT, attempt).await.unwrap_or(Err(FollowError::Silent(path)))
    }

    /// Asks until there is a subscription.
    async fn find(&self, connection: Connection, mut search: Search) -> Result<Found, FollowError> {
        let instance = connection.instance(self.name.clone()).await?;
        let readings = inquiry::conduct(&connection, &self.params, &mut search).await?;
        let (bookmark, lack) = search.found();
        let joined = Joined { connection: Arc::new(connection), readings, since: Instant::now() };
        Ok(Found { joined, instance, bookmark, lack })
    }
}

#[cfg(test)]
mod tests;
