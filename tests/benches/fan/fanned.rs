//! One reading to many: until the last has it, and what that costs.
//!
//! Closed loop: the next is published once every subscriber has the one before it. For the peers time counts from just before the
//! publisher's write, so it has the way to the server in it. For settled it counts from the end of the exposure, as the reading tells it:
//! stamping, serialising, the log, and the answer to the client that asked are in it, the way of that client's request is not;
//! it is in the column beside it, together with the turn in the meter's queue and a simulated exposure that takes no time.

use std::path::Path;

use crate::machine::{now_s, quantile};
use crate::peers::{Bare, Mosquitto, Peer, Redis, Settled};
use crate::subscribers::Subscribers;

const SUBSCRIBERS: [usize; 4] = [1, 16, 32, 128];

/// Rounds of each kind, taken in turns so that the machine's moods fall on all alike.
const ROUNDS: usize = 40;

/// Lines in a round.
const LINES: usize = 50;

/// Lines of a round that aren't counted: the first find everything cold.
const WARM: usize = 5;

/// One peer with its subscribers.
struct Kind {
    peer: Box<dyn Peer>,
    subscribers: Subscribers,
    /// From the publication, and from the request, to the last subscriber, in µs.
    from_publication: Vec<f64>,
    from_request: Vec<f64>,
    spent_s: f64,
}

impl Kind {
    fn new(mut peer: Box<dyn Peer>, count: usize) -> Self {
        let subscribers = Subscribers::new((0..count).map(|_| peer.subscriber()).collect());
        Self { peer, subscribers, from_publication: Vec::new(), from_request: Vec::new(), spent_s: 0.0 }
    }

    fn round(&mut self) {
        let mut before_s = 0.0;
        for line in 0..LINES + WARM {
            if line == WARM {
                before_s = self.peer.spent_s();
            }
            let start_s = now_s();
            self.peer.publish();
            self.subscribers.wait();
            let end_s = now_s();
            let published_s = self.peer.published(&self.subscribers).unwrap_or(start_s);
            if line >= WARM {
                self.from_publication.push((end_s - published_s) * 1e6);
                self.from_request.push((end_s - start_s) * 1e6);
            }
        }
        self.spent_s += self.peer.spent_s() - before_s;
    }
}

/// The table of every number of subscribers.
pub(crate) fn run(folder: &Path) {
    let mut off = Settled::start(folder, "settled, log off", "off", "path = \"off\"");
    let line = off.line();
    let crash = "path = \"{log}.sqlite\"\nsurvives = \"crash\"";
    let mut peers: Vec<Box<dyn Peer>> = vec![Box::new(Bare::start(folder, &line))];
    match Redis::start(folder, &line) {
        Some(redis) => peers.push(Box::new(redis)),
        None => println!("redis-server is not installed: no figures beside it"),
    }
    match Mosquitto::start(folder, &line) {
        Some(mosquitto) => peers.push(Box::new(mosquitto)),
        None => println!("mosquitto is not installed: no figures beside it"),
    }
    peers.push(Box::new(off));
    peers.push(Box::new(Settled::start(folder, "settled, survives a crash", "crash", crash)));
    peers.push(Box::new(Settled::start(folder, "settled, a power cut", "power", "path = \"{log}.sqlite\"")));
    println!(
        "a line of {} bytes, from its publication (the end of the exposure) to the last subscriber",
        line.len()
    );
    for count in SUBSCRIBERS {
        peers = table(peers, count);
    }
}

fn table(peers: Vec<Box<dyn Peer>>, count: usize) -> Vec<Box<dyn Peer>> {
    let mut kinds: Vec<Kind> = peers.into_iter().map(|peer| Kind::new(peer, count)).collect();
    for _ in 0..ROUNDS {
        kinds.iter_mut().for_each(Kind::round);
    }
    let bare = quantile(&mut kinds[0].from_publication, 0.5);
    let head = ["p50 µs", "p99 µs", "p50/bare", "from request", "1/s and core"];
    println!(
        "{:<28} {:>9} {:>9} {:>9} {:>13} {:>13}",
        format!("{count} subscribers"),
        head[0],
        head[1],
        head[2],
        head[3],
        head[4]
    );
    for kind in &mut kinds {
        let (p50, p99) =
            (quantile(&mut kind.from_publication, 0.5), quantile(&mut kind.from_publication, 0.99));
        let request = quantile(&mut kind.from_request, 0.5);
        let rate = (ROUNDS * LINES * count) as f64 / kind.spent_s;
        let name = kind.peer.name();
        println!("{name:<28} {p50:>9.1} {p99:>9.1} {:>9.2} {request:>13.1} {rate:>13.0}", p50 / bare);
    }
    kinds
        .into_iter()
        .map(|kind| {
            drop(kind.subscribers);
            let mut peer = kind.peer;
            peer.forget();
            peer
        })
        .collect()
}
