//! What the profile driver adds to a reading over the bare link: both ask the same instrument the same things, in turns. Not a
//! test: nothing is asserted.
//!
//! `cargo bench -p settled-tests --bench profile`

#![expect(
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::disallowed_methods,
    reason = "a benchmark times things and prints"
)]

use std::fs::{File, OpenOptions};
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

use nix::pty::openpty;
use nix::sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr};
use settled_drivers::clock::{Clock, Still};
use settled_drivers::driver::{Context, Driver, Registry};
use settled_drivers::meter::Meter;
use settled_drivers::sample::Exposure;
use settled_drivers::settings;

/// Rounds of each kind, taken in turns so that the machine's moods fall on all alike.
const ROUNDS: usize = 10;

/// Readings in a round.
const READINGS: usize = 1000;

/// What the profile sends for a reading, and after which of it a line comes back.
const EXCHANGE: [(&[u8], bool); 3] = [(b"SENS:INT 0.1\n", false), (b"READ?\n", true), (b"SYST:ERR?\n", true)];

/// An instrument on a pseudo-terminal that answers at once; gives the terminal's path.
fn instrument() -> PathBuf {
    let pty = openpty(None, None).unwrap();
    let mut raw = tcgetattr(&pty.slave).unwrap();
    cfmakeraw(&mut raw);
    tcsetattr(&pty.slave, SetArg::TCSANOW, &raw).unwrap();
    let path = nix::unistd::ttyname(&pty.slave).unwrap();
    let mut master = BufReader::new(File::from(pty.master));
    std::thread::spawn(move || {
        // Held so that the line stays open while nobody else has it.
        let _slave = pty.slave;
        let mut line = String::new();
        while master.read_line(&mut line).is_ok_and(|count| count > 0) {
            let answer: &[u8] = match line.trim_end() {
                "*IDN?" => b"Made Up Instruments,LT-1,0042,1.0\n",
                "READ?" => b"+9.505E+01,+1.000E+02,+1.0888E+02,31.5\n",
                "SYST:ERR?" => b"+0,\"No error\"\n",
                _ => b"",
            };
            master.get_mut().write_all(answer).unwrap();
            line.clear();
        }
    });
    path
}

/// One reading over the bare terminal, blocking: the least that it can cost.
fn bare(line: &mut BufReader<File>, heard: &mut String) {
    for (command, answered) in EXCHANGE {
        line.get_mut().write_all(command).unwrap();
        if answered {
            heard.clear();
            line.read_line(heard).unwrap();
        }
    }
}

fn driver(port: &Path) -> Arc<dyn Driver> {
    let configure = Registry::built_in().get("profile").unwrap();
    let text = format!("profile = \"lab-tristimulus\"\nport = {:?}\n", port.display().to_string());
    let context = Context::at("");
    settings::read("bench", &text, |table| configure(table, &context)).unwrap()
}

/// Runs `reading` for a round; gives the time of each.
fn round(mut reading: impl FnMut()) -> Vec<Duration> {
    let timed = |_| {
        let start = Instant::now();
        reading();
        start.elapsed()
    };
    (0..READINGS).map(timed).collect()
}

fn report(name: &str, times: &mut [Duration]) -> Duration {
    times.sort_unstable();
    let at = |share: usize| times[(times.len() * share / 100).min(times.len() - 1)];
    println!("{name:<34} p50 {:>9.1?}   p99 {:>9.1?}", at(50), at(99));
    at(50)
}

fn main() {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let clock: Arc<dyn Clock> = Arc::new(Still);
    let (bare_port, profile_port) = (instrument(), instrument());
    let file = OpenOptions::new().read(true).write(true).open(&bare_port).unwrap();
    let (mut line, mut heard) = (BufReader::new(file), String::new());
    let driver = driver(&profile_port);
    let mut meter: Box<dyn Meter> = runtime.block_on(driver.open(&clock)).unwrap();
    let exposure = Exposure { integration_s: Some(0.1) };
    let (mut bares, mut profiles) = (Vec::new(), Vec::new());
    for _ in 0..ROUNDS {
        bares.extend(round(|| bare(&mut line, &mut heard)));
        profiles.extend(round(|| {
            runtime.block_on(meter.measure(exposure)).unwrap();
        }));
    }
    println!("{} readings of each kind, in turns; two answers a reading", ROUNDS * READINGS);
    let bare = report("bare terminal, blocking", &mut bares);
    let profile = report("profile driver", &mut profiles);
    println!("the profile driver adds {:.1?} to a reading", profile.saturating_sub(bare));
}
