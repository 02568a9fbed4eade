//! The daemon's figures, each beside its peer in the same run. Not a test: nothing is asserted.
//!
//! `cargo build --release --bins && cargo bench -p settled-tests`

#![expect(
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::disallowed_methods,
    reason = "a benchmark times things and prints"
)]

use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::{UnixListener, UnixStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// Rounds of each kind, taken in turns so that the machine's moods fall on all alike.
const ROUNDS: usize = 10;

/// Requests in a round: many of the quick kinds, fewer of those that wait for a disk.
const QUICK: usize = 2000;
const DURABLE: usize = 200;

/// A line as long as a request.
const ECHOED: &str = r#"{"jsonrpc":"2.0","id":1,"method":"meter.read","params":{"meter":"m"}}"#;

fn program() -> PathBuf {
    let path = std::env::current_exe().unwrap().parent().and_then(Path::parent).unwrap().join("settled");
    assert!(path.exists(), "{} is missing: cargo build --release --bins", path.display());
    path
}

/// A daemon, killed at the end.
struct Daemon {
    child: Child,
    socket: PathBuf,
}

impl Drop for Daemon {
    fn drop(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }
}

fn meter(id: &str) -> String {
    format!("[[meter]]\nid = \"{id}\"\ndriver = \"simulated\"\ndisplay = \"self-emitting\"\ninstant = true\n")
}

impl Daemon {
    fn start(folder: &Path, name: &str, config: &str) -> Self {
        let (file, socket) = (folder.join(format!("{name}.toml")), folder.join(name));
        std::fs::write(&file, config).unwrap();
        let mut command = Command::new(program());
        command.arg("--config").arg(&file).arg("--socket").arg(&socket).stderr(Stdio::null());
        Self { child: command.spawn().unwrap(), socket }
    }

    fn connect(&self) -> BufReader<UnixStream> {
        let start = Instant::now();
        loop {
            match UnixStream::connect(&self.socket) {
                Ok(stream) => return BufReader::new(stream),
                Err(error) => assert!(start.elapsed() < Duration::from_secs(10), "{error}"),
            }
            std::thread::yield_now();
        }
    }
}

/// A server that sends every line back: the least that a request and its answer can cost.
fn echo(folder: &Path) -> BufReader<UnixStream> {
    let path = folder.join("echo");
    let listener = UnixListener::bind(&path).unwrap();
    std::thread::spawn(move || {
        let mut stream = BufReader::new(listener.accept().unwrap().0);
        let mut line = String::new();
        while stream.read_line(&mut line).unwrap() > 0 {
            stream.get_mut().write_all(line.as_bytes()).unwrap();
            line.clear();
        }
    });
    BufReader::new(UnixStream::connect(path).unwrap())
}

/// One round trip, in µs.
fn round_trip(stream: &mut BufReader<UnixStream>, request: &str, answer: &mut String) -> f64 {
    answer.clear();
    let start = Instant::now();
    stream.get_mut().write_all(request.as_bytes()).unwrap();
    stream.read_line(answer).unwrap();
    start.elapsed().as_secs_f64() * 1e6
}

struct Kind {
    name: &'static str,
    stream: BufReader<UnixStream>,
    request: String,
    count: usize,
    times: Vec<f64>,
}

impl Kind {
    fn new(name: &'static str, stream: BufReader<UnixStream>, request: &str, count: usize) -> Self {
        Self { name, stream, request: format!("{request}\n"), count, times: Vec::new() }
    }

    fn round(&mut self) {
        let mut answer = String::new();
        for _ in 0..self.count {
            self.times.push(round_trip(&mut self.stream, &self.request, &mut answer));
        }
        assert!(!answer.contains("\"error\""), "{answer}");
    }

    fn quantile(&mut self, share: f64) -> f64 {
        self.times.sort_by(f64::total_cmp);
        self.times[((self.times.len() - 1) as f64 * share) as usize]
    }
}

fn latencies(folder: &Path) {
    let config = |log: &str| format!("[log]\n{log}\n{}", meter("m"));
    let off = Daemon::start(folder, "off", &config("path = \"off\""));
    let crash = Daemon::start(folder, "crash", &config("path = \"crash.sqlite\"\nsurvives = \"crash\""));
    let power = Daemon::start(folder, "power", &config("path = \"power.sqlite\""));
    let recent = r#"{"jsonrpc":"2.0","id":1,"method":"meter.read","params":{"meter":"m","max_age_s":3600}}"#;
    let mut kinds = [
        Kind::new("bare line echo", echo(folder), ECHOED, QUICK),
        Kind::new("meter.read, log off", off.connect(), ECHOED, QUICK),
        Kind::new("meter.read, one taken already", crash.connect(), recent, QUICK),
        Kind::new("meter.read, survives a crash", crash.connect(), ECHOED, DURABLE),
        Kind::new("meter.read, survives a power cut", power.connect(), ECHOED, DURABLE),
    ];
    let mut warm = String::new();
    round_trip(&mut kinds[3].stream, &format!("{ECHOED}\n"), &mut warm);
    for _ in 0..ROUNDS {
        kinds.iter_mut().for_each(Kind::round);
    }
    let echo = kinds[0].quantile(0.5);
    println!("{:<34} {:>9} {:>9} {:>9}", "from request to answer", "p50 µs", "p99 µs", "p50/echo");
    for kind in &mut kinds {
        let (p50, p99) = (kind.quantile(0.5), kind.quantile(0.99));
        println!("{:<34} {p50:>9.1} {p99:>9.1} {:>9.2}", kind.name, p50 / echo);
    }
}

fn status(pid: u32, key: &str) -> u64 {
    let mut sum = 0;
    for task in std::fs::read_dir(format!("/proc/{pid}/task")).unwrap() {
        let text = std::fs::read_to_string(task.unwrap().path().join("status")).unwrap();
        let line = text.lines().find(|line| line.starts_with(key)).unwrap();
        sum += line.split_whitespace().nth(1).unwrap().parse::<u64>().unwrap();
    }
    sum
}

fn idle(folder: &Path) {
    let meters: String = ["a", "b", "c", "d"].map(meter).concat();
    let daemon = Daemon::start(folder, "idle", &format!("[log]\npath = \"idle.sqlite\"\n{meters}"));
    drop(daemon.connect());
    std::thread::sleep(Duration::from_secs(2));
    let pid = daemon.child.id();
    let before = status(pid, "voluntary_ctxt_switches");
    let watched = Duration::from_secs(30);
    std::thread::sleep(watched);
    let wake_ups = status(pid, "voluntary_ctxt_switches") - before;
    let resident = std::fs::read_to_string(format!("/proc/{pid}/status")).unwrap();
    let resident =
        resident.lines().find(|line| line.starts_with("VmRSS")).unwrap().split_whitespace().nth(1).unwrap();
    let mib = resident.parse::<f64>().unwrap() / 1024.0;
    println!("resident, idle, four meters        {mib:>9.1} MiB");
    println!("wake-ups, idle, all threads        {:>9.2} a second", wake_ups as f64 / watched.as_secs_f64());
}

/// Processor time of all threads of a process so far, in s (the kernel's schedstat: ns on a processor).
fn processor_s(pid: u32) -> f64 {
    let tasks = std::fs::read_dir(format!("/proc/{pid}/task")).unwrap();
    let ns = tasks.filter_map(|task| std::fs::read_to_string(task.ok()?.path().join("schedstat")).ok());
    ns.map(|text| text.split_whitespace().next().unwrap().parse::<f64>().unwrap() / 1e9).sum()
}

/// What a run at one reading a minute takes of a processor, by the machine's own clock, with exposures that take their time.
fn night(folder: &Path) {
    let config = format!("[log]\npath = \"night.sqlite\"\n{}", meter("m").replace("instant = true\n", ""));
    let daemon = Daemon::start(folder, "night", &config);
    let mut stream = daemon.connect();
    let request = r#"{"jsonrpc":"2.0","id":1,"method":"runs.start","params":{"meter":"m","kind":"drift"}}"#;
    let mut answer = String::new();
    round_trip(&mut stream, &format!("{request}\n"), &mut answer);
    assert!(answer.contains("\"running\""), "{answer}");
    drop(stream);
    // The first reading belongs to the beginning.
    std::thread::sleep(Duration::from_secs(30));
    let (before, watched) = (processor_s(daemon.child.id()), Duration::from_secs(180));
    std::thread::sleep(watched);
    let busy = (processor_s(daemon.child.id()) - before) / watched.as_secs_f64();
    println!("processor time of a drift run      {:>9.2} s a day", busy * 86_400.0);
}

fn cold_start(folder: &Path) {
    let mut times: Vec<f64> = (0..20)
        .map(|index| {
            let name = format!("cold{index}");
            let start = Instant::now();
            let daemon =
                Daemon::start(folder, &name, &format!("[log]\npath = \"{name}.sqlite\"\n{}", meter("m")));
            let mut answer = String::new();
            round_trip(
                &mut daemon.connect(),
                "{\"jsonrpc\":\"2.0\",\"id\":1,\"method\":\"meters.list\"}\n",
                &mut answer,
            );
            assert!(answer.contains("\"result\""), "{answer}");
            start.elapsed().as_secs_f64() * 1e3
        })
        .collect();
    times.sort_by(f64::total_cmp);
    println!(
        "cold start to first answer         {:>9.1} ms (median of 20, worst {:.1})",
        times[10], times[19]
    );
}

fn main() {
    let folder = tempfile::tempdir().unwrap();
    latencies(folder.path());
    cold_start(folder.path());
    idle(folder.path());
    night(folder.path());
}
