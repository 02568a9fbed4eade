//! Who asks. A client is one connection; turns, limits and leases are counted by client.

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, OnceLock};

use settled_protocol::text::Text;

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

/// Turns in a row that a client may take while others wait, unless the config grants more.
pub const USUAL_TURNS: u8 = 1;

/// A client of the daemon.
#[derive(Debug)]
pub struct Client {
    id: ClientId,
    peer: Option<Peer>,
    name: OnceLock<Text>,
    turns: u8,
}

impl Client {
    /// A client that nothing is granted to.
    #[must_use]
    pub fn new(peer: Option<Peer>) -> Self {
        Self { id: ClientId::next(), peer, name: OnceLock::new(), turns: USUAL_TURNS }
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

    /// What it calls itself, once it has said so.
    #[must_use]
    pub fn name(&self) -> Option<&Text> {
        self.name.get()
    }

    /// Takes what it calls itself. The first name counts.
    pub fn call_itself(&self, name: Text) {
        let _first = self.name.set(name).is_ok();
    }

    /// A request of its, under a lease if it has one.
    #[must_use]
    pub fn by(&self, lease: Option<&str>) -> By {
        By { client: self.id, turns: self.turns, lease: lease.map(Arc::from) }
    }
}

impl ClientId {
    fn next() -> Self {
        static LAST: AtomicU64 = AtomicU64::new(0);
        Self(LAST.fetch_add(1, Ordering::Relaxed))
    }
}

/// By whom, and on what terms, something is asked of a meter.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct By {
    /// The client.
    pub client: ClientId,
    /// How many turns in a row it may take while others wait.
    pub turns: u8,
    /// The token of the lease that it asks under.
    pub lease: Option<Arc<str>>,
}

impl By {
    /// By a client of its own, that nothing is granted to.
    #[must_use]
    pub fn itself() -> Self {
        Self { client: ClientId::next(), turns: USUAL_TURNS, lease: None }
    }
}
