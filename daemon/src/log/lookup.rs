//! What is looked up in the log: on threads of their own, which give way to measuring.

use std::sync::Arc;

use settled_protocol::bins::{BinsPage, BinsParams};
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::log::{EventsPage, ReadingsPage, Selection};
use tokio::sync::{OwnedSemaphorePermit, oneshot};

use super::witnessed::{self, Question};
use super::{Entry, Log, Order, STACK, Thinned, bins, off, query, schema, thin};
use crate::clock::Clock;

/// How much a query gives way to whatever else wants a processor, as `nice` counts it: measuring comes first.
const PATIENCE: i32 = 10;

impl Log {
    /// A page of readings.
    ///
    /// # Errors
    /// `log_unavailable` if the log is off or can't be read; `invalid_params` for a selection that makes no sense.
    pub async fn readings(&self, selection: Selection) -> Result<ReadingsPage, RpcError> {
        self.query(selection, query::readings).await
    }

    /// The same, made into `T` where it was looked up: JSON takes its time, too.
    ///
    /// # Errors
    /// As [`readings`](Self::readings), and whatever keeps it from being made.
    pub async fn readings_as<T: Send + 'static>(
        &self,
        selection: Selection,
        make: fn(&ReadingsPage) -> Result<T, RpcError>,
    ) -> Result<T, RpcError> {
        let page = move |connection: &rusqlite::Connection, selection: &Selection| {
            query::readings(connection, selection).map(|page| make(&page))
        };
        self.query(selection, page).await?
    }

    /// A page of events, made into `T` where it was looked up.
    ///
    /// # Errors
    /// As [`readings_as`](Self::readings_as).
    pub async fn events_as<T: Send + 'static>(
        &self,
        selection: Selection,
        make: fn(&EventsPage) -> Result<T, RpcError>,
    ) -> Result<T, RpcError> {
        let page = move |connection: &rusqlite::Connection, selection: &Selection| {
            query::events(connection, selection).map(|page| make(&page))
        };
        self.query(selection, page).await?
    }

    /// A page of bins, made into `T` where it was looked up.
    ///
    /// # Errors
    /// As [`readings_as`](Self::readings_as).
    pub async fn bins_as<T: Send + 'static>(
        &self,
        params: BinsParams,
        make: fn(&BinsPage) -> Result<T, RpcError>,
    ) -> Result<T, RpcError> {
        let wanted = bins::check(params)?;
        self.look_up(move |connection| bins::page(connection, &wanted).map(|page| make(&page))).await?
    }

    /// Thins some rows, a commit's worth, and says how many and where to go on. One such order at a time.
    ///
    /// # Errors
    /// `log_unavailable` if the log is off or can't be written.
    pub async fn thin(&self, order: Order) -> Result<Thinned, RpcError> {
        let file = self.file.as_ref().ok_or_else(off)?;
        let unavailable = |message: String| RpcError::new(ErrorKind::LogUnavailable, message);
        let (done, thinned) = oneshot::channel();
        let gone = || unavailable("the log's writer has ended".to_owned());
        file.entries.send(Entry::Thin { order, done }).await.map_err(|_| gone())?;
        let thinned = thinned.await.map_err(|_| gone())?;
        thinned.map_err(|error| unavailable(format!("thinning the log: {error}")))
    }

    /// The number up to which all readings are so many s old at least, as the log itself shows: within a boot by its clock, and between two
    /// by UTC, believed for `most_s` each time. Nothing where none is.
    ///
    /// # Errors
    /// `log_unavailable` if the log is off or can't be read.
    pub async fn old_enough(&self, clock: &Clock, age_s: f64, most_s: f64) -> Result<Option<i64>, RpcError> {
        let now = clock.now();
        let at_ns = i64::try_from(now.at.unix_ns()).unwrap_or(i64::MAX);
        let question = Question { boot: clock.boot().to_owned(), t_s: now.t_s, at_ns, age_s, most_s };
        self.look_up(move |connection| witnessed::old_enough(connection, &question)).await
    }

    /// Whether there are readings from before that moment, in ns since 1970, with numbers above `sequence`.
    ///
    /// # Errors
    /// `log_unavailable` if the log is off or can't be read.
    pub async fn is_younger(&self, before_ns: i64, sequence: i64) -> Result<bool, RpcError> {
        self.look_up(move |connection| witnessed::is_younger(connection, before_ns, sequence)).await
    }

    /// How many readings the log's bins stand for, all together.
    ///
    /// # Errors
    /// `log_unavailable` if the log is off or can't be read.
    pub async fn thinned(&self) -> Result<u64, RpcError> {
        self.look_up(thin::total).await
    }

    /// A place among those who go through whole stretches, to be held until that is done; nothing where the log is off.
    pub(crate) async fn place(&self) -> Option<OwnedSemaphorePermit> {
        let file = self.file.as_ref()?;
        Arc::clone(&file.figures).acquire_owned().await.ok()
    }

    pub(super) async fn query<T: Send + 'static>(
        &self,
        selection: Selection,
        page: impl FnOnce(&rusqlite::Connection, &Selection) -> rusqlite::Result<T> + Send + 'static,
    ) -> Result<T, RpcError> {
        query::check(&selection)?;
        self.look_up(move |connection| page(connection, &selection)).await
    }

    /// What is found on a thread of its own, with a connection of its own.
    pub(super) async fn look_up<T: Send + 'static>(
        &self,
        find: impl FnOnce(&rusqlite::Connection) -> rusqlite::Result<T> + Send + 'static,
    ) -> Result<T, RpcError> {
        let unavailable = |message: String| RpcError::new(ErrorKind::LogUnavailable, message);
        let file = self.file.as_ref().ok_or_else(off)?;
        let stopped = || unavailable("the query was stopped".to_owned());
        let permit = Arc::clone(&file.queries).acquire_owned().await.map_err(|_| stopped())?;
        let path = file.place.path.clone();
        let (found, receiver) = oneshot::channel();
        let query = move || {
            // A query that has begun runs to its end even if nobody waits any more: its place is taken until then.
            let _permit = permit;
            be_patient();
            let what = schema::open_to_read(&path).and_then(|connection| find(&connection));
            // Whoever asked may have gone.
            let _waited_for = found.send(what).is_ok();
        };
        let thread = std::thread::Builder::new().name("query".to_owned()).stack_size(STACK).spawn(query);
        thread.map_err(|error| unavailable(format!("starting a thread to read the log: {error}")))?;
        receiver.await.map_err(|_| stopped())?.map_err(|error| {
            if schema::is_spoilt(&error) {
                // If there is no room for it, the next who asks says it again.
                let _told = file.entries.try_send(super::Entry::Damaged(error.to_string())).is_ok();
            }
            unavailable(format!("reading the log: {error}"))
        })
    }
}

/// Lets this thread, for good, give way to others: a thread of the runtime's own pool would start plugins as patiently.
pub(super) fn be_patient() {
    if let Err(error) = rustix::process::setpriority_process(None, PATIENCE) {
        tracing::debug!(%error, "a query is as urgent as measuring");
    }
}
