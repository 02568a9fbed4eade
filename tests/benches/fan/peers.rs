//! Those who carry the same lines: a bare server, Redis and Mosquitto. Their protocols are spoken by hand, as far as is needed.

use std::io::{BufRead, BufReader, Read, Write};
use std::os::unix::net::{UnixListener, UnixStream};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::mpsc;

use serde_json::json;

use crate::machine::{Killed, now_s, process_s, thread_s};
use crate::settled::{Client, Daemon, instant};
use crate::subscribers::Subscribers;

/// How long a server may take to listen.
const PATIENCE_S: f64 = 10.0;

/// A server that carries lines.
pub(crate) trait Peer {
    fn name(&self) -> &'static str;

    /// Another subscriber; it is one when this returns.
    fn subscriber(&mut self) -> UnixStream;

    /// Has a line carried to every subscriber.
    fn publish(&mut self);

    /// Takes what the publisher is answered. Gives the moment from which on the line was on its way, in s, if that isn't the moment
    /// before [`publish`](Self::publish).
    fn published(&mut self, subscribers: &Subscribers) -> Option<f64>;

    /// The server's processor time, in s.
    fn spent_s(&self) -> f64;

    /// Every subscriber is gone: says so to a server that doesn't notice.
    fn forget(&mut self) {}
}

fn connect(path: &Path) -> UnixStream {
    let start_s = now_s();
    loop {
        match UnixStream::connect(path) {
            Ok(stream) => return stream,
            Err(error) => assert!(now_s() < start_s + PATIENCE_S, "{}: {error}", path.display()),
        }
        std::thread::yield_now();
    }
}

fn expect(stream: &mut UnixStream, bytes: &[u8]) {
    let mut came = vec![0; bytes.len()];
    stream.read_exact(&mut came).unwrap();
    assert_eq!(came, bytes);
}

/// Writes what it gets to everyone there is: the least that it can cost. Its first connection publishes.
pub(crate) struct Bare {
    path: PathBuf,
    line: Vec<u8>,
    publisher: UnixStream,
    thread: i32,
}

impl Bare {
    pub(crate) fn start(folder: &Path, line: &str) -> Self {
        let path = folder.join("bare");
        let listener = UnixListener::bind(&path).unwrap();
        let (tell, thread) = mpsc::channel();
        std::thread::spawn(move || {
            tell.send(nix::unistd::gettid().as_raw()).unwrap();
            let mut publisher = BufReader::new(listener.accept().unwrap().0);
            let (mut streams, mut line) = (Vec::new(), Vec::new());
            while publisher.read_until(b'\n', &mut line).unwrap() > 0 {
                match line.as_slice() {
                    // The publisher tells of each that has connected, and when they are gone.
                    b"+\n" => streams.push(listener.accept().unwrap().0),
                    b"-\n" => streams.clear(),
                    line => streams.iter_mut().for_each(|stream| stream.write_all(line).unwrap()),
                }
                line.clear();
            }
        });
        let publisher = connect(&path);
        Self { path, line: line.as_bytes().to_vec(), publisher, thread: thread.recv().unwrap() }
    }
}

impl Peer for Bare {
    fn name(&self) -> &'static str {
        "bare"
    }

    fn subscriber(&mut self) -> UnixStream {
        let stream = connect(&self.path);
        self.publisher.write_all(b"+\n").unwrap();
        stream
    }

    fn publish(&mut self) {
        self.publisher.write_all(&self.line).unwrap();
    }

    fn published(&mut self, _: &Subscribers) -> Option<f64> {
        None
    }

    fn spent_s(&self) -> f64 {
        thread_s(self.thread)
    }

    fn forget(&mut self) {
        self.publisher.write_all(b"-\n").unwrap();
    }
}

/// Redis, of which only publishing is used.
pub(crate) struct Redis {
    server: Killed,
    path: PathBuf,
    publish: Vec<u8>,
    publisher: UnixStream,
    answer: Vec<u8>,
}

impl Redis {
    /// Nothing if it isn't installed.
    pub(crate) fn start(folder: &Path, line: &str) -> Option<Self> {
        let path = folder.join("redis");
        let mut command = Command::new("redis-server");
        command.args(["--port", "0", "--save", "", "--appendonly", "no", "--dir"]).arg(folder);
        command.arg("--unixsocket").arg(&path).stdout(Stdio::null()).stderr(Stdio::null());
        let server = Killed(command.spawn().ok()?);
        let publish = format!("*3\r\n$7\r\nPUBLISH\r\n$1\r\nm\r\n${}\r\n{line}\r\n", line.len());
        let publisher = connect(&path);
        Some(Self { server, path, publish: publish.into_bytes(), publisher, answer: vec![0; 64] })
    }
}

