//! A made-up instrument on a pseudo-terminal: what the shipped profile `lab-tristimulus` describes.
//!
//! `instrument LINK` makes a pseudo-terminal, puts the symbolic link LINK to it, and obeys what is written on its standard
//! input, a line at a time:
//!
//! | line | what it does |
//! |---|---|
//! | `light C A TAU SIGMA SEED` | from now on Y(t) = C + A·exp(−t/TAU), with noise of standard deviation SIGMA at 0.1 s, less at longer exposures; prints `since T`, T on the boot clock |
//! | `next WHAT` | the next reading is `garbled`, `half`, `error`, `silence`, `noise`, or `close`s the line in the middle |
//! | `offset D` | from now on D is added to Y, until it is zeroed |
//! | `warm C` | from now on its temperature is C °C |
//! | `zero WHAT` | the next zeroing is `refused`, `slow` (0.4 s), or ends in `silence`, or `close`s the line |
//! | `saturate S` | from now on exposures of more than S seconds are too bright |
//! | `close` | the line closes, and the link goes |
//! | `open` | a new pseudo-terminal, behind the same link |
//!
//! Every order is answered with a line on standard output once it is in force.

#![expect(clippy::print_stdout, reason = "it is how it answers its orders")]

use std::fs::File;
use std::io::{BufRead, Read, Write};
use std::os::fd::{AsFd, OwnedFd};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, TryRecvError, channel};
use std::time::Duration;

use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use nix::pty::openpty;
use nix::sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr};
use nix::time::{ClockId, clock_gettime};

type Failure = Box<dyn std::error::Error>;

/// The integration time that it begins with, in s.
const INTEGRATION_S: f64 = 0.1;

/// How much of the integration time an exposure really takes: tests are in a hurry.
const HURRY: f64 = 0.4;

/// The line, while it is there.
struct Port {
    master: File,
    // Held so that the master's reads don't fail while nobody has the port open.
    _slave: OwnedFd,
    heard: Vec<u8>,
}

struct Light {
    limit: f64,
    amplitude: f64,
    tau_s: f64,
    sigma: f64,
    state: u64,
    since_s: f64,
}

struct Instrument {
    link: PathBuf,
    port: Option<Port>,
    light: Light,
    integration_s: f64,
    /// Longer exposures are too bright, in s.
    longest_s: f64,
    next: Option<String>,
    next_zero: Option<String>,
    /// What it has to say when it is asked for errors.
    error: Option<&'static [u8]>,
    offset: f64,
    celsius: f64,
}

fn now_s() -> Result<f64, Failure> {
    Ok(Duration::from(clock_gettime(ClockId::CLOCK_BOOTTIME)?).as_secs_f64())
}

fn main() -> Result<(), Failure> {
    let link = PathBuf::from(std::env::args().nth(1).ok_or("usage: instrument LINK")?);
    let light = Light { limit: 100.0, amplitude: 0.0, tau_s: 1.0, sigma: 0.02, state: 1, since_s: now_s()? };
    let mut instrument = Instrument {
        port: Some(Port::open(&link)?),
        link,
        light,
        integration_s: INTEGRATION_S,
        longest_s: f64::INFINITY,
        next: None,
        next_zero: None,
        error: None,
        offset: 0.0,
        celsius: 31.5,
    };
    println!("ready");
    let orders = orders();
    loop {
        match orders.try_recv() {
            Ok(order) => println!("{}", instrument.obey(&order)?),
            Err(TryRecvError::Empty) => instrument.attend()?,
            Err(TryRecvError::Disconnected) => return Ok(()),
        }
    }
}

/// Lines of standard input, as they come.
fn orders() -> Receiver<String> {
    let (sender, receiver) = channel();
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines().map_while(Result::ok) {
            if sender.send(line).is_err() {
                return;
            }
        }
    });
    receiver
}

impl Port {
    fn open(link: &Path) -> Result<Self, Failure> {
        let pty = openpty(None, None)?;
        let mut settings = tcgetattr(&pty.slave)?;
        cfmakeraw(&mut settings);
        tcsetattr(&pty.slave, SetArg::TCSANOW, &settings)?;
        let name = nix::unistd::ttyname(&pty.slave)?;
        if link.symlink_metadata().is_ok() {
            std::fs::remove_file(link)?;
        }
        std::os::unix::fs::symlink(name, link)?;
        Ok(Self { master: File::from(pty.master), _slave: pty.slave, heard: Vec::new() })
    }

    /// The next command, if one comes soon.
    fn command(&mut self) -> Result<Option<String>, Failure> {
        let mut ready = [PollFd::new(self.master.as_fd(), PollFlags::POLLIN)];
        if poll(&mut ready, PollTimeout::from(5_u8))? > 0 {
            let mut chunk = [0; 256];
            let count = self.master.read(&mut chunk)?;
            self.heard.extend_from_slice(chunk.get(..count).unwrap_or_default());
        }
        let Some(end) = self.heard.iter().position(|byte| *byte == b'\n') else { return Ok(None) };
        let line: Vec<u8> = self.heard.drain(..=end).collect();
        Ok(Some(String::from_utf8_lossy(&line).trim().to_owned()))
    }

