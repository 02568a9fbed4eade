//! Where the latest rows begin: the log is looked at from its end, ever further back, until so many of those that are meant are found.

use std::collections::VecDeque;

use settled_protocol::log::LARGEST_PAGE;
use settled_protocol::method::{DaemonStatus, LogEvents, LogReadings, Nothing};

use super::super::Failure;
use super::Which;
use crate::connection::{CallError, Connection};

/// The most of the latest that can be asked for: their numbers are kept meanwhile.
pub(super) const MOST: u64 = 1_000_000;

/// How much further back it is looked each time.
const FURTHER: u64 = 8;

impl Which {
    /// The same rows as those behind a number, so many at most, where the latest are meant.
    pub(super) async fn resolve(mut self, connection: &Connection, events: bool) -> Result<Self, Failure> {
        if let Some(wanted) = self.last.take() {
            self.after = behind(&self, connection, events, wanted).await?;
            self.limit = Some(wanted);
        }
        Ok(self)
    }
}

/// The number behind which the latest rows are; none where these are all there are.
async fn behind(
    which: &Which,
    connection: &Connection,
    events: bool,
    wanted: u64,
) -> Result<Option<u64>, Failure> {
    let newest = connection.call::<DaemonStatus>(&Nothing {}).await?.log.last_sequence.unwrap_or(0);
    let mut back = wanted.saturating_mul(FURTHER);
    loop {
        let from = newest.saturating_sub(back);
        let (mut found, mut after) = (VecDeque::new(), Some(from).filter(|from| *from > 0));
        loop {
            let (numbers, next) = page(which, connection, events, after).await?;
            for number in numbers {
                found.push_back(number);
                if found.len() as u64 > wanted {
                    found.pop_front();
                }
            }
            match next {
                Some(_) => after = next,
                None => break,
            }
        }
        if found.len() as u64 == wanted || from == 0 {
            return Ok(found.front().and_then(|first| first.checked_sub(1)));
        }
        back = back.saturating_mul(FURTHER);
    }
}

/// The numbers of a page's rows, and where the next begins.
async fn page(
    which: &Which,
    connection: &Connection,
    events: bool,
    after: Option<u64>,
) -> Result<(Vec<u64>, Option<u64>), CallError> {
    let selection = which.page(after, u64::from(LARGEST_PAGE), false);
    if events {
        let page = connection.call::<LogEvents>(&selection).await?;
        return Ok((page.events.iter().map(|event| event.sequence).collect(), page.next));
    }
    let page = connection.call::<LogReadings>(&selection).await?;
    Ok((page.readings.iter().map(|reading| reading.sequence).collect(), page.next))
}
