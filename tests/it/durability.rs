//! An acknowledged reading is there after the daemon was killed, or the power was cut.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::mpsc;
use std::thread;
use std::time::Duration;

use nix::sys::signal::Signal;
use rand_pcg::rand_core::{Rng, SeedableRng};
use serde_json::{Value, json};
use settled::config::Survives;
use settled::log::Log;
use settled_protocol::log::Selection;

use crate::support::client::Client;
use crate::support::daemon::Daemon;

const CONFIG: &str = "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\n";

/// Clients that read at once, and requests that each of them has on its way.
const CLIENTS: usize = 3;
const ON_THE_WAY: usize = 4;

fn sequence(reading: &Value) -> u64 {
    reading["sequence"].as_u64().unwrap()
}

/// Reads as fast as it can until the daemon dies, and keeps what was acknowledged.
fn read_until_killed(socket: &Path, first: &mpsc::Sender<()>) -> Vec<Value> {
    let mut acknowledged: Vec<Value> = Vec::new();
    // Nobody is there any more where a request can't be sent, or no answer comes: that is the kill.
    let read = std::panic::AssertUnwindSafe(|| {
        let mut client = Client::connect(socket);
        for _ in 0..ON_THE_WAY {
            client.ask("meter.read", &json!({"meter": "m"}));
        }
        while let Some(mut line) = client.line() {
            assert!(line.get("error").is_none(), "{line}");
            acknowledged.push(line["result"].take());
            let _waited_for = first.send(()).is_ok();
            client.ask("meter.read", &json!({"meter": "m"}));
        }
    });
    let _killed = std::panic::catch_unwind(read).is_err();
    acknowledged
}

/// Kills the daemon at a random moment under load, and gives what was acknowledged.
fn killed_under_load(daemon: &mut Daemon, random: &mut rand_pcg::Pcg64) -> Vec<Value> {
    let (first, began) = mpsc::channel();
    let readers: Vec<_> = (0..CLIENTS)
        .map(|_| {
            let (socket, first) = (daemon.socket(), first.clone());
            thread::spawn(move || read_until_killed(&socket, &first))
        })
        .collect();
    drop(first);
    // Some are killed before the first reading.
    if !random.next_u32().is_multiple_of(5) {
        began.recv_timeout(Duration::from_secs(20)).unwrap();
    }
    thread::park_timeout(Duration::from_micros(u64::from(random.next_u32() % 60_000)));
    daemon.kill();
    readers.into_iter().flat_map(|reader| reader.join().unwrap()).collect()
}

#[test]
fn two_hundred_kills_lose_no_acknowledged_reading_and_reuse_no_number() {
    // A kill in the middle of a read is no failure of the test, and need not be printed two hundred times.
    let usual = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |panic| {
        if thread::current().name().is_some() {
            usual(panic);
        }
    }));
    let mut random = rand_pcg::Pcg64::seed_from_u64(7);
    let mut daemon = Daemon::configured(CONFIG);
    let mut acknowledged: BTreeMap<u64, Value> = BTreeMap::new();
    let mut highest = 0;
    for round in 0..200_usize {
        let survives = ["power-cut", "crash"][round % 2];
        let config = CONFIG.replace("[[meter]]", &format!("survives = \"{survives}\"\n[[meter]]"));
        std::fs::write(daemon.path("settled.toml"), config).unwrap();
        daemon.launch();
        let before = highest;
        for reading in killed_under_load(&mut daemon, &mut random) {
            let number = sequence(&reading);
            assert!(number > before, "round {round}: {number} was given out before");
            assert!(!reading["flags"].as_array().unwrap().contains(&json!("unlogged")), "{reading}");
            highest = highest.max(number);
            // Clients share exposures, and are told whether they do; else it is the same reading.
            let other = acknowledged.insert(number, reading.clone());
            assert!(
                other.is_none_or(|other| other["t_s"] == reading["t_s"]),
                "round {round}: {number} twice"
            );
        }
    }
    daemon.launch();
    let mut client = daemon.client();
    let logged: BTreeMap<u64, Value> =
        client.logged().into_iter().map(|reading| (sequence(&reading), reading)).collect();
    assert!(acknowledged.len() > 1000, "only {} readings", acknowledged.len());
    for (number, reading) in &acknowledged {
        assert_eq!(logged.get(number), Some(reading), "reading {number} is lost or changed");
    }
    let next = sequence(&client.call("meter.read", &json!({"meter": "m"})));
    assert!(next > highest.max(*logged.keys().next_back().unwrap()));
    let checked = client.call("log.check", &json!({}));
    assert_eq!(
        (&checked["sound"], checked["readings"].as_u64()),
        (&json!(true), Some(logged.len() as u64 + 1))
    );
    let starts = client.call("log.events", &json!({}))["events"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|event| event["kind"] == "daemon_started")
        .count();
    // One that is killed before its first commit has written none.
    assert!((100..=201).contains(&starts), "{starts}");
}

/// A daemon's log as it is at this moment, whatever the daemon is doing.
fn snapshot(daemon: &Daemon, to: &Path) -> PathBuf {
    daemon.signal(Signal::SIGSTOP);
    let copy = to.join("log.sqlite");
    for end in ["", "-wal"] {
        std::fs::copy(daemon.path(&format!("log.sqlite{end}")), to.join(format!("log.sqlite{end}"))).unwrap();
    }
    daemon.signal(Signal::SIGCONT);
    copy
}

