//! Whether the log is whole: after a stop that was not in order, and whenever somebody asks.

use std::path::Path;
use std::sync::Arc;

use rusqlite::Connection;
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::status::LogChecked;
use tokio::sync::{mpsc, oneshot};

use super::health::Health;
use super::lookup::be_patient;
use super::query::unsigned;
use super::{Entry, Log, STACK, off, schema};

/// Problems that are told of.
const MOST: usize = 100;

/// Looks through a log whose daemon did not stop in order, on a thread of its own that gives way to measuring: SQLite has put in
/// order what a kill or a power cut leaves, so this finds what a disk has done. Where it finds something, the writer is told.
pub(super) fn after_a_fall(path: &Path, entries: mpsc::WeakSender<Entry>, health: Arc<Health>) {
    let path = path.to_owned();
    let look = move || {
        be_patient();
        let Ok(connection) = schema::open_to_read(&path) else { return };
        health.looking(connection.get_interrupt_handle());
        let problem = match problems(&connection, "quick_check", 1) {
            Ok(problems) => problems.into_iter().next(),
            Err(error) => {
                tracing::debug!(%error, "the look through the log was not finished");
                schema::is_spoilt(&error).then(|| error.to_string())
            }
        };
        health.looked();
        drop(connection);
        match problem.zip(entries.upgrade()) {
            Some((problem, entries)) => {
                tracing::error!(problem, "the log is damaged");
                let _sent = entries.blocking_send(Entry::Damaged(problem)).is_ok();
            }
            None => tracing::debug!("the log is whole, as far as a quick look tells"),
        }
    };
    let thread = std::thread::Builder::new().name("log-look".to_owned()).stack_size(STACK);
    if let Err(error) = thread.spawn(look) {
        tracing::warn!(%error, "the log is not looked through");
    }
}

/// What SQLite's own check says, if anything is wrong.
pub(super) fn problems(connection: &Connection, check: &str, most: usize) -> rusqlite::Result<Vec<String>> {
    let mut statement = connection.prepare(&format!("PRAGMA {check}({most})"))?;
    let found: Vec<String> = statement.query_map([], |row| row.get(0))?.collect::<rusqlite::Result<_>>()?;
    Ok(found.into_iter().filter(|line| line != "ok").collect())
}

impl Log {
    /// Looks through the whole log for damage; one at a time.
    ///
    /// # Errors
    /// `overloaded` while another looks; `log_unavailable` if the log is off, or can't be read.
    pub async fn check(&self) -> Result<LogChecked, RpcError> {
        let file = self.file.as_ref().ok_or_else(off)?;
        let turn = super::backup::Turn::take(&file.health, |health| &health.checking)
            .ok_or_else(|| RpcError::new(ErrorKind::Overloaded, "the log is being looked through already"))?;
        let path = file.place.path.clone();
        on_a_thread("log-check", move || {
            let _turn = turn;
            be_patient();
            schema::open_to_read(&path)
                .and_then(|connection| look(&connection))
                .map_err(|error| error.to_string())
        })
        .await
        .map_err(|why| RpcError::new(ErrorKind::LogUnavailable, format!("reading the log: {why}")))
    }
}

/// Runs something that takes its time on a thread of its own, to its end even if nobody waits any more.
pub(super) async fn on_a_thread<T: Send + 'static>(
    name: &str,
    work: impl FnOnce() -> Result<T, String> + Send + 'static,
) -> Result<T, String> {
    let (done, receiver) = oneshot::channel();
    let thread = std::thread::Builder::new().name(name.to_owned()).stack_size(STACK);
    let waited_for = move || drop(done.send(work()));
    thread.spawn(waited_for).map_err(|error| format!("starting a thread: {error}"))?;
    receiver.await.unwrap_or_else(|_| Err("it failed inside the daemon".to_owned()))
}

fn look(connection: &Connection) -> rusqlite::Result<LogChecked> {
    // All of it of one moment, whatever is written meanwhile.
    let transaction = connection.unchecked_transaction()?;
    let mut problems = match problems(&transaction, "integrity_check", MOST) {
        Ok(problems) => problems,
        Err(error) if schema::is_spoilt(&error) => vec![error.to_string()],
        Err(error) => return Err(error),
    };
    let mut statement = transaction.prepare("PRAGMA foreign_key_check")?;
    let strays = statement.query_map([], |row| {
        let (table, key, parent): (String, Option<i64>, String) = (row.get(0)?, row.get(1)?, row.get(2)?);
        let key = key.map_or_else(String::new, |key| format!(" {key}"));
        Ok(format!("row{key} of {table} belongs to nothing in {parent}"))
    })?;
    for stray in strays.take(MOST.saturating_sub(problems.len())) {
        match stray {
            Ok(stray) => problems.push(stray),
            Err(error) => {
                problems.push(error.to_string());
                break;
            }
        }
    }
    problems.truncate(MOST);
    // What can't be counted is among the problems.
    let count = |table: &str| {
        let count = format!("SELECT count(*) FROM {table}");
        transaction.query_row(&count, [], |row| row.get(0)).map_or(0, unsigned)
    };
    let (readings, events, bins) = (count("readings"), count("events"), count("bins"));
    Ok(LogChecked { sound: problems.is_empty(), problems, readings, events, bins })
}
