//! A line in the daemon's trace for every refusal: who asked for what, and why it was refused. A flood of refusals makes few lines, but
//! every refusal is counted in one.

use std::collections::HashMap;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::method::NAMES;
use tokio::sync::Notify;

use crate::client::{Client, ClientId, Peer};
use crate::stop::Stop;

/// Refusals that are alike and come within this time after the first are counted in one line.
const TOGETHER: Duration = Duration::from_secs(1);

/// Lines about clients of one user that may begin within that time: who connects anew for each request doesn't get a line for each.
const LINES_OF_USER: usize = 16;

/// Refusals that are told apart at once. A machine has few users; beyond it, they are counted together.
const MOST_APART: usize = 1024;

/// What is told of what could not be asked: a connection that was turned away.
const CONNECTING: &str = "connect";

/// What is told of a method that there isn't.
const UNKNOWN: &str = "(unknown)";

/// Whose refusals are counted together.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
enum Whose {
    Client(ClientId),
    /// Other clients of this user; or connections that did not become clients.
    User(Option<u32>),
    /// Whoever else.
    Others,
}

/// Refusals that are alike.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
struct Kind {
    whose: Whose,
    method: &'static str,
    kind: &'static str,
}

/// How many there were since they were last told of, and by whom.
#[derive(Debug)]
struct Count {
    more: u64,
    uid: Option<u32>,
    name: Option<String>,
}

#[derive(Debug, Default)]
struct Seen {
    counts: HashMap<Kind, Count>,
    /// Lines that began for each user.
    lines: HashMap<Option<u32>, usize>,
}

/// Tells of refusals.
#[derive(Debug, Default)]
pub struct Audit {
    seen: Mutex<Seen>,
    news: Notify,
}

/// Who is refused something.
struct Who<'a> {
    id: Option<ClientId>,
    name: Option<&'a str>,
    peer: Option<Peer>,
}

/// The name of a kind that is a refusal, and why it is one, where the client had a token to show: no word of that is told.
fn refusal(kind: ErrorKind) -> Option<(&'static str, Option<&'static str>)> {
    match kind {
        ErrorKind::NotPermitted => Some(("not_permitted", None)),
        ErrorKind::Overloaded => Some(("overloaded", None)),
        ErrorKind::Leased => Some(("leased", None)),
        ErrorKind::LeaseLost => Some(("lease_lost", Some("the lease that it came with is not in force"))),
        ErrorKind::ParseError
        | ErrorKind::InvalidRequest
        | ErrorKind::MethodNotFound
        | ErrorKind::InvalidParams
        | ErrorKind::Internal
        | ErrorKind::NoSuchMeter
        | ErrorKind::MeterAbsent
        | ErrorKind::MeterFailed
        | ErrorKind::MeterBusy
        | ErrorKind::MeterSilent
        | ErrorKind::MeterGarbled
        | ErrorKind::MeterRefused
        | ErrorKind::OutOfRange
        | ErrorKind::Unsupported
        | ErrorKind::Cancelled
        | ErrorKind::LogUnavailable
        | ErrorKind::NoSuchCorrection
        | ErrorKind::CorrectionRefused
        | ErrorKind::ShuttingDown
        | ErrorKind::ZeroNeeded
        | ErrorKind::NoSuchRun
        | ErrorKind::RunRefused
        | ErrorKind::Unknown => None,
    }
}

impl Audit {
    /// Tells of what a client asked for and was answered, if that is a refusal.
    pub fn answered(&self, client: &Client, method: &str, error: &RpcError) {
        let method = NAMES.iter().find(|name| **name == method).copied().unwrap_or(UNKNOWN);
        let name = client.name().map(settled_protocol::text::Text::as_str);
        self.note(&Who { id: Some(client.id()), name, peer: client.peer() }, method, error);
    }

    /// Tells of somebody who was not let in.
    pub fn turned_away(&self, peer: Option<Peer>, error: &RpcError) {
        self.note(&Who { id: None, name: None, peer }, CONNECTING, error);
    }

    fn note(&self, who: &Who<'_>, method: &'static str, error: &RpcError) {
        let Some((kind, why)) = refusal(error.kind()) else { return };
        if self.seen().is_worth_a_line(who, method, kind) {
            let (uid, pid) = (who.peer.map(|peer| peer.uid), who.peer.and_then(|peer| peer.pid));
            let meter = error.data.as_ref().and_then(|data| data.meter.as_deref());
            let why = why.unwrap_or(&error.message);
            tracing::warn!(target: "audit", method, kind, meter, client = who.name, uid, pid, "refused: {why}");
        }
        self.news.notify_one();
    }

    fn seen(&self) -> MutexGuard<'_, Seen> {
        self.seen.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Tells what was counted, until the daemon stops.
    pub async fn run(&self, mut stop: Stop) {
        while !stop.has_come() {
            if self.seen().counts.is_empty() {
                tokio::select! { () = self.news.notified() => {} () = stop.wait() => {} }
            }
            tokio::select! { () = tokio::time::sleep(TOGETHER) => {} () = stop.wait() => {} }
            self.tell();
        }
    }

    /// Tells what was counted since it last did. Of what has gone on meanwhile the next is counted again; of all else it is news.
    fn tell(&self) {
        let mut seen = self.seen();
        seen.lines.clear();
        seen.counts.retain(|Kind { whose, method, kind }, Count { more, uid, name }| {
            let goes_on = *more > 0;
            if goes_on {
                let of = match whose {
                    Whose::Client(_) => "",
                    Whose::User(_) => " by this user",
                    Whose::Others => " by others",
                };
                let client = name.as_deref();
                tracing::warn!(target: "audit", method, kind, client, uid, "refused: … and {more} more{of}");
            }
            *more = 0;
            goes_on
        });
    }
}

impl Seen {
    /// Whether this is the first of its like; else it is counted.
    fn is_worth_a_line(&mut self, who: &Who<'_>, method: &'static str, kind: &'static str) -> bool {
        let uid = who.peer.map(|peer| peer.uid);
        let users = Whose::User(uid);
        let own = Kind { whose: who.id.map_or(users, Whose::Client), method, kind };
        if let Some(count) = self.counts.get_mut(&own) {
            count.more += 1;
            return false;
        }
        let room = self.counts.len() < MOST_APART;
        if room && self.lines.get(&uid).is_none_or(|lines| *lines < LINES_OF_USER) {
            *self.lines.entry(uid).or_default() += 1;
            self.counts.insert(own, Count { more: 0, uid, name: who.name.map(ToOwned::to_owned) });
            return true;
        }
        let users = Kind { whose: users, ..own };
        let (like, uid) = match room || self.counts.contains_key(&users) {
            true => (users, uid),
            false => (Kind { whose: Whose::Others, ..own }, None),
        };
        self.counts.entry(like).or_insert(Count { more: 0, uid, name: None }).more += 1;
        false
    }
}

#[cfg(test)]
mod tests;
