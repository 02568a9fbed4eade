//! Acknowledged readings a second through the daemon's log, beside a bare loop that makes the same inserts, commits one reading of each meter at
//! a time, and makes them as durable. A meter goes on measuring while its last reading is on its way, so the log is asked with two readings of
//! each on their way and also, where nothing overlaps, with one.

use std::collections::VecDeque;
use std::path::Path;
use std::time::Instant;

use rusqlite::{Connection, params};
use settled::config::Survives;
use settled::log::{Log, Numbered};
use settled_protocol::quantity::{Light, Photometric, Xyz};
use settled_protocol::reading::{Flag, Reading};
use settled_protocol::time::Timestamp;
use tokio::sync::oneshot::Receiver;

use crate::median;

/// Rounds of each, taken in turns so that the machine's moods fall on all alike.
const ROUNDS: usize = 7;

/// Readings of a round: fewer where each waits for the disk.
const CRASH: usize = 60_000;
const POWER_CUT: usize = 6_000;

/// Meters, and how many readings of each may be on their way at once.
const METERS: [(usize, usize); 4] = [(16, 1), (64, 1), (16, 2), (64, 2)];

fn reading(meter: usize, index: usize) -> Reading {
    let t_s = index as f64 * 0.05;
    let xyz = Xyz::new(95.0 + t_s, 100.0 + t_s, 108.0 + t_s).unwrap();
    Reading {
        sequence: 0,
        meter: format!("meter-{meter}"),
        at: Timestamp::from_unix_ns(1_764_000_000_000_000_000 + index as u64 * 50_000_000),
        t_s,
        began_s: t_s - 0.04,
        boot: "bench".to_owned(),
        integration_s: Some(0.04),
        light: Light::colour(Photometric::Luminance, xyz),
        spectrum: None,
        observer: None,
        bandwidth_nm: None,
        correction: None,
        temperature_c: Some(31.5),
        runs: Vec::new(),
        flags: vec![Flag::Simulated, Flag::Shared],
    }
}

/// Through the log: each meter waits until fewer than `ahead` of its readings are on their way before it takes the next.
fn through_the_log(path: &Path, survives: Survives, (meters, ahead): (usize, usize), count: usize) -> f64 {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let entered = runtime.enter();
    let (log, written) = Log::open(path.to_owned(), survives).unwrap();
    drop(entered);
    let took_s = runtime.block_on(async {
        let start = Instant::now();
        let mut tasks = tokio::task::JoinSet::new();
        for meter in 0..meters {
            let log = log.clone();
            tasks.spawn(async move {
                let mut on_their_way = VecDeque::with_capacity(ahead);
                for index in 0..count / meters {
                    if on_their_way.len() == ahead {
                        durable(on_their_way.pop_front()).await;
                    }
                    on_their_way.push_back(log.append(reading(meter, index)).await);
                }
                while !on_their_way.is_empty() {
                    durable(on_their_way.pop_front()).await;
                }
            });
        }
        while let Some(ended) = tasks.join_next().await {
            ended.unwrap();
        }
        start.elapsed().as_secs_f64()
    });
    drop((log, runtime));
    written.wait();
    took_s
}

async fn durable(oldest: Option<Receiver<Numbered>>) {
    assert!(oldest.unwrap().await.unwrap().durable);
}

/// A loop, on tables that the daemon has made.
fn bare(path: &Path, survives: Survives, (meters, _): (usize, usize), count: usize) -> f64 {
    let (log, written) = Log::open(path.to_owned(), survives).unwrap();
    drop(log);
    written.wait();
    let mut connection = Connection::open(path).unwrap();
    let synchronous = if survives == Survives::PowerCut { "FULL" } else { "NORMAL" };
    connection
        .execute_batch(&format!(
            "PRAGMA synchronous = {synchronous}; PRAGMA foreign_keys = ON; PRAGMA cache_size = -512;
             INSERT INTO boots (name) VALUES ('bench');"
        ))
        .unwrap();
    for meter in 0..meters {
        connection.execute("INSERT INTO meters (name) VALUES (?1)", [format!("meter-{meter}")]).unwrap();
    }
    let start = Instant::now();
    for group in 0..count / meters {
        let transaction = connection.transaction().unwrap();
        for meter in 0..meters {
            let reading = reading(meter, group);
            let xyz = reading.light.xyz().unwrap();
            let flags: Vec<&str> = reading.flags.iter().map(|flag| flag.name()).collect();
            transaction
                .prepare_cached(
                    "INSERT INTO readings (sequence, meter, boot, at_ns, t_s, began_s, integration_s, illuminance, value, x, z, coloured,
                     temperature_c, flags, observer, bandwidth_nm, correction)
                     VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17)",
                )
                .unwrap()
                .execute(params![
                    (group * meters + meter + 1) as i64,
                    (meter + 1) as i64,
                    1,
                    reading.at.unix_ns() as i64,
                    reading.t_s,
                    reading.began_s,
                    reading.integration_s,
                    false,
                    reading.light.value(),
                    xyz.x(),
                    xyz.z(),
                    true,
                    reading.temperature_c,
                    flags.join(" "),
                    None::<&str>,
                    None::<f64>,
                    None::<&str>,
                ])
                .unwrap();
        }
        transaction.commit().unwrap();
    }
    start.elapsed().as_secs_f64()
}

pub(crate) fn run() {
    println!("readings a second that are acknowledged as durable, and beside a bare loop of SQLite's");
    for (name, survives, count) in
        [("crash", Survives::Crash, CRASH), ("power cut", Survives::PowerCut, POWER_CUT)]
    {
        for (meters, ahead) in METERS {
            let count = count / meters * meters;
            let (mut ours, mut theirs) = (Vec::new(), Vec::new());
            for _ in 0..ROUNDS {
                for (times, way) in [
                    (&mut ours, through_the_log as fn(&Path, Survives, (usize, usize), usize) -> f64),
                    (&mut theirs, bare),
                ] {
                    let folder = tempfile::tempdir_in(crate::binned::folder()).unwrap();
                    times.push(way(&folder.path().join("log.sqlite"), survives, (meters, ahead), count));
                }
            }
            let ratios = ours.iter().zip(&theirs).map(|(ours, theirs)| theirs / ours).collect();
            let rate = |times: Vec<f64>| count as f64 / median(times);
            println!(
                "survives a {name:9} {meters:3} meters, {ahead} on their way: {:8.0}/s, bare {:8.0}/s: {:.2} times as many",
                rate(ours),
                rate(theirs),
                median(ratios)
            );
        }
    }
}
