//! How fast the overlapping Allan deviation of a million points is, beside AllanTools on the same points. Not a test: nothing is
//! asserted of the figures.
//!
//! `cargo bench -p settled-tests --bench allan` makes the points (always the same), takes ours and AllanTools in turns, and prints the
//! fastest of each and their ratio. AllanTools, NumPy and SciPy are those that `tests/run` installs.

#![expect(
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::disallowed_methods,
    reason = "a benchmark times things and prints"
)]

use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Instant;

use settled::drift::allan::{Allan, Averaged};

/// The daemon's own.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

/// Points.
const POINTS: usize = 1_000_000;

/// Rounds of each, by turns; the fastest counts, which is the one that was disturbed least.
const ROUNDS: usize = 30;

/// The same points, read as they lie in the file; then a round for each line that comes.
const ALLANTOOLS: &str = r"
import sys, time
import numpy as np, allantools
y = np.fromfile(sys.argv[1], dtype='<f8')
for line in sys.stdin:
    start = time.perf_counter()
    tau, deviation, _, count = allantools.oadev(y, rate=1.0, data_type='freq', taus='octave')
    print(time.perf_counter() - start, ' '.join(f'{d:.17e}' for d in deviation), flush=True)
";

fn python() -> PathBuf {
    let bench = std::env::current_exe().unwrap();
    let found =
        bench.ancestors().map(|folder| folder.join("simulator/bin/python")).find(|python| python.exists());
    found.expect("no folder above this has simulator/bin/python: run tests/run, which installs it")
}

fn ours(points: &[f64]) -> (f64, Vec<Averaged>) {
    let start = Instant::now();
    let mut allan = Allan::default();
    allan.extend(points);
    let found = allan.finish();
    (start.elapsed().as_secs_f64(), found)
}

/// The same as the log does it: one after the other.
fn one_by_one(points: &[f64]) -> f64 {
    let start = Instant::now();
    let mut allan = Allan::default();
    points.iter().for_each(|point| allan.push(*point));
    assert!(!allan.finish().is_empty());
    start.elapsed().as_secs_f64()
}

/// White noise and a slow drift, by the generator of NIST SP 1065.
fn points() -> Vec<f64> {
    let next = |n: &u64| Some(n * 16_807 % 2_147_483_647);
    let numbers = std::iter::successors(Some(1_234_567_890_u64), next).take(POINTS);
    numbers.enumerate().map(|(at, n)| n as f64 / 2_147_483_647.0 + 1e-7 * at as f64).collect()
}

fn main() {
    let points = points();
    let folder = tempfile::tempdir().unwrap();
    let file: &Path = &folder.path().join("points");
    std::fs::write(file, points.iter().flat_map(|y| y.to_le_bytes()).collect::<Vec<u8>>()).unwrap();
    let mut child = Command::new(python())
        .args(["-c", ALLANTOOLS])
        .arg(file)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let (mut ask, mut answers) = (child.stdin.take().unwrap(), BufReader::new(child.stdout.take().unwrap()));
    let (mut fastest, mut alone, mut theirs, mut worst) = (f64::MAX, f64::MAX, f64::MAX, 0.0_f64);
    let mut ratios = Vec::new();
    for _ in 0..ROUNDS {
        let (took, found) = ours(&points);
        alone = alone.min(one_by_one(&points));
        writeln!(ask).unwrap();
        let mut line = String::new();
        answers.read_line(&mut line).unwrap();
        let numbers: Vec<f64> = line.split_ascii_whitespace().map(|number| number.parse().unwrap()).collect();
        let (their, deviations) = numbers.split_first().unwrap();
        assert_eq!(deviations.len(), found.len());
        for (deviation, one) in deviations.iter().zip(&found) {
            worst = worst.max((one.deviation / deviation - 1.0).abs());
        }
        (fastest, theirs) = (fastest.min(took), theirs.min(*their));
        ratios.push(their / took);
    }
    drop(ask);
    child.wait().unwrap();
    ratios.sort_by(f64::total_cmp);
    println!("overlapping Allan deviation of {POINTS} points at octaves, fastest of {ROUNDS}");
    println!(
        "ours {:.1} ms, AllanTools {:.1} ms: {:.1} times as fast",
        1e3 * fastest,
        1e3 * theirs,
        theirs / fastest
    );
    println!(
        "one after the other, as the log does it: {:.1} ms, {:.1} times as fast",
        1e3 * alone,
        theirs / alone
    );
    println!("by turns: median {:.1} times, worst difference of a deviation {worst:.1e}", ratios[ROUNDS / 2]);
}
