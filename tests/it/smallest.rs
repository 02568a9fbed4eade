//! The smallest whole ways to add an instrument, each against its made-up instrument on a real line, and how many lines of code
//! each takes: without blank lines and comments.

use std::fs::File;
use std::io::{BufRead, BufReader, Read, Write};
use std::os::fd::OwnedFd;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use nix::pty::openpty;
use nix::sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr};
use settled::clock::Clock;
use settled_drivers::clock::Clock as Spans;
use settled_drivers::conformance::{Zero, check, faults};
use settled_drivers::driver::{Context, Driver};
use settled_drivers::fault::FaultKind;
use settled_drivers::link::address::Address;
use settled_drivers::link::script::Step;
use settled_drivers::sample::Exposure;
use settled_drivers::settings;

use crate::support::daemon::program;

#[path = "../../drivers/examples/frames/driver.rs"]
mod driver;

/// The most lines that a whole profile may take.
const MOST_OF_A_PROFILE: usize = 25;

/// The most lines of code that a whole driver in Rust over a serial port may take.
const MOST_OF_A_DRIVER: usize = 150;

/// A line to an instrument: its end of it, and the path of the other.
struct Line {
    master: File,
    path: PathBuf,
    // Held so that the line stays open while nobody else has it.
    _slave: OwnedFd,
}

impl Line {
    fn new() -> Self {
        let pty = openpty(None, None).unwrap();
        let mut raw = tcgetattr(&pty.slave).unwrap();
        cfmakeraw(&mut raw);
        tcsetattr(&pty.slave, SetArg::TCSANOW, &raw).unwrap();
        let path = nix::unistd::ttyname(&pty.slave).unwrap();
        Self { master: File::from(pty.master), path, _slave: pty.slave }
    }
}

/// The instrument that speaks in frames; it exposes for less time than it says: tests are in a hurry.
struct Instrument {
    path: PathBuf,
    /// Whether its next frame has a wrong sum.
    damage: Arc<AtomicBool>,
}

impl Instrument {
    fn start() -> Self {
        let line = Line::new();
        let (path, damage) = (line.path.clone(), Arc::new(AtomicBool::new(false)));
        let damaged = Arc::clone(&damage);
        std::thread::spawn(move || {
            // All of it, so that the line stays open.
            let mut line = line;
            let mut letter = [0];
            while line.master.read_exact(&mut letter).is_ok() {
                let payload = match letter[0] {
                    b'S' => 4711_u32.to_be_bytes(),
                    _ => 320.5_f32.to_be_bytes(),
                };
                std::thread::park_timeout(Duration::from_millis(if letter[0] == b'E' { 60 } else { 0 }));
                let mut frame = vec![0x02, letter[0]];
                frame.extend_from_slice(&payload);
                let sum = frame.iter().fold(0_u8, |sum, byte| sum.wrapping_add(*byte));
                frame.push(sum ^ u8::from(damaged.swap(false, Ordering::Relaxed)));
                line.master.write_all(&frame).unwrap();
            }
        });
        Self { path, damage }
    }

    fn driver(&self) -> Arc<dyn Driver> {
        let context = Context::at("/");
        let text = format!("port = \"{}\"", self.path.display());
        settings::read("t.toml", &text, |table| driver::configure(table, &context)).unwrap()
    }
}

pub(crate) fn runtime() -> tokio::runtime::Runtime {
    tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap()
}

#[test]
fn the_example_driver_conforms_on_a_real_line() {
    let (instrument, clock) = (Instrument::start(), Arc::new(Clock::system()) as Arc<dyn Spans>);
    let report = runtime().block_on(check(&instrument.driver(), &clock, Zero::Skip));
    assert!(report.is_kept(), "{report}");
}

