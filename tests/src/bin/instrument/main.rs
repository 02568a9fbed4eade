//! A made-up instrument on a pseudo-terminal, or behind a TCP port: what the shipped profile `lab-tristimulus` describes.
//!
//! `instrument PLACE` is an instrument at PLACE: a symbolic link, which it makes, to a pseudo-terminal; or `tcp:HOST:PORT`, where it
//! listens (a port of 0 is any that is free). It says `ready`, and on TCP where it listens, and obeys what is written on its standard
//! input, a line at a time:
//!
//! | line | what it does |
//! |---|---|
//! | `light C A TAU SIGMA SEED` | from now on Y(t) = C + A·exp(−t/TAU), with noise of standard deviation SIGMA at 0.1 s, less at longer exposures; prints `since T`, T on the boot clock |
//! | `serial TEXT` | from now on this is its serial number |
//! | `next WHAT N` | what comes of the next reading: see below |
//! | `saturate S` | from now on exposures of more than S seconds are too bright |
//! | `babble` | until the next order it says whatever comes to its mind, and listens to nobody |
//! | `close` | the line closes, and the link goes |
//! | `open` | a new pseudo-terminal behind the same link, or the same TCP port once more |
//!
//! | `next` | what comes of it |
//! |---|---|
//! | `garbled` | a line that makes no sense |
//! | `error` | the line that means too much light |
//! | `silence` | nothing |
//! | `half` | the first 12 bytes |
//! | `cut N` | the first N bytes |
//! | `close N` | the first N bytes (12 if N is left out), and the line closes |
//! | `late N` | the answer, N ms too late |
//! | `trickle N` | the answer, a byte each N ms |
//! | `twice` | the answer, and another |
//! | `echo` | the command, and the answer |
//! | `noise` | 10,000 bytes of everything |
//! | `flood` | two million bytes, for as long as anybody takes them |
//!
//! Every order is answered with a line on standard output once it is in force.

#![expect(clippy::print_stdout, reason = "it is how it answers its orders")]

mod port;

use std::io::BufRead;
use std::sync::mpsc::{Receiver, TryRecvError, channel};
use std::time::Duration;

use nix::time::{ClockId, clock_gettime};

use port::{Place, Port};

type Failure = Box<dyn std::error::Error>;

/// The integration time that it begins with, in s.
const INTEGRATION_S: f64 = 0.1;

/// How much of the integration time an exposure really takes: tests are in a hurry.
const HURRY: f64 = 0.4;

/// Bytes of a flood: more than anybody takes for an answer.
const FLOOD: usize = 2_000_000;

struct Light {
    limit: f64,
    amplitude: f64,
    tau_s: f64,
    sigma: f64,
    state: u64,
    since_s: f64,
}

struct Instrument {
    place: Place,
    serial: String,
    babbles: bool,
    port: Option<Port>,
    light: Light,
    integration_s: f64,
    /// Longer exposures are too bright, in s.
    longest_s: f64,
    next: Option<(String, Option<usize>)>,
}

fn now_s() -> Result<f64, Failure> {
    Ok(Duration::from(clock_gettime(ClockId::CLOCK_BOOTTIME)?).as_secs_f64())
}