    fn say(&mut self, bytes: &[u8]) -> Result<(), Failure> {
        self.master.write_all(bytes)?;
        Ok(())
    }
}

impl Light {
    fn y(&self, t_s: f64) -> f64 {
        self.limit + self.amplitude * (-(t_s - self.since_s) / self.tau_s).exp()
    }

    /// A normal number: a linear congruential generator (Knuth's MMIX constants, from memory), then Box and Muller.
    fn normal(&mut self) -> f64 {
        let mut uniform = || {
            self.state =
                self.state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            ((self.state >> 12) as f64 + 0.5) / (1_u64 << 52) as f64
        };
        let (radius, angle) = (uniform(), uniform());
        (-2.0 * radius.ln()).sqrt() * (std::f64::consts::TAU * angle).cos()
    }
}

impl Instrument {
    fn obey(&mut self, order: &str) -> Result<String, Failure> {
        let words: Vec<&str> = order.split_whitespace().collect();
        match words.as_slice() {
            ["light", limit, amplitude, tau_s, sigma, seed] => {
                let since_s = now_s()?;
                let (limit, amplitude, tau_s) = (limit.parse()?, amplitude.parse()?, tau_s.parse()?);
                self.light =
                    Light { limit, amplitude, tau_s, sigma: sigma.parse()?, state: seed.parse()?, since_s };
                return Ok(format!("since {since_s:.6}"));
            }
            ["next", what] => self.next = Some((*what).to_owned()),
            ["zero", what] => self.next_zero = Some((*what).to_owned()),
            ["offset", offset] => self.offset = offset.parse()?,
            ["warm", celsius] => self.celsius = celsius.parse()?,
            ["saturate", longest_s] => self.longest_s = longest_s.parse()?,
            ["close"] => self.close()?,
            ["open"] => self.port = Some(Port::open(&self.link)?),
            _ => return Err(format!("unknown order {order:?}").into()),
        }
        Ok("done".to_owned())
    }

    fn close(&mut self) -> Result<(), Failure> {
        self.port = None;
        Ok(std::fs::remove_file(&self.link)?)
    }

    /// Answers a command, if one comes.
    fn attend(&mut self) -> Result<(), Failure> {
        let Some(port) = &mut self.port else {
            std::thread::park_timeout(Duration::from_millis(5));
            return Ok(());
        };
        match port.command()?.as_deref() {
            Some("*IDN?") => port.say(b"Made Up Instruments,LT-1,0042,1.0\n"),
            Some("SYST:ERR?") => port.say(self.error.take().unwrap_or(b"+0,\"No error\"\n")),
            Some("*OPC?") => self.zero(),
            Some("READ?") => self.read(),
            Some(other) => {
                if let Some(integration_s) = other.strip_prefix("SENS:INT ") {
                    self.integration_s = integration_s.parse()?;
                }
                Ok(())
            }
            None => Ok(()),
        }
    }

    /// Ends what `CAL:ZERO` began.
    fn zero(&mut self) -> Result<(), Failure> {
        let what = self.next_zero.take();
        match what.as_deref() {
            Some("silence") => return Ok(()),
            Some("close") => return self.close(),
            Some("refused") => self.error = Some(b"-221,\"Light leak\"\n"),
            Some("slow") => std::thread::park_timeout(Duration::from_millis(400)),
            _ => {}
        }
        if what.as_deref() != Some("refused") {
            self.offset = 0.0;
        }
        self.port.as_mut().map_or(Ok(()), |port| port.say(b"1\n"))
    }

    fn read(&mut self) -> Result<(), Failure> {
        std::thread::park_timeout(Duration::from_secs_f64(HURRY * self.integration_s));
        // Noise of reading out: the longer the exposure, the less of it.
        let sigma = self.light.sigma * INTEGRATION_S / self.integration_s;
        let y = self.light.y(now_s()?) + self.offset + sigma * self.light.normal();
        // D65.
        let good = format!("{:.6E},{y:.6E},{:.6E},{}\n", 0.9505 * y, 1.0888 * y, self.celsius);
        let Some(port) = &mut self.port else { return Ok(()) };
        match self.next.take().as_deref() {
            None if self.integration_s > self.longest_s => port.say(b"9.9E37,0,0,31.5\n"),
            None => port.say(good.as_bytes()),
            Some("garbled") => port.say(b"+9.5E+01;what;is;this\n"),
            Some("error") => port.say(b"9.9E37,0,0,31.5\n"),
            Some("half") => port.say(good.get(..12).unwrap_or_default().as_bytes()),
            Some("noise") => port.say(&noise()),
            Some("close") => {
                port.say(good.get(..12).unwrap_or_default().as_bytes())?;
                self.close()
            }
            _ => Ok(()),
        }
    }
}

/// 10,000 bytes of everything, ends of lines included.
fn noise() -> Vec<u8> {
    let mut state = 7_u32;
    let mut byte = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (state >> 24) as u8
    };
    (0..10_000).map(|_| byte()).collect()
}