impl Peer for Redis {
    fn name(&self) -> &'static str {
        "redis"
    }

    fn subscriber(&mut self) -> UnixStream {
        let mut stream = connect(&self.path);
        stream.write_all(b"*2\r\n$9\r\nSUBSCRIBE\r\n$1\r\nm\r\n").unwrap();
        expect(&mut stream, b"*3\r\n$9\r\nsubscribe\r\n$1\r\nm\r\n:1\r\n");
        stream
    }

    fn publish(&mut self) {
        self.publisher.write_all(&self.publish).unwrap();
    }

    fn published(&mut self, subscribers: &Subscribers) -> Option<f64> {
        let count = self.publisher.read(&mut self.answer).unwrap();
        assert_eq!(self.answer[..count], *format!(":{}\r\n", subscribers.count()).as_bytes());
        None
    }

    fn spent_s(&self) -> f64 {
        process_s(self.server.0.id())
    }
}

/// Mosquitto, with MQTT 3.1.1 and QoS 0.
pub(crate) struct Mosquitto {
    server: Killed,
    path: PathBuf,
    publish: Vec<u8>,
    publisher: UnixStream,
    clients: u32,
}

impl Mosquitto {
    /// Nothing if it isn't installed.
    pub(crate) fn start(folder: &Path, line: &str) -> Option<Self> {
        let (path, config) = (folder.join("mosquitto"), folder.join("mosquitto.conf"));
        let user = nix::unistd::User::from_uid(nix::unistd::getuid()).unwrap().unwrap().name;
        let listen = format!("listener 0 {}\nallow_anonymous true\nuser {user}\n", path.display());
        std::fs::write(&config, listen).unwrap();
        let start = |program: &str| {
            let mut command = Command::new(program);
            command.arg("-c").arg(&config).stdout(Stdio::null()).stderr(Stdio::null());
            command.spawn().ok()
        };
        // Debian keeps it where others than root often don't look.
        let server = Killed(start("mosquitto").or_else(|| start("/usr/sbin/mosquitto"))?);
        // Topic "m", without a packet id, then the line.
        let packet = packet(0x30, &[b"\x00\x01m", line.as_bytes()].concat());
        let publisher = Self::client(&path, 0);
        Some(Self { server, path, publish: packet, publisher, clients: 0 })
    }

    /// A connection that is never looked after: a keep-alive of 0.
    fn client(path: &Path, number: u32) -> UnixStream {
        let mut stream = connect(path);
        let id = format!("c{number}");
        let connect =
            [b"\x00\x04MQTT\x04\x02\x00\x00".as_slice(), &[0, id.len() as u8], id.as_bytes()].concat();
        stream.write_all(&packet(0x10, &connect)).unwrap();
        expect(&mut stream, b"\x20\x02\x00\x00");
        stream
    }
}

/// An MQTT packet: its first byte, the length of what follows seven bits at a time, and what follows.
fn packet(first: u8, rest: &[u8]) -> Vec<u8> {
    let mut packet = vec![first];
    let mut left = rest.len();
    while left >= 128 {
        packet.push((left % 128) as u8 | 128);
        left /= 128;
    }
    packet.push(left as u8);
    packet.extend_from_slice(rest);
    packet
}

impl Peer for Mosquitto {
    fn name(&self) -> &'static str {
        "mosquitto"
    }

    fn subscriber(&mut self) -> UnixStream {
        self.clients += 1;
        let mut stream = Self::client(&self.path, self.clients);
        stream.write_all(&packet(0x82, b"\x00\x01\x00\x01m\x00")).unwrap();
        expect(&mut stream, b"\x90\x03\x00\x01\x00");
        stream
    }

    fn publish(&mut self) {
        self.publisher.write_all(&self.publish).unwrap();
    }

    fn published(&mut self, _: &Subscribers) -> Option<f64> {
        None
    }

    fn spent_s(&self) -> f64 {
        process_s(self.server.0.id())
    }
}

/// The daemon: another client's request makes a simulated meter give a reading at once.
pub(crate) struct Settled {
    name: &'static str,
    daemon: Daemon,
    asker: Client,
}

impl Settled {
    pub(crate) fn start(folder: &Path, name: &'static str, file: &str, log: &str) -> Self {
        let daemon = Daemon::start(folder, file, log, &instant("m", ""));
        let mut asker = daemon.client();
        asker.first_reading("m");
        Self { name, daemon, asker }
    }

    /// The line that a subscriber gets.
    pub(crate) fn line(&mut self) -> String {
        let mut subscribers = Subscribers::new(vec![self.subscriber()]);
        self.publish();
        subscribers.wait();
        self.published(&subscribers);
        String::from_utf8(subscribers.last().to_vec()).unwrap()
    }
}

impl Peer for Settled {
    fn name(&self) -> &'static str {
        self.name
    }

    fn subscriber(&mut self) -> UnixStream {
        self.daemon.subscriber("m", &json!({}))
    }

    fn publish(&mut self) {
        self.asker.ask(1, "meter.read", &json!({"meter": "m"}));
    }

    /// From the end of the exposure, as the reading says it.
    fn published(&mut self, subscribers: &Subscribers) -> Option<f64> {
        let answer = self.asker.line();
        assert!(answer.get("result").is_some(), "{answer}");
        let came: serde_json::Value = serde_json::from_slice(subscribers.last()).unwrap();
        assert_eq!(came["params"]["reading"], answer["result"]);
        came["params"]["reading"]["t_s"].as_f64()
    }

    fn spent_s(&self) -> f64 {
        process_s(self.daemon.pid())
    }
}
