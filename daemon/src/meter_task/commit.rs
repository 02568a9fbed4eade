//! Readings on their way to the disk. They go out in the order they were taken, each once it is durable; the next
//! exposure does not wait for that.

use std::collections::VecDeque;
use std::sync::Arc;

use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::reading::Reading;
use tokio::sync::oneshot;

use super::shared::{Logged, Published, Shared};
use super::{Outcome, queue::Audience};
use crate::log::{self, Log, Numbered};

/// Readings that may be on their way at once. A disk that stalls for longer than this lasts holds up the meter: light
/// that could not be kept is not measured.
pub(super) const MOST_IN_FLIGHT: usize = 256;

/// A reading without its number.
#[derive(Debug)]
struct InFlight {
    draft: Reading,
    audience: Audience,
    numbered: oneshot::Receiver<Numbered>,
}

/// One meter's readings on their way to the disk.
#[derive(Debug, Default)]
pub(super) struct Commits {
    in_flight: VecDeque<InFlight>,
}

impl Commits {
    /// Whether the meter must wait for the disk.
    pub(super) fn is_full(&self) -> bool {
        self.in_flight.len() >= MOST_IN_FLIGHT
    }

    /// Whether nothing is on its way.
    pub(super) fn is_empty(&self) -> bool {
        self.in_flight.is_empty()
    }

    /// Sends a reading on its way.
    pub(super) async fn send(&mut self, log: &Log, shared: &Shared, draft: Reading, audience: Audience) {
        if log.is_off() {
            let number = Numbered { sequence: log.number(), durable: false };
            deliver(shared, log::numbered(draft, number), audience);
            return;
        }
        let numbered = log.append(draft.clone()).await;
        self.in_flight.push_back(InFlight { draft, audience, numbered });
    }

    /// Waits until the oldest has its number and gives it out; for ever if nothing is on its way.
    /// Dropping the future loses nothing.
    pub(super) async fn deliver_next(&mut self, shared: &Shared) {
        let Some(oldest) = self.in_flight.front_mut() else { return std::future::pending().await };
        let outcome = (&mut oldest.numbered).await;
        let Some(InFlight { draft, audience, .. }) = self.in_flight.pop_front() else { return };
        match outcome {
            Ok(number) => deliver(shared, log::numbered(draft, number), audience),
            Err(_) => {
                let message = "the log could give the reading no number";
                let error = RpcError::new(ErrorKind::LogUnavailable, message).about(&shared.id);
                answer(audience, &Err(error));
            }
        }
    }

    /// Gives out everything that is on its way.
    pub(super) async fn deliver_all(&mut self, shared: &Shared) {
        while !self.is_empty() {
            self.deliver_next(shared).await;
        }
    }
}

/// Serialises a reading once and gives it to everyone.
fn deliver(shared: &Shared, reading: Reading, audience: Audience) {
    let exposure = audience.exposed;
    match Logged::new(reading).map(Arc::new) {
        Ok(logged) => {
            let lease = audience.lease.clone();
            answer(audience, &Ok(Arc::clone(&logged)));
            shared.publish(Published::Reading { exposure, logged, lease });
        }
        Err(error) => {
            let error = RpcError::new(ErrorKind::Internal, format!("writing the reading as JSON: {error}"));
            answer(audience, &Err(error));
        }
    }
}

/// Gives an outcome to everyone who asked for it.
pub(super) fn answer(audience: Audience, outcome: &Outcome) {
    for reply in audience.replies() {
        // A client that has cancelled doesn't wait any more.
        let _waiting = reply.send(outcome.clone()).is_ok();
    }
}
