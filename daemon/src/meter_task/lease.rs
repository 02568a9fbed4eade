//! Who has the meter for itself, and who waits to have it. Pure: it is told the time.
//!
//! At most one lease is in force at any time. Those who wait for one are served in the order in which they asked. When a lease ends
//! its token never counts again.

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;

use settled_protocol::lease::{Holder, Lease};
use settled_protocol::text::Text;
use settled_protocol::time::Timestamp;
use tokio::sync::oneshot;

use crate::client::{By, ClientId, Who};
use crate::clock::Moment;

mod desk;
mod refusal;
mod taken;

pub(super) use desk::{Desk, answer};
pub(crate) use refusal::lost_anywhere;
pub(crate) use refusal::lost;
pub use taken::Taken;

/// Requests for a lease that may wait for one meter, of as many clients; more are refused as overloaded. A bench has a handful of
/// programs, and each holds on to its connection meanwhile.
pub(super) const MOST_WAITING: usize = 64;

/// What a request for a lease gets.
pub(super) type LeaseOutcome = Result<Taken, settled_protocol::error::RpcError>;

/// One request for a lease.
#[derive(Debug)]
pub(super) struct Request {
    pub(super) by: By,
    /// Its token, once it is granted.
    pub(super) token: Arc<str>,
    pub(super) ttl_s: f64,
    pub(super) patience: Patience,
    pub(super) purpose: Option<Text>,
    pub(super) reply: oneshot::Sender<LeaseOutcome>,
}

/// How long a request for a lease waits.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Patience {
    /// It is granted as soon as the exposure under way is over, or refused at once.
    None,
    /// Until then, in s.
    Until(f64),
}

/// Why a request for a lease can't even wait.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Full {
    /// Too many wait.
    Line,
    /// The client waits already.
    Twice,
}

/// A request in the line.
#[derive(Debug)]
struct Placed {
    request: Request,
    /// What the meter was asked for before it has lower numbers in the meter's queue.
    number: u64,
}

/// The lease that was granted last, and has not been taken off yet.
#[derive(Clone, Debug)]
pub(super) struct Held {
    pub(super) token: Arc<str>,
    pub(super) client: ClientId,
    pub(super) who: Arc<Who>,
    pub(super) purpose: Option<Text>,
    pub(super) ttl_s: f64,
    pub(super) since: Moment,
    /// When it is lost unless it is renewed.
    pub(super) expires: Moment,
}

impl Held {
    fn is_in_force(&self, now_s: f64) -> bool {
        now_s < self.expires.t_s
    }

    /// As everyone may know of it.
    fn holder(&self) -> Holder {
        Holder {
            client: self.who.name().cloned(),
            pid: self.who.pid(),
            purpose: self.purpose.clone(),
            since: self.since.at,
            expires_at: self.expires.at,
        }
    }

    /// As its holder is told of it.
    pub(super) fn lease(&self, meter: &str) -> Lease {
        Lease {
            lease: self.token.to_string(),
            meter: meter.to_owned(),
            ttl_s: self.ttl_s,
            expires_at: self.expires.at,
            expires_t_s: self.expires.t_s,
        }
    }

    /// Who had it, what for and for how long, in words.
    pub(super) fn story(&self, until_s: f64) -> String {
        let purpose = self.purpose.as_ref().map_or_else(String::new, |text| format!(" for {:?}", text.as_str()));
        format!("{} had it{purpose} for {:.1} s", self.who, until_s - self.since.t_s)
    }
}

/// A moment so many seconds later, on both clocks.
fn later(moment: Moment, seconds: f64) -> Moment {
    let span = Duration::try_from_secs_f64(seconds).unwrap_or_default();
    let ns = u64::try_from(span.as_nanos()).unwrap_or(u64::MAX);
    let at = Timestamp::from_unix_ns(moment.at.unix_ns().saturating_add(ns));
    Moment { at, t_s: moment.t_s + seconds }
}

/// The leases of one meter.
#[derive(Debug, Default)]
pub(super) struct Leases {
    held: Option<Held>,
    line: VecDeque<Placed>,
}