/// Frames with the right sum, to the letter that is sent.
fn in_order(letter: &[u8], exposure: u32) -> Vec<Step> {
    let (wait, payload) = match letter {
        b"S" => (0, 4711_u32.to_be_bytes()),
        b"E" => (500, (exposure as f32 + 0.5).to_be_bytes()),
        _ => return Vec::new(),
    };
    let mut frame = [&[0x02, letter[0]][..], &payload].concat();
    frame.push(frame.iter().fold(0_u8, |sum, byte| sum.wrapping_add(*byte)));
    vec![Step::Wait(Duration::from_millis(wait)), Step::Say(frame)]
}

#[test]
fn however_an_answer_is_spoilt_the_example_driver_says_so_and_measures_on() {
    let clock = Arc::new(Clock::system()) as Arc<dyn Spans>;
    let paused = tokio::runtime::Builder::new_current_thread().enable_all().start_paused(true).build();
    let make = |open| driver::at(Address::made("script".to_owned(), open));
    let report = paused.unwrap().block_on(faults::check(make, in_order, &clock));
    assert!(report.is_kept(), "{report}");
}

#[test]
fn the_example_driver_takes_no_damaged_frame_for_light() {
    let (instrument, clock) = (Instrument::start(), Arc::new(Clock::system()) as Arc<dyn Spans>);
    runtime().block_on(async {
        let driver = instrument.driver();
        let mut meter = driver.open(&clock).await.unwrap();
        assert_eq!(meter.describe().instrument.serial.as_deref(), Some("4711"));
        instrument.damage.store(true, Ordering::Relaxed);
        let fault = meter.measure(Exposure::default()).await.unwrap_err();
        assert_eq!(fault.kind(), FaultKind::Garbled);
        meter.recover().await.unwrap();
        let sample = meter.measure(Exposure::default()).await.unwrap();
        assert!((sample.light().unwrap().value() - 320.5).abs() < 1e-9);
    });
}

/// Lines that are neither blank nor a comment that begins with `mark`.
pub(crate) fn lines_of_code(path: &str, mark: &str) -> usize {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../drivers").join(path);
    let text = std::fs::read_to_string(path).unwrap();
    text.lines().filter(|line| !line.trim().is_empty() && !line.trim_start().starts_with(mark)).count()
}

#[test]
fn a_whole_driver_in_rust_over_a_serial_port_takes_at_most_150_lines() {
    let lines = lines_of_code("examples/frames/driver.rs", "//");
    assert!((60..=MOST_OF_A_DRIVER).contains(&lines), "{lines} lines of code");
}

#[test]
fn the_smallest_profile_takes_at_most_25_lines_and_conforms_on_a_real_line() {
    let lines = lines_of_code("profiles/pocket-illuminance.toml", "#");
    assert!((5..=MOST_OF_A_PROFILE).contains(&lines), "{lines} lines");
    let line = Line::new();
    let path = line.path.clone();
    std::thread::spawn(move || {
        // All of it, so that the line stays open.
        let whole = line;
        let mut line = BufReader::new(&whole.master);
        let mut command = String::new();
        while line.read_line(&mut command).is_ok_and(|count| count > 0) {
            let answer: &[u8] = match command.trim_end() {
                "ID?" => b"POCKET LX 007\r\n",
                "LX?" => b"320.5 lx\r\n",
                _ => b"?\r\n",
            };
            line.get_mut().write_all(answer).unwrap();
            command.clear();
        }
    });
    let meter = "[[meter]]\nid = \"m\"\ndriver = \"profile\"\nprofile = \"pocket-illuminance\"\n";
    let folder = tempfile::tempdir().unwrap();
    let config = folder.path().join("settled.toml");
    std::fs::write(&config, format!("{meter}port = \"{}\"\n", path.display())).unwrap();
    // In a process of its own: whatever else this one starts has the port, too, for a moment.
    let report =
        Command::new(program("settled")).arg("--conformance").arg(&config).arg("m").output().unwrap();
    assert!(report.status.success(), "{report:?}");
}
