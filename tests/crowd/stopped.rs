//! Clients whose processes are stopped in mid-traffic: they cost nobody else anything, and are told what they missed once they go on.

use std::sync::{Arc, Mutex};

use nix::sys::signal::Signal;
use serde_json::json;

use crate::book::{Book, Entered, Right, boot_s};
use crate::ledger::Ledger;
use crate::support::client::Client;
use crate::support::daemon::Daemon;
use crate::support::relay::Relay;
use crate::support::vitals::Vitals;

const CONFIG: &str = "[log]\npath = \"log.sqlite\"\nsurvives = \"crash\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\n\
    display = \"backlit\"\nintegration_s = [0.005, 1]\n";

/// Healthy subscribers.
const HEALTHY: usize = 8;

/// Subscriptions of the one that is stopped: as many as there may be, so that what waits for it is soon more than may wait.
const SUBSCRIPTIONS: u64 = 64;

/// Readings that the healthy ones take, with nobody stopped and with somebody.
const READINGS: usize = 200;

/// How much later a healthy one gets its readings for others that are stopped, at most: a factor, and what two loaded
/// processors may add, in s.
const MUCH_LATER: (f64, f64) = (1.5, 0.005);

/// Memory that may come into use while those who are stopped are owed more and more, in KiB, once they are owed as much as may wait.
const SLACK_KIB: u64 = 2 * 1024;

/// Lets every subscriber take its readings; how long after the end of its exposure each got it, the median of all.
fn delivered(subscribers: &mut [Client], count: usize) -> f64 {
    let mut delays = Vec::new();
    for _ in 0..count {
        for subscriber in &mut *subscribers {
            let reading = subscriber.notice("reading");
            delays.push(boot_s() - reading["reading"]["t_s"].as_f64().unwrap());
        }
    }
    delays.sort_by(f64::total_cmp);
    delays[delays.len() / 2]
}

#[test]
fn stopped_processes_cost_others_nothing_and_hear_exactly_what_they_missed() {
    let _alone = crate::alone();
    let daemon = Daemon::start(CONFIG);
    let mut healthy: Vec<Client> = (0..HEALTHY).map(|_| daemon.client()).collect();
    healthy[0].wait_for_state("m", "ready");
    for subscriber in &mut healthy {
        subscriber.call("meter.observe", &json!({"meter": "m", "interval_s": 0, "integration_s": 0.005}));
    }
    let alone_s = delivered(&mut healthy, READINGS);

    let ledger = Arc::new(Mutex::new(Ledger::default()));
    let mut book = Book::new("the stopped one".to_owned(), &ledger);
    let mut stopped = Relay::start(&daemon.socket());
    for _ in 0..SUBSCRIPTIONS {
        let (_, request) = book.ask("meter.observe", &json!({"meter": "m"}), Right::Result);
        stopped.send(format!("{request}\n").as_bytes());
    }
    while !book.is_settled() {
        book.enter(stopped.line().as_bytes());
    }
    let others = stop_others(&daemon);
    stopped.signal(Signal::SIGSTOP);
    // From here on it is owed more than may wait for it.
    delivered(&mut healthy, 2 * READINGS);
    let before = Vitals::of(daemon.pid());
    let beside_s = delivered(&mut healthy, 2 * READINGS);
    let after = Vitals::of(daemon.pid());
    eprintln!(
        "a reading came after {:.2} ms alone, {:.2} ms beside stopped ones",
        alone_s * 1e3,
        beside_s * 1e3
    );
    eprintln!("the daemon: {before}; later: {after}");
    assert!(beside_s <= MUCH_LATER.0 * alone_s + MUCH_LATER.1, "{beside_s} s, alone {alone_s} s");
    assert!(after.memory_kib <= before.memory_kib + SLACK_KIB, "{before}; later: {after}");

    drop((healthy, others));
    let (id, request) = book.ask("hello", &json!({}), Right::Result);
    stopped.send(format!("{request}\n").as_bytes());
    stopped.signal(Signal::SIGCONT);
    while !matches!(book.enter(stopped.line().as_bytes()), Entered::Answer(of, _) if of == id) {}
    book.close();
    let ledger = ledger.lock().unwrap();
    assert_eq!(ledger.followed.len(), SUBSCRIPTIONS as usize);
    eprintln!("{}", ledger.summary());
    assert!(ledger.followed.iter().all(|followed| !followed.missed.is_empty()));
    ledger.check(&daemon.client().logged());
}

/// Others that stop: with requests in flight, with a demand, in the middle of a line.
fn stop_others(daemon: &Daemon) -> Vec<Relay> {
    let mut others: Vec<Relay> = (0..3).map(|_| Relay::start(&daemon.socket())).collect();
    for id in 0..60 {
        others[0].ask(id, "meter.read", &json!({"meter": "m", "integration_s": 0.005}));
    }
    others[1].ask(1, "meter.observe", &json!({"meter": "m", "interval_s": 0, "integration_s": 0.005}));
    others[2].send(b"{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"meter.r");
    others.iter().for_each(|other| other.signal(Signal::SIGSTOP));
    others
}
