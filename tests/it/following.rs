//! `settle observe` across the daemon's end and its new start: no gap and no repeat that isn't told.

use std::fs::File;
use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::{UnixListener, UnixStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command};
use std::sync::mpsc;
use std::thread;

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::{Value, json};

use crate::support::daemon::{Daemon, program, wait_until};

const CONFIG: &str = "[log]\npath = \"log.sqlite\"\nsurvives = \"crash\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\n[[meter]]\nid = \"other\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\n";

/// `settle --json observe`, whose words are read while it goes on.
struct Observer {
    child: Child,
    out: PathBuf,
    said: PathBuf,
}

impl Observer {
    fn start(daemon: &Daemon, arguments: &[&str]) -> Self {
        let (out, said) = (daemon.path("observed"), daemon.path("said"));
        let arguments = [&["--json", "observe", "m"], arguments].concat();
        let child = daemon
            .settle(&arguments)
            .stdout(File::create(&out).unwrap())
            .stderr(File::create(&said).unwrap())
            .spawn()
            .unwrap();
        Self { child, out, said }
    }

    fn lines(path: &PathBuf) -> Vec<Value> {
        let text = std::fs::read_to_string(path).unwrap();
        // The last line may be half written.
        let whole = text.rfind('\n').map_or("", |end| &text[..end]);
        whole.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
    }

    fn given(&self) -> Vec<Value> {
        Self::lines(&self.out)
    }

    fn said(&self) -> Vec<Value> {
        Self::lines(&self.said)
    }

    /// What it says of the daemon's coming back, each time.
    fn returns(&self) -> Vec<Value> {
        let daemon = self.said().into_iter().map(|mut line| line["daemon"].take());
        daemon.filter(|daemon| daemon["state"] == "back").collect()
    }

    fn sees_more(&self) {
        let before = self.given().len();
        wait_until("the observer sees more readings", || self.given().len() > before + 5);
    }

    fn is_back(&self, times: usize) {
        wait_until("the observer is back", || self.returns().len() == times);
    }

    fn interrupt(&mut self) {
        kill(Pid::from_raw(i32::try_from(self.child.id()).unwrap()), Signal::SIGINT).unwrap();
        assert_eq!(self.child.wait().unwrap().code(), Some(130));
    }
}

impl Drop for Observer {
    fn drop(&mut self) {
        let _gone = self.child.kill().is_ok() && self.child.wait().is_ok();
    }
}

fn sequence(reading: &Value) -> u64 {
    reading["sequence"].as_u64().unwrap()
}

/// The meter's readings in the log, from one number to another.
fn logged(daemon: &Daemon, from: u64, to: u64) -> Vec<Value> {
    let all = daemon.client().logged().into_iter();
    all.filter(|reading| reading["meter"] == "m" && (from..=to).contains(&sequence(reading))).collect()
}

#[test]
fn a_daemon_that_is_killed_again_and_again_costs_an_observer_no_reading_and_gives_none_twice() {
    let mut daemon = Daemon::start(CONFIG);
    let mut observer = Observer::start(&daemon, &["--interval", "10ms"]);
    for times in 1..=6 {
        observer.sees_more();
        if times % 3 == 0 {
            daemon.signal(Signal::SIGTERM);
            daemon.ended();
        } else {
            daemon.kill();
        }
        daemon.launch();
        let mut client = daemon.client();
        // As likely as not before the observer is back: the log has them for it.
        for meter in ["m", "other", "m"] {
            client.wait_for_state(meter, "ready");
            client.call("meter.read", &json!({"meter": meter}));
        }
        observer.is_back(times);
    }
    observer.sees_more();
    observer.interrupt();
    let given = observer.given();
    let expected = logged(&daemon, sequence(&given[0]), sequence(&given[given.len() - 1]));
    let last = sequence(&expected[expected.len() - 1]);
    assert!(given.len() > 40 && last > 1_000_000, "{} readings, up to {last}: none was skipped", given.len());
    assert_eq!(given, expected);
    for back in observer.returns() {
        assert_eq!((&back["anew"], &back["missed"]), (&json!(true), &Value::Null));
    }
    assert!(observer.said().iter().all(|line| line.get("missed").is_none()), "{:?}", observer.said());
}

#[test]
fn an_observer_of_readings_that_nobody_logs_is_told_that_some_are_missing() {
    let mut daemon = Daemon::start(&CONFIG.replace("log.sqlite", "off"));
    let mut observer = Observer::start(&daemon, &["--interval", "10ms"]);
    observer.sees_more();
    daemon.kill();
    daemon.launch();
    observer.is_back(1);
    observer.sees_more();
    observer.interrupt();
    assert_eq!(observer.returns(), [json!({"state": "back", "anew": true, "missed": "no_log"})]);
    // Without a log numbers begin anew.
    let numbers: Vec<u64> = observer.given().iter().map(sequence).collect();
    assert_eq!(numbers.iter().filter(|number| **number == 1).count(), 2, "{numbers:?}");
}

