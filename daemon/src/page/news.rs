//! What viewers are told: server-sent events, each with a name and an object of JSON. Made once for everyone.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use hyper::body::Bytes;
use serde::Serialize;
use serde_json::value::RawValue;
use settled_protocol::meter::Meter;
use settled_protocol::method::{ClockInfo, LogStatus};
use settled_protocol::run::Run;
use settled_protocol::settling::{Estimate, Evidence, Verdict};
use settled_protocol::time::Timestamp;

use super::files;
use crate::daemon::{Daemon, VERSION};

/// One event as it is sent.
fn event(name: &str, data: &impl Serialize) -> Bytes {
    // What is told holds nothing that JSON can't; and JSON of one line has no line end in it.
    let data = serde_json::to_string(data).unwrap_or_else(|_| "null".to_owned());
    Bytes::from(format!("event: {name}\ndata: {data}\n\n"))
}

/// `hello`, the first of all: who tells.
#[derive(Serialize)]
struct Hello<'a> {
    daemon: &'a str,
    instance: &'a str,
    boot: &'a str,
    clock: ClockInfo,
    meters: Vec<&'a str>,
    /// Tells one daemon's page from another's: a browser that shows the other loads anew.
    page: String,
}

/// `time`: what time it is for the daemon, and how its log is. Ages are counted from this.
#[derive(Serialize)]
struct Time {
    at: Timestamp,
    t_s: f64,
    log: LogStatus,
}

/// `reading`: a meter's latest, and for its curve all that came since the last time.
#[derive(Serialize)]
struct Seen<'a> {
    meter: &'a str,
    reading: &'a RawValue,
    /// Sequence, s since 1970, amount of light.
    points: &'a [Point],
    /// Points that were left out: the log has them.
    missed: bool,
}

/// A reading on the curve: its sequence, UTC in s since 1970, the amount of light.
pub(super) type Point = (u64, f64, f64);

/// `verdict`: how the light of what passes stands.
#[derive(Debug, Serialize)]
pub(super) struct Judged<'a> {
    pub(super) meter: &'a str,
    /// Nothing while the evidence isn't enough for one.
    pub(super) verdict: Option<Verdict>,
    /// Since when, on the boot clock, in s.
    pub(super) since_s: Option<f64>,
    /// The reading that was looked at last, on the boot clock, in s.
    pub(super) t_s: f64,
    pub(super) unit: &'a str,
    pub(super) hold_s: f64,
    pub(super) value: Option<Estimate>,
    /// When it is expected to settle: the earlier and the later end, in s from the reading that was looked at last. The page counts it down.
    pub(super) settles: Option<[f64; 2]>,
    pub(super) evidence: Evidence,
    /// The verdict in one sentence.
    pub(super) message: Option<String>,
}

pub(super) fn hello(daemon: &Daemon) -> Bytes {
    let meters = daemon.handles().map(|handle| handle.id()).collect();
    let (instance, boot, clock) = (&*daemon.instance, daemon.clock.boot(), daemon.clock.info());
    event("hello", &Hello { daemon: VERSION, instance, boot, clock, meters, page: files::together() })
}

pub(super) fn time(daemon: &Daemon) -> Bytes {
    let now = daemon.clock.now();
    event("time", &Time { at: now.at, t_s: now.t_s, log: daemon.log.status() })
}

/// `meter`: a meter as `meters.list` has it. A warm-up that is over is told once, not as it gets older.
pub(super) fn meter(mut meter: Meter) -> Bytes {
    if let Some(warm_up) = &mut meter.warm_up {
        warm_up.elapsed_s = warm_up.elapsed_s.min(warm_up.needed_s).round();
    }
    event("meter", &meter)
}

/// `run`: a run as `runs.list` has it.
pub(super) fn run(run: &Run) -> Bytes {
    event("run", run)
}

/// `runs`: more became of runs than was told.
pub(super) fn runs() -> Bytes {
    event("runs", &serde_json::json!({}))
}

/// `left`: the viewer is let go for one who came, and isn't to come back by itself.
pub(super) fn left() -> Bytes {
    event("left", &serde_json::json!({}))
}

/// `happened`: there are events in the log that there weren't.
pub(super) fn happened() -> Bytes {
    event("happened", &serde_json::json!({}))
}

pub(super) fn seen(meter: &str, reading: &RawValue, points: &[Point], missed: bool) -> Bytes {
    event("reading", &Seen { meter, reading, points, missed })
}

pub(super) fn judged(judged: &Judged<'_>) -> Bytes {
    event("verdict", judged)
}

/// What was told of each meter last: for who comes next.
#[derive(Clone, Debug, Default)]
pub(super) struct Board(Arc<Mutex<BTreeMap<(String, Kind), Bytes>>>);

/// Of what the latest counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Kind {
    Meter,
    Reading,
    Verdict,
}

impl Board {
    /// Puts up the latest. Whether it differs from what was there.
    pub(super) fn put(&self, meter: &str, kind: Kind, news: &Bytes) -> bool {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        all.insert((meter.to_owned(), kind), news.clone()).as_ref() != Some(news)
    }

    /// What there is of readings and verdicts. How a meter is, whoever comes is told as it is now: what is up is what the others were told.
    pub(super) fn seen(&self) -> Vec<Bytes> {
        let all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        all.iter().filter(|((_, kind), _)| *kind != Kind::Meter).map(|(_, news)| news.clone()).collect()
    }

    /// Takes everything down: nobody looks after it any more.
    pub(super) fn clear(&self) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whoever_comes_takes_no_news_of_a_meter_from_those_who_are_there() {
        let board = Board::default();
        let news = |text: &'static str| Bytes::from_static(text.as_bytes());
        assert!(board.put("bench", Kind::Meter, &news("ready")));
        assert!(board.put("bench", Kind::Reading, &news("1")));
        assert_eq!(board.seen(), [news("1")], "a meter is told as it is now");
        assert!(!board.put("bench", Kind::Meter, &news("ready")));
        assert!(board.put("bench", Kind::Meter, &news("leased")), "the others haven't been told");
    }
}