/// The sequences of all readings in a log, opened as a daemon opens it, and what the next one gets.
fn opened(path: &Path) -> (Vec<u64>, u64) {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build().unwrap();
    let (log, written) = Log::open(path.to_owned(), Survives::PowerCut).unwrap();
    let found = runtime.block_on(async {
        let (mut sequences, mut after, mut last) = (Vec::new(), None, None);
        loop {
            let page = log.readings(Selection { after, ..Selection::default() }).await.unwrap();
            sequences.extend(page.readings.iter().map(|reading| reading.sequence));
            last = page.readings.last().cloned().or(last);
            after = page.next;
            if after.is_none() {
                break;
            }
        }
        let next = log.append(last.unwrap()).await.await.unwrap();
        assert!(next.durable);
        (sequences, next.sequence)
    });
    drop(log);
    written.wait();
    found
}

#[test]
fn whatever_a_power_cut_leaves_behind_the_last_sync_every_acknowledged_reading_is_there() {
    let daemon = Daemon::start(CONFIG);
    let mut client = daemon.client();
    let mut random = rand_pcg::Pcg64::seed_from_u64(11);
    let mut acknowledged = Vec::new();
    let mut cuts = 0;
    for _ in 0..10 {
        for _ in 0..7 {
            acknowledged.push(sequence(&client.call("meter.read", &json!({"meter": "m"}))));
        }
        // Nothing is on its way: all that is there has been synced.
        let synced = std::fs::metadata(daemon.path("log.sqlite-wal")).unwrap().len();
        let asked: Vec<u64> = (0..30).map(|_| client.ask("meter.read", &json!({"meter": "m"}))).collect();
        thread::park_timeout(Duration::from_micros(u64::from(random.next_u32() % 20_000)));
        let folder = tempfile::tempdir().unwrap();
        let copy = snapshot(&daemon, folder.path());
        let wal = std::fs::read(folder.path().join("log.sqlite-wal")).unwrap();
        let main = std::fs::read(&copy).unwrap();
        for _ in 0..25 {
            let left = u64::try_from(wal.len()).unwrap() - synced;
            let cut =
                usize::try_from(synced + if left == 0 { 0 } else { random.next_u64() % (left + 1) }).unwrap();
            let mut torn = wal[..cut].to_vec();
            // Sectors that were on their way may be there or not, in any order, and what is behind them is anything.
            for sector in wal[cut..].chunks(512) {
                match random.next_u32() % 3 {
                    0 => torn.extend(sector),
                    1 => torn.extend(vec![0; sector.len()]),
                    _ => torn.extend(vec![0xa5; sector.len()]),
                }
            }
            torn.truncate(torn.len() - random.next_u32() as usize % (torn.len() - cut + 1));
            let place = tempfile::tempdir().unwrap();
            std::fs::write(place.path().join("log.sqlite"), &main).unwrap();
            std::fs::write(place.path().join("log.sqlite-wal"), &torn).unwrap();
            let (found, next) = opened(&place.path().join("log.sqlite"));
            for number in &acknowledged {
                assert!(
                    found.contains(number),
                    "{number} is lost: cut at {cut} of {}, synced {synced}",
                    wal.len()
                );
            }
            assert!(found.windows(2).all(|pair| pair[0] < pair[1]));
            assert!(next > *found.last().unwrap() && next > 1_000_000, "{next}");
            cuts += 1;
        }
        // Those that were on their way, too.
        acknowledged.extend(asked.into_iter().map(|id| sequence(&client.answer(id)["result"])));
    }
    assert_eq!(cuts, 250);
}

#[test]
fn an_orderly_stop_says_so_and_leaves_one_file() {
    let mut daemon = Daemon::start(CONFIG);
    daemon.client().call("meter.read", &json!({"meter": "m"}));
    daemon.signal(Signal::SIGTERM);
    assert_eq!(daemon.ended().code(), Some(0));
    assert!(!daemon.socket().exists());
    assert!(!daemon.path("log.sqlite-wal").exists());
    daemon.launch();
    let events = daemon.client().call("log.events", &json!({}));
    let kinds: Vec<&str> =
        events["events"].as_array().unwrap().iter().map(|event| event["kind"].as_str().unwrap()).collect();
    assert!(kinds.contains(&"daemon_stopped"), "{kinds:?}");
}

#[test]
fn a_log_that_was_damaged_is_set_aside_and_what_is_left_of_it_goes_on() {
    let mut daemon = Daemon::start(CONFIG);
    let mut client = daemon.client();
    let before: Vec<u64> =
        (0..20).map(|_| sequence(&client.call("meter.read", &json!({"meter": "m"})))).collect();
    let id = client.call("daemon.status", &json!({}))["log"]["id"].clone();
    daemon.signal(Signal::SIGTERM);
    daemon.ended();
    let mut bytes = std::fs::read(daemon.path("log.sqlite")).unwrap();
    bytes[..100].fill(0x5a);
    std::fs::write(daemon.path("log.sqlite"), &bytes).unwrap();
    daemon.launch();
    let mut client = daemon.client();
    let logged: Vec<u64> = client.logged().iter().map(sequence).collect();
    assert_eq!(logged, before);
    assert_eq!(client.call("daemon.status", &json!({}))["log"]["id"], id);
    let events = client.call("log.events", &json!({}));
    let told = events["events"].as_array().unwrap().iter().find(|event| event["kind"] == "log_recovered");
    let detail = told.unwrap()["detail"].as_str().unwrap();
    assert!(detail.contains("20 readings (sequences 1 to 20)"), "{detail}");
    assert!(detail.contains("no reading is known to be missing"), "{detail}");
    let aside = detail.split("is kept as ").nth(1).unwrap().split(": ").next().unwrap();
    assert!(std::fs::read(aside).unwrap() == bytes, "{aside} is what there was");
    assert!(sequence(&client.call("meter.read", &json!({"meter": "m"}))) > 20);
}
