//! How fast `settle assess` goes through recordings, and in how much memory. Not a test: nothing is asserted of the figures.
//!
//! `cargo bench -p settled-tests --bench assess` builds the program, makes its input (always the same), and prints readings a second
//! on one core, the engine's share of it, and the peak resident memory.

#![expect(
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::disallowed_methods,
    reason = "a benchmark times things and prints"
)]

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use rand_distr::{Distribution, Normal};
use rand_pcg::Pcg64;
use settled::settle::{Engine, Observation};
use settled_protocol::settling::Criteria;

/// Readings of a recording that is timed, and into how many series they are split.
const READINGS: usize = 1_000_000;
const SERIES: usize = 100;

/// Runs of each kind; the fastest counts, which is the one that was disturbed least.
const ROUNDS: usize = 5;

/// Seconds from one reading to the next.
const INTERVAL_S: f64 = 1.5;
const INTEGRATION_S: f64 = 1.234;

#[derive(Clone, Copy, PartialEq)]
enum Form {
    Json,
    Csv,
}

/// A display that warms up, and a meter with some noise: the same in every run.
struct Light {
    random: Pcg64,
    noise: Normal<f64>,
}

impl Light {
    fn new() -> Self {
        Self { random: Pcg64::new(7, 1), noise: Normal::new(0.0, 1.0).unwrap() }
    }

    fn at(&mut self, index: usize) -> Observation {
        let t_s = INTEGRATION_S + INTERVAL_S * index as f64;
        let y = 200.0 + 4.0 * (-t_s / 120.0).exp();
        let mut noisy = |value: f64, noise: f64| value + noise * self.noise.sample(&mut self.random);
        let uv = [noisy(0.1978, 1e-4), noisy(0.4683, 1e-4)];
        Observation { t_s, integration_s: Some(INTEGRATION_S), y: noisy(y, 0.15), uv: Some(uv) }
    }
}

fn write(out: &mut impl Write, form: Form, series: usize, it: &Observation) {
    let id = format!("tr{:012x}", 0x0123_4567_89ab_usize + 7919 * series);
    let [u, v] = it.uv.unwrap();
    let (t_s, y) = (it.t_s, it.y);
    match form {
        Form::Json => writeln!(
            out,
            "{{\"id\": \"{id}\", \"t_s\": {t_s:.3}, \"integration_s\": {INTEGRATION_S}, \"Y\": {y:.4}, \"u_prime\": {u:.7}, \"v_prime\": {v:.7}}}"
        ),
        Form::Csv => writeln!(out, "{id},{t_s:.3},{INTEGRATION_S},{y:.4},{u:.7},{v:.7}"),
    }
    .unwrap();
}

/// Writes a recording; series take turns, or come one after another.
fn record(out: &mut impl Write, form: Form, readings: usize, series: usize, take_turns: bool) {
    if form == Form::Csv {
        writeln!(out, "id,t_s,integration_s,Y,u_prime,v_prime").unwrap();
    }
    let mut light = Light::new();
    let each = readings / series;
    for index in 0..each * series {
        let (which, when) =
            if take_turns { (index % series, index / series) } else { (index / each, index % each) };
        write(out, form, which, &light.at(when));
    }
}

/// The program, built as it would be shipped.
fn program() -> PathBuf {
    let built =
        Command::new(env!("CARGO")).args(["build", "--release", "--quiet", "--workspace", "--bins"]).status();
    assert!(built.unwrap().success());
    std::env::current_exe().unwrap().parent().and_then(Path::parent).unwrap().join("settle")
}

/// `settle assess`, on one core.
fn on_one_core(program: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new("taskset");
    command.args(["-c", "0"]).arg(program).arg("assess").args(arguments).stdout(Stdio::null());
    command
}

/// Readings a second.
fn speed(program: &Path, file: &Path, arguments: &[&str]) -> f64 {
    let once = || {
        let start = Instant::now();
        let status = on_one_core(program, arguments).arg(file).status().unwrap();
        assert!(matches!(status.code(), Some(0 | 3)), "{status}");
        start.elapsed()
    };
    READINGS as f64 / (0..ROUNDS).map(|_| once()).min().unwrap().as_secs_f64()
}

/// What the engine alone takes for the readings of one recording.
fn engine() -> Duration {
    let mut light = Light::new();
    let each = READINGS / SERIES;
    let readings: Vec<Observation> = (0..READINGS).map(|index| light.at(index / SERIES)).collect();
    let once = || {
        let mut engines: Vec<Engine> =
            (0..SERIES).map(|_| Engine::new(Criteria::default(), None, 0.0)).collect();
        let start = Instant::now();
        let changes = (0..each * SERIES)
            .filter(|index| engines[index % SERIES].push(readings[*index]).is_some())
            .count();
        assert!(changes > 0);
        start.elapsed()
    };
    (0..ROUNDS).map(|_| once()).min().unwrap()
}

/// Peak resident memory, in MiB, once all readings have come and before the input ends.
fn memory(program: &Path, arguments: &[&str], readings: usize, series: usize) -> f64 {
    let mut command = Command::new(program);
    command.arg("assess").args(arguments).arg("-").stdin(Stdio::piped()).stdout(Stdio::null());
    let mut child = command.spawn().unwrap();
    let mut input = BufWriter::new(child.stdin.take().unwrap());
    record(&mut input, Form::Json, readings, series, true);
    input.flush().unwrap();
    let status = std::fs::read_to_string(format!("/proc/{}/status", child.id())).unwrap();
    drop(input);
    child.wait().unwrap();
    let peak = status.lines().find(|line| line.starts_with("VmHWM")).unwrap();
    peak.split_whitespace().nth(1).unwrap().parse::<f64>().unwrap() / 1024.0
}

fn main() {
    let program = program();
    let folder = tempfile::tempdir().unwrap();
    let engine = engine().as_secs_f64();
    println!(
        "{READINGS} readings of {SERIES} series on one core; the engine alone judges {:.2} million a second",
        1.0 / engine
    );
    println!("{:<34} {:>12} {:>12} {:>10}", "readings a second", "--json", "--events", "engine's");
    for (form, name) in [(Form::Json, "JSON"), (Form::Csv, "CSV")] {
        for (take_turns, how) in [(true, "series take turns"), (false, "one after another")] {
            let file = folder.path().join("recording");
            let mut out = BufWriter::new(File::create(&file).unwrap());
            record(&mut out, form, READINGS, SERIES, take_turns);
            out.flush().unwrap();
            let [decisions, events] =
                [&["--json"][..], &["--events"]].map(|arguments| speed(&program, &file, arguments));
            let share = 100.0 * engine / (READINGS as f64 / events);
            println!("{:<34} {decisions:>12.0} {events:>12.0} {share:>8.0} %", format!("{name}, {how}"));
        }
    }
    println!("{:<34} {:>12} {:>12}", "peak resident memory, MiB", "1 million", "4 million");
    for (arguments, series) in [(&["--json"][..], 1), (&["--events"], 1), (&[], 1), (&["--events"], SERIES)] {
        let [one, four] = [1, 4].map(|times| memory(&program, arguments, times * READINGS, series));
        println!(
            "{:<34} {one:>12.1} {four:>12.1}",
            format!("{series} series {}", if arguments.is_empty() { "in words" } else { arguments[0] })
        );
    }
}