#[test]
fn an_observer_whose_log_was_replaced_is_told_and_sees_what_the_new_one_has() {
    let mut daemon = Daemon::start(CONFIG);
    for _ in 0..3 {
        daemon.client().call("meter.read", &json!({"meter": "m"}));
    }
    let mut observer = Observer::start(&daemon, &[]);
    daemon.client().wait_for_state("m", "ready");
    wait_until("the observer is there", || {
        daemon.client().call("meter.read", &json!({"meter": "m"}));
        !observer.given().is_empty()
    });
    // Under the last number that was given, and beyond it: the numbers alone tell nothing of the second.
    for (times, readings) in [(1, 1), (2, 200)] {
        daemon.kill();
        for file in ["log.sqlite", "log.sqlite-wal", "log.sqlite-shm"] {
            let _there = std::fs::remove_file(daemon.path(file)).is_ok();
        }
        let before = observer.given().len();
        daemon.launch();
        for _ in 0..readings {
            daemon.client().call("meter.read", &json!({"meter": "m"}));
        }
        observer.is_back(times);
        wait_until("the new log's readings are seen", || observer.given().len() >= before + readings);
        let numbers: Vec<u64> = observer.given()[before..].iter().map(sequence).collect();
        assert_eq!(numbers, (1..=readings as u64).collect::<Vec<_>>());
    }
    observer.interrupt();
    for back in observer.returns() {
        assert_eq!(back, json!({"state": "back", "anew": true, "missed": "other_log"}));
    }
}

#[test]
fn people_are_told_in_words_that_the_daemon_has_gone_and_that_it_is_back() {
    let mut daemon = Daemon::start(CONFIG);
    let said = daemon.path("words");
    let mut child = daemon
        .settle(&["observe", "m", "--interval", "10ms", "--count", "50"])
        .stdout(File::create(daemon.path("readings")).unwrap())
        .stderr(File::create(&said).unwrap())
        .spawn()
        .unwrap();
    let words = || std::fs::read_to_string(&said).unwrap();
    wait_until("it sees a reading", || std::fs::metadata(daemon.path("readings")).unwrap().len() > 0);
    daemon.kill();
    wait_until("it says so", || words().contains("the daemon has gone"));
    daemon.launch();
    assert!(child.wait().unwrap().success());
    let words = words();
    assert!(words.contains("started anew answers: readings go on where they ended"), "{words}");
    assert_eq!(std::fs::read_to_string(daemon.path("readings")).unwrap().lines().count(), 50);
}

#[test]
fn an_observer_begins_at_a_number_or_a_moment_of_the_log_and_goes_on_with_what_comes() {
    let daemon = Daemon::start(CONFIG);
    let mut client = daemon.client();
    let mut read = |meter: &str| client.call("meter.read", &json!({"meter": meter}));
    let readings: Vec<Value> = ["m", "other", "m", "m", "other", "m"].map(&mut read).to_vec();
    let number = readings[0]["sequence"].to_string();
    let moment = readings[1]["at"].as_str().unwrap();
    for since in [number.as_str(), moment] {
        let mut observer = Observer::start(&daemon, &["--since", since, "--count", "4"]);
        let before = [&readings[2], &readings[3], &readings[5]].map(sequence);
        wait_until("the log's are seen", || observer.given().len() >= 3);
        let next = read("m");
        assert!(observer.child.wait().unwrap().success());
        let numbers: Vec<u64> = observer.given().iter().map(sequence).collect();
        // A later round finds what an earlier one has read in the log, too.
        assert_eq!(numbers[..3], before, "{since}");
        assert!(numbers[3] <= sequence(&next) && numbers[3] > before[2], "{since}: {numbers:?}");
    }
}

#[test]
fn what_the_log_can_not_serve_is_refused_at_once() {
    let daemon = Daemon::start(CONFIG);
    let off = Daemon::start(&CONFIG.replace("log.sqlite", "off"));
    for (daemon, since, status, words) in [
        (&daemon, "9000000", 2, "this log's last sequence"),
        (&daemon, "yesterday", 2, "+01:00, or a reading's number"),
        (&off, "0", 1, "settle status"),
        (&off, "2026-11-25T18:00:00Z", 1, "settle status"),
    ] {
        let output = daemon.run_settle(&["observe", "m", "--since", since]);
        let said = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(status), "{since}: {said}");
        assert!(said.contains(words), "{since}: {said}");
    }
}

