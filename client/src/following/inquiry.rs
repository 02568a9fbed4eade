//! Asks the daemon what a search wants to know, until there is a subscription.

use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::log::Selection;
use settled_protocol::method::{DaemonStatus, LogEvents, LogReadings, Nothing, ObserveParams};
use settled_protocol::time::Timestamp;

use super::bookmark::{Answer, Ask, Mark, Search, Start};
use crate::connection::{CallError, Connection};
use crate::subscription::Subscription;

/// Follows the search to its end.
pub(super) async fn conduct(
    connection: &Connection,
    params: &ObserveParams,
    search: &mut Search,
) -> Result<Subscription, CallError> {
    loop {
        let answer = match search.ask() {
            Some(Ask::Reading(sequence)) => told(reading(connection, sequence).await, search)?,
            Some(Ask::Before(at)) => told(before(connection, &params.meter, at).await, search)?,
            Some(Ask::Last) => told(last(connection).await, search)?,
            Some(Ask::Subscribe(after)) => {
                let params = ObserveParams { after, ..params.clone() };
                match connection.observe(&params).await {
                    Ok(readings) => {
                        search.take(Answer::Subscribed);
                        return Ok(readings);
                    }
                    Err(CallError::Refused(error)) => refused(error, after, search)?,
                    Err(error) => return Err(error),
                }
            }
            None => return Err(CallError::Closed),
        };
        search.take(answer);
    }
}

/// What a daemon can't tell about its log, or won't tell a guest, is no reason not to follow a meter; unless the caller
/// begins with what the log has.
fn told(answer: Result<Answer, CallError>, search: &Search) -> Result<Answer, CallError> {
    let Err(CallError::Refused(error)) = &answer else { return answer };
    let does_without = match (error.kind(), search.begins()) {
        (ErrorKind::NotPermitted, Some(Start::After(_))) => true,
        (ErrorKind::NotPermitted | ErrorKind::LogUnavailable, begins) => {
            matches!(begins, None | Some(Start::Now))
        }
        _ => false,
    };
    if does_without { Ok(Answer::Unknown) } else { answer }
}

/// A subscription that goes on from a number may be refused because of that number. The first one is the caller's own choice,
/// and a log that has been begun anew must do.
fn refused(error: RpcError, after: Option<u64>, search: &Search) -> Result<Answer, CallError> {
    let goes_on = after.is_some() && search.begins().is_none();
    match error.kind() {
        ErrorKind::LogUnavailable if goes_on => Ok(Answer::NoLog),
        ErrorKind::InvalidParams if goes_on && !search.has_begun_anew() => Ok(Answer::Beyond),
        _ => Err(CallError::Refused(error)),
    }
}

async fn reading(connection: &Connection, sequence: u64) -> Result<Answer, CallError> {
    let Some(after) = sequence.checked_sub(1) else { return origin(connection).await };
    let selection = Selection { after: Some(after), limit: Some(1), ..Selection::default() };
    let page = connection.call::<LogReadings>(&selection).await?;
    let found = page.readings.first().filter(|reading| reading.sequence == sequence);
    Ok(Answer::Reading(found.map(Mark::of)))
}

/// The event that a log begins with: its own first start of a daemon.
async fn origin(connection: &Connection) -> Result<Answer, CallError> {
    let selection = Selection { limit: Some(1), ..Selection::default() };
    let page = connection.call::<LogEvents>(&selection).await?;
    Ok(Answer::Reading(page.events.first().map(|event| Mark { sequence: 0, at: event.at })))
}

async fn before(connection: &Connection, meter: &str, at: Timestamp) -> Result<Answer, CallError> {
    // First the end: what comes while the moment is looked for is from after it.
    let end = last(connection).await?;
    let selection =
        Selection { meter: Some(meter.to_owned()), since: Some(at), limit: Some(1), ..Selection::default() };
    let page = connection.call::<LogReadings>(&selection).await?;
    let found = page.readings.first().map(|reading| Answer::Place(Some(reading.sequence.saturating_sub(1))));
    Ok(found.unwrap_or(end))
}

async fn last(connection: &Connection) -> Result<Answer, CallError> {
    let log = connection.call::<DaemonStatus>(&Nothing {}).await?.log;
    // An empty log has no last reading, and one that is off has none either.
    Ok(Answer::Place(log.last_sequence.or(log.writing.then_some(0))))
}
