//! Who asks a meter for readings, beside others who do: what each gets.

use std::collections::BTreeSet;
use std::path::Path;

use serde_json::json;

use crate::machine::now_s;
use crate::settled::{Client, Daemon};

/// Clients that ask for the same.
const ALIKE: [usize; 3] = [1, 8, 64];

/// How long each count of clients asks, in s.
const ASKING_S: f64 = 10.0;

/// Integration times of clients that ask for what nobody else does, in s, one request after the other.
const UNLIKE_S: [f64; 5] = [0.02, 0.03, 0.04, 0.05, 0.06];

/// Requests that one more client has in flight all the time, each with its own integration time.
const FLOOD: u64 = 64;

const METERS: &str = "[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"self-emitting\"\nautomatic_s = 0.1\n\
                      integration_s = [0.001, 5]\n";

/// Asks for one reading after the other until the time is over; gives how many came, and of how many exposures.
fn ask(client: &mut Client, integration_s: f64, until_s: f64) -> (usize, usize) {
    let (mut count, mut sequences) = (0, BTreeSet::new());
    while now_s() < until_s {
        let reading = client.call("meter.read", &json!({"meter": "m", "integration_s": integration_s}));
        sequences.insert(reading["sequence"].as_u64());
        count += 1;
    }
    (count, sequences.len())
}

/// Keeps many requests in flight until the time is over; gives how many exposures it got.
fn flood(client: &mut Client, until_s: f64) -> usize {
    let request = |id: u64| json!({"meter": "m", "integration_s": 0.0205 + (id % FLOOD) as f64 * 0.0001});
    (1..=FLOOD).for_each(|id| client.ask(id, "meter.read", &request(id)));
    let mut sequences = BTreeSet::new();
    while now_s() < until_s {
        let answer = client.line();
        assert!(answer.get("result").is_some(), "{answer}");
        sequences.insert(answer["result"]["sequence"].as_u64());
        let id = answer["id"].as_u64().unwrap();
        client.ask(id, "meter.read", &request(id));
    }
    sequences.len()
}

/// 1 where all get the same, 1/n where one of n gets everything.
fn jain(shares: &[usize]) -> f64 {
    let sum: f64 = shares.iter().map(|share| *share as f64).sum();
    let squares: f64 = shares.iter().map(|share| (*share as f64).powi(2)).sum();
    sum * sum / (shares.len() as f64 * squares)
}

fn alike(daemon: &Daemon) {
    let mut one = None;
    for count in ALIKE {
        let until_s = now_s() + ASKING_S;
        let asking = (0..count).map(|_| {
            let mut client = daemon.client();
            std::thread::spawn(move || ask(&mut client, 0.1, until_s).0)
        });
        let asking: Vec<_> = asking.collect();
        let counts: Vec<usize> = asking.into_iter().map(|thread| thread.join().unwrap()).collect();
        let rate = |count: usize| count as f64 / ASKING_S;
        let mean = rate(counts.iter().sum()) / count as f64;
        let least = rate(*counts.iter().min().unwrap());
        let ratio = mean / *one.get_or_insert(mean);
        println!("{count:>3} clients, the same 0.1 s         {mean:>9.2} {least:>9.2} {ratio:>9.3}");
    }
}

fn unlike(daemon: &Daemon) {
    let until_s = now_s() + ASKING_S;
    let asking: Vec<_> = UNLIKE_S
        .into_iter()
        .map(|integration_s| {
            let mut client = daemon.client();
            std::thread::spawn(move || ask(&mut client, integration_s, until_s).1)
        })
        .collect();
    let flooding = flood(&mut daemon.client(), until_s);
    let mut shares: Vec<usize> = asking.into_iter().map(|thread| thread.join().unwrap()).collect();
    shares.push(flooding);
    println!("unlike clients' exposures, the last one floods: {shares:?}");
    println!("Jain's index                      {:>9.3}", jain(&shares));
}

pub(crate) fn run(folder: &Path) {
    let daemon = Daemon::start(folder, "shares", "path = \"{log}.sqlite\"\nsurvives = \"crash\"", METERS);
    daemon.client().first_reading("m");
    println!("readings of each client           {:>9} {:>9} {:>9}", "1/s", "least", "mean/one");
    alike(&daemon);
    unlike(&daemon);
}
