//! One reader that has stopped reading, beside eight that haven't: what it costs them, and what it is told when it wakes.

use std::io::{BufRead, BufReader};
use std::os::unix::net::UnixStream;
use std::path::Path;

use serde_json::{Value, json};

use crate::machine::{now_s, quantile, resident_mib};
use crate::settled::{Client, Daemon, instant};
use crate::subscribers::Subscribers;

const HEALTHY: usize = 8;

/// Times that a reader stalls and wakes; each time some readings are timed before it stalls, and as many while it does.
const ROUNDS: usize = 20;
const TIMED: usize = 200;

/// Readings until nothing more fits what the system keeps for a reader, and until what the daemon keeps for it is full.
const FILLING: usize = 1500;

/// Readings with spectra while one reader stalls: far more than the daemon keeps.
const SPECTRA: usize = 3000;

/// A meter that is read, and those who follow it.
struct Bench {
    daemon: Daemon,
    asker: Client,
    healthy: Subscribers,
}

impl Bench {
    fn start(folder: &Path, name: &str, meter: &str, params: &Value) -> Self {
        let daemon = Daemon::start(folder, name, "path = \"off\"", &instant("m", meter));
        let mut asker = daemon.client();
        asker.first_reading("m");
        let healthy = Subscribers::new((0..HEALTHY).map(|_| daemon.subscriber("m", params)).collect());
        Self { daemon, asker, healthy }
    }

    /// Readings one after the other, and how long each took from the end of its exposure to the last healthy reader, in µs.
    fn read(&mut self, count: usize) -> Vec<f64> {
        let read = |_| {
            self.asker.ask(1, "meter.read", &json!({"meter": "m"}));
            self.healthy.wait();
            let end_s = now_s();
            let answer = self.asker.line();
            (end_s - answer["result"]["t_s"].as_f64().unwrap()) * 1e6
        };
        (0..count).map(read).collect()
    }
}

/// What a reader that wakes finds, up to a sequence: how many readings, and how many it is told that it missed. Together they
/// are all there were.
fn wake(stalled: UnixStream, first: u64, last: u64) -> (u64, u64) {
    let mut lines = BufReader::new(stalled).lines();
    let (mut next, mut read, mut missed) = (first, 0, 0);
    while next <= last {
        let line: Value = serde_json::from_str(&lines.next().unwrap().unwrap()).unwrap();
        let params = &line["params"];
        let (from, to) = match params.get("reading") {
            Some(reading) => (&reading["sequence"], &reading["sequence"]),
            None => (&params["from"], &params["to"]),
        };
        assert_eq!(from.as_u64().unwrap(), next, "a gap, or the same again: {line}");
        let count = to.as_u64().unwrap() + 1 - next;
        next += count;
        if line["method"] == "missed" {
            assert_eq!(params["count"], count, "{line}");
            missed += count;
        } else {
            read += 1;
        }
    }
    (read, missed)
}

pub(crate) fn run(folder: &Path) {
    let mut bench = Bench::start(folder, "stalled", "", &json!({}));
    let (mut without, mut with, mut growth) = (Vec::new(), Vec::new(), f64::NEG_INFINITY);
    let (mut read, mut missed) = (0, 0);
    for _ in 0..ROUNDS {
        // As many as when one stalls, so that both find everything as warm.
        bench.read(FILLING);
        without.extend(bench.read(TIMED));
        let first = bench.asker.first_reading("m")["sequence"].as_u64().unwrap() + 1;
        bench.healthy.wait();
        let stalled = bench.daemon.subscriber("m", &json!({}));
        bench.read(FILLING);
        let before_mib = resident_mib(bench.daemon.pid());
        with.extend(bench.read(TIMED));
        growth = growth.max(resident_mib(bench.daemon.pid()) - before_mib);
        let (some_read, some_missed) = wake(stalled, first, first + (FILLING + TIMED) as u64 - 1);
        (read, missed) = (read + some_read, missed + some_missed);
    }
    println!("{HEALTHY} readers, to the last of them   {:>9} {:>9}", "p50 µs", "p99 µs");
    let p50 = [&mut without, &mut with].map(|times| quantile(times, 0.5));
    let p99 = [&mut without, &mut with].map(|times| quantile(times, 0.99));
    println!("without a stalled one            {:>9.1} {:>9.1}", p50[0], p99[0]);
    println!("beside a stalled one             {:>9.1} {:>9.1}", p50[1], p99[1]);
    println!("with / without                   {:>9.2} {:>9.2}", p50[1] / p50[0], p99[1] / p99[0]);
    println!("the stalled one, once awake: {read} read and {missed} told missed, of {}", read + missed);
    println!("memory while one stalls grows by {growth:>9.2} MiB at most, once it is full");
    spectra(folder);
}

/// The same with spectra, for memory alone.
fn spectra(folder: &Path) {
    let spectra = json!({"spectra": true});
    let mut bench = Bench::start(folder, "spectra", "meter = \"spectrometer\"", &spectra);
    let first = bench.asker.first_reading("m")["sequence"].as_u64().unwrap() + 1;
    bench.healthy.wait();
    bench.read(100);
    let before_mib = resident_mib(bench.daemon.pid());
    let stalled = bench.daemon.subscriber("m", &spectra);
    bench.read(SPECTRA / 2);
    let half_mib = resident_mib(bench.daemon.pid());
    bench.read(SPECTRA / 2);
    let (filled, later) = (half_mib - before_mib, resident_mib(bench.daemon.pid()) - half_mib);
    let (read, missed) = wake(stalled, first + 100, first + 100 + SPECTRA as u64 - 1);
    println!(
        "with spectra: {read} read and {missed} told missed; memory grows by {filled:.2} MiB, then by {later:.2} MiB"
    );
}
