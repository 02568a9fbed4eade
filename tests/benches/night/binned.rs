//! Ten million readings of one meter, drawn: log.bins page by page, beside SQLite's shell that is told to sum up the same.

use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Instant;

use rusqlite::Connection;
use serde_json::{Value, json};
use settled::config::Survives;
use settled::log::Log;

use crate::median;

const READINGS: i64 = 10_000_000;

const ROUNDS: usize = 3;

/// Where the build is: a file of this size is made once.
pub(crate) fn folder() -> PathBuf {
    let programs = std::env::current_exe().unwrap().parent().and_then(Path::parent).unwrap().to_owned();
    let folder = programs.join("night");
    std::fs::create_dir_all(&folder).unwrap();
    folder
}

/// A log with the readings, one a second.
fn log() -> PathBuf {
    let (path, making) = (folder().join("ten-million.sqlite"), folder().join("making.sqlite"));
    let version = |path: &Path| -> i64 {
        Connection::open(path).unwrap().query_row("PRAGMA user_version", [], |row| row.get(0)).unwrap()
    };
    for end in ["", "-wal", "-shm", ".lock"] {
        // What is left of a run that was broken off.
        let _there_was_one = std::fs::remove_file(format!("{}{end}", making.display())).is_ok();
    }
    let (log, written) = Log::open(making.clone(), Survives::Crash).unwrap();
    drop(log);
    written.wait();
    if path.exists() && version(&path) == version(&making) {
        return path;
    }
    let connection = Connection::open(&making).unwrap();
    connection
        .execute_batch(&format!(
            "PRAGMA synchronous = OFF; PRAGMA cache_size = -200000;
             INSERT INTO meters (name) VALUES ('bench'); INSERT INTO boots (name) VALUES ('bench'); BEGIN;
             WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < {READINGS})
             INSERT INTO readings (meter, boot, at_ns, t_s, began_s, integration_s, illuminance, value, x, z, coloured, temperature_c, flags)
             SELECT 1, 1, 1764000000000000000 + i * 1000000000 + i * 7919 % 1000000, i + 0.25, i, 0.25, 0, 100 + i * 7919 % 1000 * 0.01,
                95 + i * 7919 % 1000 * 0.01, 108 + i * 7919 % 1000 * 0.01, 1, 25 + i * 7919 % 1000 * 0.001, 'simulated' FROM n;
             COMMIT; PRAGMA wal_checkpoint(TRUNCATE);"
        ))
        .unwrap();
    drop(connection);
    std::fs::rename(making, &path).unwrap();
    path
}

/// A daemon, killed at the end.
struct Daemon(Child, PathBuf);

impl Drop for Daemon {
    fn drop(&mut self) {
        self.0.kill().unwrap();
        self.0.wait().unwrap();
    }
}

impl Daemon {
    fn start(log: &Path) -> Self {
        let program = folder().parent().unwrap().join("settled");
        assert!(program.exists(), "{} is missing: cargo build --release --bins", program.display());
        let (config, socket) = (folder().join("night.toml"), folder().join("socket"));
        std::fs::write(&config, format!("[log]\npath = {:?}\n", log.display().to_string())).unwrap();
        let mut command = Command::new(program);
        command.arg("--config").arg(&config).arg("--socket").arg(&socket).stderr(Stdio::null());
        Self(command.spawn().unwrap(), socket)
    }

    fn connect(&self) -> BufReader<UnixStream> {
        let start = Instant::now();
        loop {
            if let Ok(stream) = UnixStream::connect(&self.1) {
                return BufReader::new(stream);
            }
            assert!(start.elapsed().as_secs() < 30, "the daemon doesn't answer");
            std::thread::yield_now();
        }
    }

    /// Waits until it answers.
    fn wait(&self) {
        let (mut stream, mut line) = (self.connect(), String::new());
        writeln!(stream.get_mut(), r#"{{"jsonrpc":"2.0","id":1,"method":"daemon.status"}}"#).unwrap();
        stream.read_line(&mut line).unwrap();
    }

    /// All pages: readings that they tell of, the time to the first byte and to the last, in s.
    fn bins(&self, every_s: u64) -> (u64, f64, f64) {
        let mut stream = self.connect();
        let (start, mut first_s, mut count, mut line) = (Instant::now(), None, 0, String::new());
        let mut params = json!({"meter": "bench", "every_s": every_s});
        loop {
            let request = json!({"jsonrpc": "2.0", "id": 1, "method": "log.bins", "params": params});
            writeln!(stream.get_mut(), "{request}").unwrap();
            stream.fill_buf().unwrap();
            first_s.get_or_insert_with(|| start.elapsed().as_secs_f64());
            line.clear();
            stream.read_line(&mut line).unwrap();
            let mut page: Value = serde_json::from_str(&line).unwrap();
            for bin in page["result"]["bins"].as_array().unwrap() {
                count += bin["count"].as_u64().unwrap();
            }
            match page["result"]["next"].take() {
                Value::Null => return (count, first_s.unwrap(), start.elapsed().as_secs_f64()),
                next => params["after"] = next,
            }
        }
    }
}

/// The same, typed into the shell, which sums up as well as it can. In s.
fn shell(log: &Path, columns: &str, every_s: u64) -> f64 {
    let typed = format!(
        "SELECT at_ns / {every_s}000000000 AS bin, {columns} FROM readings
         WHERE meter = (SELECT id FROM meters WHERE name = 'bench') AND flags NOT LIKE '%dark%'
         GROUP BY illuminance, observer, correction, bin ORDER BY bin;"
    );
    let start = Instant::now();
    // As patient as the daemon's queries are, so that what else runs on the machine takes as much from both.
    let status = Command::new("nice")
        .args(["-n", "10", "sqlite3", "-readonly"])
        .arg(log)
        .arg(typed)
        .stdout(Stdio::null())
        .status();
    assert!(status.unwrap().success());
    start.elapsed().as_secs_f64()
}

/// All that a bin tells, and what a plot needs at least.
const ALL: &str = "count(*), min(sequence), max(sequence), avg(value), min(value), max(value), sum(value * value), avg(x), avg(z),
    avg(temperature_c), group_concat(DISTINCT flags)";
const LEAST: &str = "count(*), avg(value), min(value), max(value)";

pub(crate) fn run() {
    let log = log();
    println!("bins over {READINGS} readings of one meter");
    for every_s in [60, 3600] {
        let mut times: [Vec<f64>; 4] = Default::default();
        for _ in 0..ROUNDS {
            let daemon = Daemon::start(&log);
            daemon.wait();
            let (count, first_s, all_s) = daemon.bins(every_s);
            assert_eq!(count, READINGS as u64);
            let found = [first_s, all_s, shell(&log, ALL, every_s), shell(&log, LEAST, every_s)];
            times.iter_mut().zip(found).for_each(|(times, found)| times.push(found));
        }
        let [first_s, all_s, shell_s, least_s] = times.map(median);
        println!(
            "of {every_s:4} s: first byte {:.1} ms, all pages {all_s:.1} s; the shell {shell_s:.1} s ({:.2}), without colour, temperature, \
             deviation and flags {least_s:.1} s ({:.2})",
            first_s * 1e3,
            all_s / shell_s,
            all_s / least_s
        );
    }
}
