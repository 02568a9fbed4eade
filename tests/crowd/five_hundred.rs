//! Five hundred clients at once, most of them a nuisance: nobody's measurement is spoilt, and nothing of them stays behind.
//!
//! What they do is drawn from a seed, which is printed. `CROWD_SEED` chooses another one, `CROWD_S` how long each of the
//! crowds stays, in s.

use std::os::unix::fs::PermissionsExt;
use std::path::PathBuf;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use nix::sys::signal::Signal;
use serde_json::{Value, json};
use tokio::task::JoinSet;
use tokio::time::{Instant, sleep_until};

use crate::book::boot_s;
use crate::ledger::Ledger;
use crate::noise::Dice;
use crate::support::client::Client;
use crate::support::daemon::{Daemon, wait_until};
use crate::support::others::User;
use crate::support::relay::Relay;
use crate::support::vitals::Vitals;

mod member;
mod misdeed;
mod wire;
mod witness;

/// What is measured with: a meter that takes its time, one that is quick, and one that some have for themselves.
const CONFIG: &str = "[socket]\nguests = \"everyone\"\n[limits]\nconnections_of_user = 900\n[log]\npath = \"log.sqlite\"\nsurvives = \"crash\"\n\
    [[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\nintegration_s = [0.05, 0.2]\nautomatic_s = 0.05\n\
    cold = [0, 0]\ncold_white = [0, 0]\nsag = 0\n\
    [[meter]]\nid = \"quick\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\nintegration_s = [0.02, 0.2]\n\
    [[meter]]\nid = \"spare\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\nintegration_s = [0.02, 0.2]\n";

/// Those who do as they please, in the test's process; some more have processes of their own.
const MEMBERS: usize = 490;
const PROCESSES: usize = 6;
const GUESTS: usize = 2;

/// A user that no database knows.
const GUEST: User = User(4242, 4242);

/// Crowds, one after another.
const CROWDS: u64 = 3;

/// How long a crowd stays, in s, unless it is said otherwise.
const USUAL_STAY_S: f64 = 4.0;

/// How long the meter's pace is taken without a crowd, in s.
const ALONE_S: f64 = 2.5;

/// The least share of its pace that the meter keeps, not counting how long the daemon waits for a processor.
const LEAST_PACE: f64 = 0.95;

/// Memory that the daemon may keep after its first crowd, in KiB: pages that are partly in use, and some of each size that are kept at
/// hand. While a crowd is there it takes several times as much.
const KEPT_KIB: u64 = 16 * 1024;

/// Memory that it may have more after a later crowd than after the one before, in KiB.
const SLACK_KIB: u64 = 3 * 1024;

/// Where a client of the crowd stands.
#[derive(Clone)]
pub(crate) struct Place {
    socket: PathBuf,
    name: String,
    ledger: Arc<Mutex<Ledger>>,
    until: Instant,
}

fn from_environment<T: std::str::FromStr>(name: &str, usual: T) -> T {
    std::env::var(name).ok().and_then(|value| value.parse().ok()).unwrap_or(usual)
}

/// Lets clients come, do what they do for a while, and go. What they were given is held against the log.
fn gather(daemon: &Daemon, members: usize, stay_s: f64, seed: u64) -> Ledger {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let ledger = Arc::new(Mutex::new(Ledger::default()));
    runtime.block_on(async {
        let place = |name: String| Place {
            socket: daemon.socket(),
            name,
            ledger: Arc::clone(&ledger),
            until: Instant::now() + Duration::from_secs_f64(stay_s),
        };
        let mut clients = JoinSet::new();
        witness::spawn(&mut clients, &place);
        for index in 0..members {
            clients.spawn(member::run(place(format!("member {index}")), Dice::new(seed, 0, index, 0)));
        }
        if members > 0 {
            clients.spawn(processes(daemon.socket(), place(String::new()).until, Dice::new(seed, 1, 0, 0)));
        }
        while let Some(ended) = clients.join_next().await {
            ended.unwrap();
        }
    });
    drop(runtime);
    let ledger = Arc::into_inner(ledger).unwrap().into_inner().unwrap();
    ledger.check(&daemon.client().logged());
    ledger
}

/// Clients in processes of their own, stopped and killed in the midst of what they do.
async fn processes(socket: PathBuf, until: Instant, mut dice: Dice) {
    let mut relays: Vec<Relay> = (0..PROCESSES).map(|_| Relay::start(&socket)).collect();
    relays.extend((0..GUESTS).map(|_| Relay::start_as(GUEST, &socket)));
    for (number, relay) in relays.iter_mut().enumerate() {
        for id in 0..20 {
            relay.ask(id, "meter.observe", &member::subscription(&mut dice));
            relay.ask(100 + id, "meter.read", &member::reading(&mut dice));
            relay.ask(200 + id, "meter.settle", &json!({"meter": "m", "progress": true}));
        }
        let terms = json!({"meter": "spare", "ttl_s": 1, "wait_s": 0.1, "purpose": "to be forgotten"});
        relay.ask(300, "meter.lease", &terms);
        relay.send(b"{\"jsonrpc\":\"2.0\",\"id\":7,\"meth");
        if number % 2 == 0 {
            relay.signal(Signal::SIGSTOP);
        }
    }
    sleep_until(until).await;
    drop(relays);
}

