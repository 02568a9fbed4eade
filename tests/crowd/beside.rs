//! One measuring program, and beside it one that misbehaves: the first keeps its pace, or its turns, and its answers stay right.

use std::any::Any;
use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::UnixStream;
use std::sync::{Arc, Mutex, MutexGuard};

use serde_json::json;

use self::nuisance::NUISANCES;
use crate::book::{Book, Right};
use crate::ledger::Ledger;
use crate::support::daemon::{Daemon, PATIENCE, wait_until};
use crate::support::relay::Relay;
use crate::support::vitals::Vitals;

mod nuisance;

const CONFIG: &str = "[log]\npath = \"log.sqlite\"\nsurvives = \"crash\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\n\
    display = \"backlit\"\nintegration_s = [0.02, 2]\nautomatic_s = 0.05\n";

/// Readings that the pace is taken from. As many come first, for whatever is going on to begin.
const READINGS: usize = 16;

/// The least share of its pace that a program keeps whose meter nobody else asks for anything, not counting how long the daemon
/// waits for a processor.
const ITS_PACE: f64 = 0.95;

/// How often the pace is taken, at most, until it is what it has to be.
const TRIES: usize = 3;

/// The same, where somebody has page after page of the log looked up and written to him.
const BESIDE_QUERIES: f64 = 0.9;

/// The same, where somebody else has every second turn.
const ITS_TURNS: f64 = 0.45;

/// Something bad that a client does.
struct Nuisance {
    name: &'static str,
    /// The least share of its pace that the measuring program keeps.
    leaves: f64,
    /// Begins with it; it goes on until what is returned is dropped.
    begin: fn(&Daemon) -> Box<dyn Any>,
}

/// A program that measures without pause, in a process of its own.
struct Measuring {
    relay: Relay,
    book: Book,
    ledger: Arc<Mutex<Ledger>>,
}

impl Measuring {
    fn begin(daemon: &Daemon) -> Self {
        let ledger = Arc::new(Mutex::new(Ledger::default()));
        let book = Book::new("the measuring program".to_owned(), &ledger);
        let mut measuring = Self { relay: Relay::start(&daemon.socket()), book, ledger };
        measuring.ask("meter.observe", &json!({"meter": "m", "interval_s": 0, "integration_s": 0.05}));
        measuring
    }

    fn ask(&mut self, method: &'static str, params: &serde_json::Value) {
        let (_, request) = self.book.ask(method, params, Right::Result);
        self.relay.send(format!("{request}\n").as_bytes());
    }

    fn ledger(&self) -> MutexGuard<'_, Ledger> {
        self.ledger.lock().unwrap()
    }

    /// Waits for this many readings with its settings; the moment that the last was taken, in s.
    fn wait_for(&mut self, count: usize) -> f64 {
        // What is asked for in between gets its answer, and light from after it was asked for.
        self.ask("meter.read", &json!({"meter": "m", "integration_s": 0.05, "wait_s": 20}));
        let before = self.ledger().taken("m", 0.05).0;
        while self.ledger().taken("m", 0.05).0 < before + count || !self.book.is_settled() {
            self.book.enter(self.relay.line().as_bytes());
        }
        self.ledger().taken("m", 0.05).1
    }

    /// Its pace, in readings a second by the daemon's clock, and the share of the time that the daemon was kept waiting for a
    /// processor.
    fn pace(&mut self, daemon: &Daemon) -> (f64, f64) {
        self.wait_for(READINGS);
        let before = Vitals::of(daemon.pid());
        let (began, began_s) = self.ledger().taken("m", 0.05);
        self.wait_for(READINGS);
        let (ended, ended_s) = self.ledger().taken("m", 0.05);
        let kept_waiting_s = Vitals::of(daemon.pid()).kept_waiting_s - before.kept_waiting_s;
        ((ended - began) as f64 / (ended_s - began_s), kept_waiting_s / (ended_s - began_s))
    }

    /// Its pace beside a nuisance. Whatever else the machine does now and then is no nuisance's doing, so the pace may be taken anew.
    fn beside(&mut self, daemon: &Daemon, alone: f64, nuisance: &Nuisance) {
        let going_on = (nuisance.begin)(daemon);
        let Nuisance { name, leaves, .. } = *nuisance;
        let is_kept = (0..TRIES).any(|_| {
            let (pace, kept_waiting) = self.pace(daemon);
            let kept = pace / alone;
            eprintln!(
                "beside {name}: {pace:.2} readings a second, {kept:.3} of its pace; kept waiting {kept_waiting:.3}"
            );
            kept >= leaves - kept_waiting
        });
        assert!(is_kept, "beside {name} less than {leaves} of its pace is kept");
        drop(going_on);
    }

    fn end(mut self, daemon: &Daemon) {
        self.book.close();
        drop(self.relay);
        let ledger = self.ledger.lock().unwrap();
        assert!(ledger.followed.iter().all(|followed| followed.missed.is_empty()));
        ledger.check(&daemon.client().logged());
    }
}

/// How many clients there are, who asks included; nothing where the daemon has no room for that.
fn clients(daemon: &Daemon) -> Option<u64> {
    let mut stream = UnixStream::connect(daemon.socket()).ok()?;
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    stream.write_all(b"{\"jsonrpc\":\"2.0\",\"id\":0,\"method\":\"daemon.status\"}\n").ok()?;
    let mut line = String::new();
    BufReader::new(stream).read_line(&mut line).ok()?;
    let answer: serde_json::Value = serde_json::from_str(&line).ok()?;
    answer["result"]["clients"].as_u64()
}

#[test]
fn a_measuring_program_keeps_its_pace_and_its_answers_beside_every_nuisance() {
    let _alone = crate::alone();
    let daemon = Daemon::start(CONFIG);
    daemon.client().wait_for_state("m", "ready");
    let mut measuring = Measuring::begin(&daemon);
    let (alone, kept_waiting) = measuring.pace(&daemon);
    eprintln!("alone: {alone:.2} readings a second; kept waiting {kept_waiting:.3}");
    for nuisance in NUISANCES {
        measuring.beside(&daemon, alone, nuisance);
        wait_until("the nuisance is gone", || clients(&daemon) == Some(2));
    }
    measuring.end(&daemon);
}

#[test]
fn a_storm_of_connections_where_few_files_may_be_open_costs_those_who_are_there_nothing() {
    let _alone = crate::alone();
    let mut daemon = Daemon::configured(CONFIG);
    daemon.launch_with_files("-n 300");
    daemon.client().wait_for_state("m", "ready");
    let mut measuring = Measuring::begin(&daemon);
    let (alone, _) = measuring.pace(&daemon);
    let storm = Nuisance { name: "a storm of connections", leaves: ITS_PACE, begin: nuisance::storm };
    measuring.beside(&daemon, alone, &storm);
    wait_until("there is room again", || clients(&daemon) == Some(2));
    let trace = daemon.trace();
    assert!(trace.contains("connections are open already"), "nobody was turned away: {trace}");
    assert!(!trace.contains("accepting a connection"), "files ran out: {trace}");
    measuring.end(&daemon);
}
