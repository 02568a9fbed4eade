//! What one client can do to spoil another's measurement, a function each.

use std::any::Any;
use std::collections::VecDeque;
use std::io::{ErrorKind, Read, Write};
use std::os::fd::AsFd;
use std::os::unix::net::UnixStream;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use nix::sys::signal::Signal;
use serde_json::{Value, json};

use super::{BESIDE_QUERIES, ITS_PACE, ITS_TURNS, Nuisance};
use crate::support::daemon::{Daemon, wait_until};
use crate::support::relay::Relay;

pub(super) const NUISANCES: &[Nuisance] = &[
    Nuisance { name: "a reader that stalls", leaves: ITS_PACE, begin: stall },
    Nuisance { name: "one that takes no answers", leaves: ITS_PACE, begin: take_no_answers },
    Nuisance { name: "a flood of unlike readings", leaves: ITS_TURNS, begin: flood },
    Nuisance { name: "a flood of unlike settlings", leaves: ITS_TURNS, begin: settle },
    Nuisance { name: "a hundred that write a byte now and then", leaves: ITS_PACE, begin: trickle },
    Nuisance { name: "a lease whose holder is stopped", leaves: ITS_PACE, begin: forget_a_lease },
    Nuisance { name: "resets in the middle of a line", leaves: ITS_PACE, begin: reset },
    Nuisance { name: "a thousand subscriptions", leaves: ITS_PACE, begin: subscribe },
    Nuisance { name: "a line without an end", leaves: ITS_PACE, begin: never_end },
    Nuisance { name: "batches of long answers", leaves: BESIDE_QUERIES, begin: batch },
    Nuisance { name: "nonsense without a pause", leaves: ITS_PACE, begin: babble },
];

/// Connections that a storm holds at once, and all in all.
const STORM: (usize, usize) = (400, 2000);

/// Something that goes on, over and over, until it is dropped.
struct GoingOn {
    over: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl GoingOn {
    fn over_and_over(mut again: impl FnMut() + Send + 'static) -> Box<dyn Any> {
        let over = Arc::new(AtomicBool::new(false));
        let told = Arc::clone(&over);
        let thread = std::thread::spawn(move || {
            while !told.load(Ordering::Relaxed) {
                again();
            }
        });
        Box::new(Self { over, thread: Some(thread) })
    }
}

impl Drop for GoingOn {
    fn drop(&mut self) {
        self.over.store(true, Ordering::Relaxed);
        let ended = self.thread.take().map(JoinHandle::join);
        assert!(ended.is_some_and(|ended| ended.is_ok()) || std::thread::panicking());
    }
}

fn connect(socket: &PathBuf) -> UnixStream {
    let stream = UnixStream::connect(socket).unwrap();
    stream.set_write_timeout(Some(Duration::from_millis(50))).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(20))).unwrap();
    stream
}

fn request(id: usize, method: &str, params: &Value) -> String {
    format!("{}\n", json!({"jsonrpc": "2.0", "id": id, "method": method, "params": params}))
}

/// Writes; what the daemon doesn't take in time is lost.
fn write(stream: &mut UnixStream, bytes: &[u8]) {
    if let Err(error) = stream.write_all(bytes) {
        assert!(matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut), "{error}");
    }
}

