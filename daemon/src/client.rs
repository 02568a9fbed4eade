//! Who asks. A client is one connection; turns, limits and leases are counted by client.

use std::fmt;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

use settled_protocol::text::Text;

use crate::access::Rights;
use crate::meter_task::Taken;

/// Tells clients apart, for as long as the daemon lives.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ClientId(u64);

/// Who is at the other end, as the system vouches for it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Peer {
    /// The user.
    pub uid: u32,
    /// The process, where it is known.
    pub pid: Option<u32>,
}

impl Peer {
    /// Of these numbers, as the kernel has them: a process that this one can't see, in another container say, has none.
    #[must_use]
    pub fn new(uid: u32, pid: Option<i32>) -> Self {
        Self { uid, pid: pid.and_then(|pid| u32::try_from(pid).ok()).filter(|pid| *pid > 0) }
    }
}

/// Turns in a row that a client may take while others wait, unless the config grants more.
pub const USUAL_TURNS: u8 = 1;

/// A client of the daemon.
#[derive(Debug)]
pub struct Client {
    id: ClientId,
    peer: Option<Peer>,
    who: Arc<Who>,
    rights: Rights,
    turns: u8,
    /// The leases it has taken: they end with it.
    leases: Mutex<Vec<Taken>>,
}

/// Who a client is, as others are told.
#[derive(Debug, Default)]
pub struct Who {
    name: OnceLock<Text>,
    pid: Option<u32>,
}

impl Who {
    /// What it calls itself, once it has said so.
    #[must_use]
    pub fn name(&self) -> Option<&Text> {
        self.name.get()
    }

    /// Its process, where that is known.
    #[must_use]
    pub fn pid(&self) -> Option<u32> {
        self.pid
    }
}

impl fmt::Display for Who {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match (self.name.get(), self.pid) {
            (Some(name), Some(pid)) => write!(f, "{:?} (process {pid})", name.as_str()),
            (Some(name), None) => write!(f, "{:?}", name.as_str()),
            (None, Some(pid)) => write!(f, "process {pid}"),
            (None, None) => f.write_str("another program"),
        }
    }
}

impl Client {
    /// A client that may do everything, and takes the usual turns.
    #[must_use]
    pub fn new(peer: Option<Peer>) -> Self {
        Self::with(peer, Rights::all(), USUAL_TURNS)
    }

    /// A client that has been looked at: what it may do, and how many turns in a row it may take while others wait.
    #[must_use]
    pub fn admitted(peer: Peer, rights: Rights, turns: u8) -> Self {
        Self::with(Some(peer), rights, turns)
    }

    fn with(peer: Option<Peer>, rights: Rights, turns: u8) -> Self {
        let who = Arc::new(Who { name: OnceLock::new(), pid: peer.and_then(|peer| peer.pid) });
        Self { id: ClientId::next(), peer, who, rights, turns, leases: Mutex::default() }
    }

    /// What tells it apart.
    #[must_use]
    pub fn id(&self) -> ClientId {
        self.id
    }

    /// Who it is, where the system vouches for it.
    #[must_use]
    pub fn peer(&self) -> Option<Peer> {
        self.peer
    }

    /// What it may do.
    #[must_use]
    pub fn rights(&self) -> &Rights {
        &self.rights
    }

    /// What it calls itself, once it has said so.
    #[must_use]
    pub fn name(&self) -> Option<&Text> {
        self.who.name()
    }

    /// Takes what it calls itself. The first name counts.
    pub fn call_itself(&self, name: Text) {
        let _first = self.who.name.set(name).is_ok();
    }

    /// A request of its, under a lease if it has one.
    #[must_use]
    pub fn by(&self, lease: Option<&str>) -> By {
        let who = Arc::clone(&self.who);
        By {
            client: self.id,
            who,
            turns: self.turns,
            lease: lease.map(Arc::from),
            until_s: f64::NEG_INFINITY,
            run: None,
        }
    }

    /// Keeps a lease that it has taken, until it is given back or this client is gone.
    pub(crate) fn keep(&self, lease: Taken) {
        let mut leases = self.leases.lock().unwrap_or_else(PoisonError::into_inner);
        leases.retain(Taken::is_in_force);
        leases.push(lease);
    }
}

impl ClientId {
    fn next() -> Self {
        static LAST: AtomicU64 = AtomicU64::new(0);
        Self(LAST.fetch_add(1, Ordering::Relaxed))
    }
}

/// By whom, and on what terms, something is asked of a meter.
#[derive(Clone, Debug)]
pub struct By {
    /// The client.
    pub client: ClientId,
    /// Who that is.
    pub who: Arc<Who>,
    /// How many turns in a row it may take while others wait.
    pub turns: u8,
    /// The token of the lease that it asks under.
    pub lease: Option<Arc<str>>,
    /// Until when it waits while somebody else has the meter, on the daemon's clock, in s.
    pub until_s: f64,
    /// The run that it is for: readings that serve it belong to the run.
    pub run: Option<u64>,
}

impl By {
    /// By a client of its own, that nothing is granted to.
    #[must_use]
    pub fn itself() -> Self {
        let (client, who) = (ClientId::next(), Arc::default());
        Self { client, who, turns: USUAL_TURNS, lease: None, until_s: f64::NEG_INFINITY, run: None }
    }

    /// The same, that waits until `until_s` while somebody else has the meter.
    #[must_use]
    pub fn until(self, until_s: f64) -> Self {
        Self { until_s, ..self }
    }

    /// The same, for a run.
    #[must_use]
    pub fn for_run(self, run: u64) -> Self {
        Self { run: Some(run), ..self }
    }

    /// The same, under this lease.
    #[must_use]
    pub fn under(self, lease: &str) -> Self {
        Self { lease: Some(Arc::from(lease)), ..self }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_process_that_can_not_be_seen_is_not_known() {
        assert_eq!(
            [Some(7), Some(0), Some(-1), None].map(|pid| Peer::new(1, pid).pid),
            [Some(7), None, None, None]
        );
        assert_eq!(Client::new(Some(Peer::new(1, Some(0)))).by(None).who.to_string(), "another program");
    }
}