/// How a meter got on for a while.
#[derive(Debug)]
struct Pace {
    #[expect(dead_code, reason = "to be printed")]
    exposures_per_s: f64,
    /// The share of the time that it exposed.
    exposing: f64,
    /// The share of the time that the daemon was ready to run and had no processor: no meter can be faster than that.
    kept_waiting: f64,
}

/// Lets a crowd come and go, and gives the meter's pace meanwhile.
fn pace_beside(daemon: &Daemon, members: usize, stay_s: f64, seed: u64) -> Pace {
    let (began_s, before) = (boot_s(), Vitals::of(daemon.pid()));
    let ledger = gather(daemon, members, stay_s, seed);
    let (span_s, now) = (boot_s() - began_s, Vitals::of(daemon.pid()));
    let (from_s, to_s) = (began_s + 0.3, began_s + stay_s - 0.1);
    let number = |reading: &Value, name: &str| reading[name].as_f64().unwrap();
    let log = daemon.client().logged();
    let within = log.iter().filter(|reading| {
        reading["meter"] == "m" && number(reading, "began_s") >= from_s && number(reading, "t_s") <= to_s
    });
    let integrated: Vec<f64> = within.map(|reading| number(reading, "integration_s")).collect();
    let pace = Pace {
        exposures_per_s: integrated.len() as f64 / (to_s - from_s),
        exposing: integrated.iter().sum::<f64>() / (to_s - from_s),
        kept_waiting: (now.kept_waiting_s - before.kept_waiting_s) / span_s,
    };
    let ran = (now.ran_s - before.ran_s) / span_s;
    eprintln!("{members} members: {pace:.3?}, the daemon ran for {ran:.3} of the time; {}", ledger.summary());
    pace
}

/// Waits until nobody but this client is there, nothing is asked for and nothing exposes.
fn wait_for_quiet(client: &mut Client) {
    wait_until("everybody has gone and nothing waits", || {
        let status = client.call("daemon.status", &json!({}));
        let waiting: Vec<_> =
            status["meters"].as_array().unwrap().iter().map(|meter| &meter["waiting"]).collect();
        status["clients"] == 1 && waiting.iter().all(|waiting| **waiting == 0)
    });
    let meters = client.call("meters.list", &json!({}));
    assert!(meters["meters"].as_array().unwrap().iter().all(|meter| meter["lease"].is_null()), "{meters}");
    wait_until("the meters stand still", || {
        let before = ["m", "quick", "spare"].map(|meter| client.exposures(meter));
        std::thread::park_timeout(Duration::from_millis(300));
        ["m", "quick", "spare"].map(|meter| client.exposures(meter)) == before
    });
}

#[test]
fn five_hundred_clients_spoil_nobodys_measurement_and_leave_nothing_behind() {
    let _alone = crate::alone();
    let (seed, stay_s) = (from_environment("CROWD_SEED", 1), from_environment("CROWD_S", USUAL_STAY_S));
    eprintln!("CROWD_SEED={seed} CROWD_S={stay_s}");
    let mut daemon = Daemon::configured(CONFIG);
    // The folder of a test is its own; guests are to come to the socket.
    std::fs::set_permissions(daemon.path(""), PermissionsExt::from_mode(0o755)).unwrap();
    daemon.launch();
    let mut client = daemon.client();
    client.wait_for_state("m", "ready");
    wait_for_quiet(&mut client);
    let before = Vitals::of(daemon.pid());
    let alone = pace_beside(&daemon, 0, ALONE_S, seed);
    eprintln!("before: {before}");
    let mut most_kib = before.memory_kib + KEPT_KIB;
    for crowd in 0..CROWDS {
        let beside = pace_beside(&daemon, MEMBERS, stay_s, seed + crowd);
        let kept = beside.exposing / alone.exposing;
        eprintln!("the meter kept {kept:.3} of its pace");
        assert!(kept >= LEAST_PACE - beside.kept_waiting, "{kept}: {beside:?}, alone {alone:?}");
        wait_for_quiet(&mut client);
        let mut after = Vitals::of(daemon.pid());
        eprintln!("at once: {after}");
        // A query may not have ended yet.
        wait_until(&format!("files and threads are those of before, and memory is {most_kib} KiB"), || {
            after = Vitals::of(daemon.pid());
            after.held() == before.held() && after.memory_kib <= most_kib
        });
        eprintln!("after: {after}");
        most_kib = after.memory_kib + SLACK_KIB;
    }
}