fn ask_all(daemon: &Daemon, requests: impl Iterator<Item = (&'static str, Value)>) -> UnixStream {
    let mut stream = connect(&daemon.socket());
    for (id, (method, params)) in requests.enumerate() {
        write(&mut stream, request(id, method, &params).as_bytes());
    }
    stream
}

fn stall(daemon: &Daemon) -> Box<dyn Any> {
    let params = json!({"meter": "m", "interval_s": 0, "integration_s": 0.05});
    Box::new(ask_all(daemon, (0..64).map(|_| ("meter.observe", params.clone()))))
}

fn take_no_answers(daemon: &Daemon) -> Box<dyn Any> {
    Box::new(ask_all(daemon, (0..2000).map(|_| ("log.readings", json!({"limit": 1000})))))
}

fn flood(daemon: &Daemon) -> Box<dyn Any> {
    let mut stream = connect(&daemon.socket());
    let mut lengths = (0..).map(|number| 0.05 + 0.0001 * f64::from(1 + number % 100));
    for id in 0..64 {
        let params = json!({"meter": "m", "integration_s": lengths.next()});
        write(&mut stream, request(id, "meter.read", &params).as_bytes());
    }
    // For each answer, the next.
    let mut byte = [0];
    GoingOn::over_and_over(move || {
        stream.read_exact(&mut byte).unwrap();
        if byte == *b"\n" {
            let params = json!({"meter": "m", "integration_s": lengths.next()});
            write(&mut stream, request(0, "meter.read", &params).as_bytes());
        }
    })
}

fn settle(daemon: &Daemon) -> Box<dyn Any> {
    let settling = |number: i32| json!({"meter": "m", "integration_s": 0.05 + 0.0001 * f64::from(number), "progress": true});
    Box::new(ask_all(daemon, (1..65).map(|number| ("meter.settle", settling(number)))))
}

fn trickle(daemon: &Daemon) -> Box<dyn Any> {
    let mut streams: Vec<_> = (0..100).map(|_| connect(&daemon.socket())).collect();
    let mut bytes = request(1, "daemon.status", &json!({})).into_bytes();
    GoingOn::over_and_over(move || {
        for stream in &mut streams {
            write(stream, &bytes[..1]);
        }
        bytes.rotate_left(1);
        std::thread::park_timeout(Duration::from_millis(20));
    })
}

fn forget_a_lease(daemon: &Daemon) -> Box<dyn Any> {
    let mut holder = Relay::start(&daemon.socket());
    holder.ask(1, "meter.lease", &json!({"meter": "m", "ttl_s": 1, "wait_s": 20}));
    let granted = holder.line();
    assert!(granted.contains("\"lease\""), "{granted}");
    // It watches, too, and asks for no turns, which it would have once its lease is lost.
    holder.ask(2, "meter.observe", &json!({"meter": "m"}));
    holder.signal(Signal::SIGSTOP);
    let mut client = daemon.client();
    wait_until("the lease is lost", || {
        client.call("meters.list", &json!({}))["meters"][0]["lease"].is_null()
    });
    Box::new(holder)
}

fn reset(daemon: &Daemon) -> Box<dyn Any> {
    let socket = daemon.socket();
    GoingOn::over_and_over(move || {
        let mut stream = connect(&socket);
        let hello = request(1, "hello", &json!({}));
        write(&mut stream, hello.as_bytes());
        // The answer has come, and goes unread.
        poll(&mut [PollFd::new(stream.as_fd(), PollFlags::POLLIN)], PollTimeout::NONE).unwrap();
        write(&mut stream, &hello.as_bytes()[..20]);
        std::thread::park_timeout(Duration::from_millis(1));
    })
}

fn subscribe(daemon: &Daemon) -> Box<dyn Any> {
    let mut stream = ask_all(daemon, (0..1000).map(|_| ("meter.observe", json!({"meter": "m"}))));
    // Those that are too many are refused, each.
    let (mut bytes, mut taken, mut refused) = (Vec::new(), vec![0; 65536], 0);
    while refused < 1000 - 64 {
        let count = stream.read(&mut taken).unwrap();
        bytes.extend_from_slice(&taken[..count]);
        refused = bytes
            .split(|byte| *byte == b'\n')
            .filter(|line| line.windows(10).any(|it| it == b"overloaded"))
            .count();
    }
    Box::new(stream)
}

fn never_end(daemon: &Daemon) -> Box<dyn Any> {
    let mut stream = connect(&daemon.socket());
    let bytes = vec![b'['; 65536];
    GoingOn::over_and_over(move || {
        write(&mut stream, &bytes);
        std::thread::park_timeout(Duration::from_millis(5));
    })
}

fn batch(daemon: &Daemon) -> Box<dyn Any> {
    let mut stream = connect(&daemon.socket());
    let call = |id| json!({"jsonrpc": "2.0", "id": id, "method": "log.readings", "params": {"limit": 1000}});
    let calls = format!("{}\n", json!((0..64).map(call).collect::<Vec<_>>()));
    let mut taken = vec![0; 65536];
    GoingOn::over_and_over(move || {
        write(&mut stream, calls.as_bytes());
        let mut more = true;
        while more {
            let count = stream.read(&mut taken).unwrap();
            more = !taken[..count].ends_with(b"\n");
        }
    })
}

fn babble(daemon: &Daemon) -> Box<dyn Any> {
    let mut stream = connect(&daemon.socket());
    let mut answers = stream.try_clone().unwrap();
    let nonsense = b"}{\xff\n[[[[[\n{\"jsonrpc\":\"2.0\",\"id\":[],\"method\":7}\n".repeat(20);
    let mut taken = vec![0; 65536];
    GoingOn::over_and_over(move || {
        write(&mut stream, &nonsense);
        assert!(answers.read(&mut taken).unwrap() > 0);
        std::thread::park_timeout(Duration::from_millis(2));
    })
}

pub(super) fn storm(daemon: &Daemon) -> Box<dyn Any> {
    let socket = daemon.socket();
    let mut held = VecDeque::new();
    for _ in 0..STORM.1 {
        held.push_back(connect(&socket));
        if held.len() > STORM.0 {
            held.pop_front();
        }
    }
    Box::new(held)
}