#[test]
fn what_is_yet_to_come_is_no_place_to_begin_and_an_offset_is_understood() {
    let daemon = Daemon::start(CONFIG);
    daemon.client().call("meter.read", &json!({"meter": "m"}));
    for arguments in [["observe", "m"].as_slice(), &["log", "readings"], &["log", "events"]] {
        let run = |since| daemon.run_settle(&[arguments, &["--since", since]].concat());
        let output = run("2199-01-01T00:00:00Z");
        let said = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(2), "{arguments:?}: {said}");
        assert!(said.contains("--since must not be in the future"), "{said}");
    }
    let past = daemon.run_settle(&["log", "readings", "--since", "2001-01-01T01:00:00+01:00", "--json"]);
    assert_eq!((past.status.code(), past.stdout.iter().filter(|byte| **byte == b'\n').count()), (Some(0), 1));
    let quiet = daemon.settle(&["observe", "m"]).stderr(std::process::Stdio::piped()).spawn();
    let mut quiet = quiet.unwrap();
    let mut said = String::new();
    BufReader::new(quiet.stderr.take().unwrap()).read_line(&mut said).unwrap();
    assert_eq!(said, "watching; nobody takes readings: --interval TIME takes some\n");
    quiet.kill().unwrap();
    quiet.wait().unwrap();
}

#[test]
fn readings_that_are_thinned_out_stay_so_across_a_return() {
    let mut daemon = Daemon::start(CONFIG);
    let mut observer = Observer::start(&daemon, &["--interval", "10ms", "--every", "500ms"]);
    wait_until("it sees some", || observer.given().len() >= 3);
    daemon.kill();
    daemon.launch();
    observer.is_back(1);
    let before = observer.given().len();
    wait_until("it sees some more", || observer.given().len() >= before + 3);
    observer.interrupt();
    let given = observer.given();
    let times: Vec<f64> = given.iter().map(|reading| reading["t_s"].as_f64().unwrap()).collect();
    // Of each half second the first comes: it may be late, and the next on time.
    let pauses: Vec<f64> = times.windows(2).map(|pair| pair[1] - pair[0]).collect();
    assert!(pauses.iter().all(|pause| *pause > 0.25), "{pauses:?}");
    let all = logged(&daemon, sequence(&given[0]), sequence(&given[given.len() - 1]));
    assert!(all.len() > 5 * given.len(), "{} of {}", given.len(), all.len());
    assert!(observer.said().iter().all(|line| line.get("missed").is_none()), "{:?}", observer.said());
}

/// Carries one connection's lines to the daemon and back; but the daemon hears no `meters.observe` where it `hangs`. Gives the
/// client's end of it, and that it has asked for this.
fn carry(listener: &UnixListener, daemon: &Path, hangs: bool) -> (UnixStream, mpsc::Receiver<()>) {
    let mut accepted = None;
    wait_until("it connects", || {
        accepted = listener.accept().ok();
        accepted.is_some()
    });
    let (theirs, _) = accepted.unwrap();
    theirs.set_nonblocking(false).unwrap();
    let (mut to_daemon, (tell, told)) = (UnixStream::connect(daemon).unwrap(), mpsc::channel());
    let (mut back, mut from_daemon) = (theirs.try_clone().unwrap(), to_daemon.try_clone().unwrap());
    thread::spawn(move || std::io::copy(&mut from_daemon, &mut back));
    let lines = BufReader::new(theirs.try_clone().unwrap()).lines();
    thread::spawn(move || {
        for line in lines.map_while(Result::ok) {
            let asks = line.contains("meters.observe");
            if (asks && tell.send(()).is_err()) || !(asks && hangs) && writeln!(to_daemon, "{line}").is_err()
            {
                return;
            }
        }
    });
    (theirs, told)
}

#[test]
fn a_daemon_that_comes_back_and_then_hangs_does_not_keep_an_observer_from_being_interrupted() {
    let patience = std::time::Duration::from_secs(20);
    let daemon = Daemon::start(CONFIG);
    let between = daemon.path("between");
    let listener = UnixListener::bind(&between).unwrap();
    listener.set_nonblocking(true).unwrap();
    let mut settle = Command::new(program("settle"));
    let mut child = settle.arg("--socket").arg(&between).args(["observe", "m"]).spawn().unwrap();
    let (first, asked) = carry(&listener, &daemon.socket(), false);
    asked.recv_timeout(patience).unwrap();
    first.shutdown(std::net::Shutdown::Both).unwrap();
    let (_second, asked) = carry(&listener, &daemon.socket(), true);
    asked.recv_timeout(patience).unwrap();
    kill(Pid::from_raw(i32::try_from(child.id()).unwrap()), Signal::SIGINT).unwrap();
    let mut ended = None;
    wait_until("it ends", || {
        ended = child.try_wait().unwrap();
        ended.is_some()
    });
    assert_eq!(ended.unwrap().code(), Some(130));
}