fn main() -> Result<(), Failure> {
    let mut place =
        Place::read(&std::env::args().nth(1).ok_or("usage: instrument LINK, or instrument tcp:HOST:PORT")?)?;
    let light = Light { limit: 100.0, amplitude: 0.0, tau_s: 1.0, sigma: 0.02, state: 1, since_s: now_s()? };
    let port = Some(place.open()?);
    match &place {
        Place::Link(_) => println!("ready"),
        Place::Tcp(address) => println!("ready {address}"),
    }
    let mut instrument = Instrument {
        place,
        serial: "0042".to_owned(),
        babbles: false,
        port,
        light,
        integration_s: INTEGRATION_S,
        longest_s: f64::INFINITY,
        next: None,
    };
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
        self.babbles = false;
        let words: Vec<&str> = order.split_whitespace().collect();
        match words.as_slice() {
            ["light", limit, amplitude, tau_s, sigma, seed] => {
                let since_s = now_s()?;
                let (limit, amplitude, tau_s) = (limit.parse()?, amplitude.parse()?, tau_s.parse()?);
                self.light =
                    Light { limit, amplitude, tau_s, sigma: sigma.parse()?, state: seed.parse()?, since_s };
                return Ok(format!("since {since_s:.6}"));
            }
            ["next", what] => self.next = Some(((*what).to_owned(), None)),
            ["next", what, number] => self.next = Some(((*what).to_owned(), Some(number.parse()?))),
            ["serial", serial] => (*serial).clone_into(&mut self.serial),
            ["babble"] => self.babbles = true,
            ["saturate", longest_s] => self.longest_s = longest_s.parse()?,
            ["close"] => self.close()?,
            ["open"] => self.port = Some(self.place.open()?),
            _ => return Err(format!("unknown order {order:?}").into()),
        }
        Ok("done".to_owned())
    }

    fn close(&mut self) -> Result<(), Failure> {
        self.port = None;
        self.place.clear()
    }

    /// Answers a command, if one comes.
    fn attend(&mut self) -> Result<(), Failure> {
        let Some(port) = &mut self.port else {
            std::thread::park_timeout(Duration::from_millis(5));
            return Ok(());
        };
        if self.babbles {
            return if port.is_heard()? { port.say(&noise(1000)) } else { Ok(()) };
        }
        match port.command()?.as_deref() {
            Some("*IDN?") => port.say(format!("Made Up Instruments,LT-1,{},1.0\n", self.serial).as_bytes()),
            Some("SYST:ERR?") => port.say(b"+0,\"No error\"\n"),
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

    fn read(&mut self) -> Result<(), Failure> {
        std::thread::park_timeout(Duration::from_secs_f64(HURRY * self.integration_s));
        // Noise of reading out: the longer the exposure, the less of it.
        let sigma = self.light.sigma * INTEGRATION_S / self.integration_s;
        let y = self.light.y(now_s()?) + sigma * self.light.normal();
        // D65, and 31.5 degrees.
        let good = format!("{:.6E},{y:.6E},{:.6E},31.5\n", 0.9505 * y, 1.0888 * y);
        let Some((what, number)) = self.next.take() else {
            let good = if self.integration_s > self.longest_s { TOO_BRIGHT } else { &good };
            return self.say(good.as_bytes());
        };
        let first = |count: usize| good.get(..count).unwrap_or(&good).as_bytes();
        match what.as_str() {
            "garbled" => self.say(b"+9.5E+01;what;is;this\n"),
            "error" => self.say(TOO_BRIGHT.as_bytes()),
            "half" => self.say(first(12)),
            "cut" => self.say(first(number.unwrap_or(0))),
            "noise" => self.say(&noise(10_000)),
            "twice" => self.say(good.repeat(2).as_bytes()),
            "echo" => self.say(format!("READ?\n{good}").as_bytes()),
            "late" => {
                pause_ms(number.unwrap_or(0));
                self.say(good.as_bytes())
            }
            "trickle" => good.bytes().try_for_each(|byte| {
                pause_ms(number.unwrap_or(0));
                self.say(&[byte])
            }),
            "flood" => self.flood(),
            "close" => {
                self.say(first(number.unwrap_or(12)))?;
                self.close()
            }
            _ => Ok(()),
        }
    }

    fn say(&mut self, bytes: &[u8]) -> Result<(), Failure> {
        self.port.as_mut().map_or(Ok(()), |port| port.say(bytes))
    }

    /// Says more than anybody wants to hear, until nobody takes it in for a while.
    fn flood(&mut self) -> Result<(), Failure> {
        let chunk = noise(1000);
        let (mut said, mut unheard) = (0, 0);
        while let Some(port) = self.port.as_mut().filter(|_| said < FLOOD && unheard < 100) {
            if port.is_heard()? {
                port.say(&chunk)?;
                (said, unheard) = (said + chunk.len(), 0);
            } else {
                unheard += 1;
            }
        }
        Ok(())
    }
}

/// What it says where there is too much light.
const TOO_BRIGHT: &str = "9.9E37,0,0,31.5\n";

fn pause_ms(ms: usize) {
    std::thread::park_timeout(Duration::from_millis(ms.try_into().unwrap_or(0)));
}

/// So many bytes of everything, ends of lines included.
fn noise(count: usize) -> Vec<u8> {
    let mut state = 7_u32;
    let mut byte = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (state >> 24) as u8
    };
    (0..count).map(|_| byte()).collect()
}