impl Leases {
    /// Puts a request at the end of the line, or gives it back. What comes from now on has numbers above `number` in the meter's queue.
    pub(super) fn ask(&mut self, request: Request, number: u64) -> Result<(), (Request, Full)> {
        self.forget_gone();
        if self.line.iter().any(|other| other.request.by.client == request.by.client) {
            return Err((request, Full::Twice));
        }
        if self.line.len() >= MOST_WAITING {
            return Err((request, Full::Line));
        }
        self.line.push_back(Placed { request, number });
        Ok(())
    }

    /// The lease in force.
    pub(super) fn held(&self, now_s: f64) -> Option<&Held> {
        self.held.as_ref().filter(|held| held.is_in_force(now_s))
    }

    /// Whether this is the token of the lease in force.
    pub(super) fn is_in_force(&self, token: &str, now_s: f64) -> bool {
        self.held(now_s).is_some_and(|held| *held.token == *token)
    }

    /// Takes off a lease that was not renewed in time.
    pub(super) fn expire(&mut self, now_s: f64) -> Option<Held> {
        self.held.take_if(|held| !held.is_in_force(now_s))
    }

    /// Ends the lease in force, if this is its token.
    pub(super) fn release(&mut self, token: &str, now_s: f64) -> Option<Held> {
        self.held.take_if(|held| *held.token == *token && held.is_in_force(now_s))
    }

    /// Lets the lease in force last from now on for `ttl_s`, or for as long as before, if this is its token.
    pub(super) fn renew(&mut self, token: &str, ttl_s: Option<f64>, now: Moment) -> Option<&Held> {
        let held = self.held.as_mut().filter(|held| *held.token == *token && held.is_in_force(now.t_s))?;
        held.ttl_s = ttl_s.unwrap_or(held.ttl_s);
        held.expires = later(now, held.ttl_s);
        Some(held)
    }

    /// Takes out those who don't wait any longer: `can_begin` says whether the one who asked at a number could begin, were the exposure
    /// under way over.
    pub(super) fn give_up(
        &mut self,
        now_s: f64,
        can_begin: impl Fn(&By, u64) -> bool,
    ) -> Vec<(Request, u64)> {
        self.forget_gone();
        let mut is_free = self.held.is_none();
        let mut gone = Vec::new();
        for placed in std::mem::take(&mut self.line) {
            let waits = match placed.request.patience {
                Patience::Until(until_s) => now_s < until_s,
                Patience::None => is_free && can_begin(&placed.request.by, placed.number),
            };
            if waits {
                is_free = false;
                self.line.push_back(placed);
            } else {
                gone.push((placed.request, placed.number));
            }
        }
        gone
    }

    /// Grants the lease to the first in the line, unless somebody has it, or what was asked for before isn't over.
    pub(super) fn grant(&mut self, now: Moment, can_begin: impl Fn(&By, u64) -> bool) -> Option<(&Held, Request)> {
        self.forget_gone();
        if self.held.is_some() || self.line.front().is_none_or(|first| !can_begin(&first.request.by, first.number)) {
            return None;
        }
        let request = self.line.pop_front()?.request;
        let held = self.held.insert(Held {
            token: Arc::clone(&request.token),
            client: request.by.client,
            who: Arc::clone(&request.by.who),
            purpose: request.purpose.clone(),
            ttl_s: request.ttl_s,
            since: now,
            expires: later(now, request.ttl_s),
        });
        Some((held, request))
    }

    /// When something happens here by itself next, in s.
    pub(super) fn next_s(&self) -> f64 {
        let expires_s = self.held.as_ref().map(|held| held.expires.t_s);
        let waits = self.line.iter().filter_map(|placed| match placed.request.patience {
            Patience::Until(until_s) => Some(until_s),
            Patience::None => None,
        });
        waits.chain(expires_s).fold(f64::INFINITY, f64::min)
    }

    /// Whether anybody waits.
    pub(super) fn has_line(&self) -> bool {
        !self.line.is_empty()
    }

    /// Those who took their request back make way.
    fn forget_gone(&mut self) {
        self.line.retain(|placed| !placed.request.reply.is_closed());
    }
}

#[cfg(test)]
mod tests;
