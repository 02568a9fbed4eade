//! `settle lease`: a command that has a meter for itself, and what becomes of it.

use std::fs::File;
use std::io::{BufRead, BufReader, Write};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::{Value, json};

use crate::support::daemon::{Daemon, program, wait_until};

const CONFIG: &str = "[log]\npath = \"log.sqlite\"\nsurvives = \"crash\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\n[[meter]]\nid = \"other\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\n";

/// `settle lease` around a shell that says things and waits to be told to go on.
struct Leased {
    child: Child,
    lines: std::io::Lines<BufReader<std::process::ChildStdout>>,
    said: PathBuf,
}

impl Leased {
    fn start(daemon: &Daemon, name: &str, arguments: &[&str], script: &str) -> Self {
        let said = daemon.path(name);
        let mut settle = daemon.settle(&[&["lease"], arguments, &["--", "sh", "-c", script]].concat());
        // A group of its own: else, at a terminal, a Ctrl-C would be taken for one that the command has got, too.
        let child = within_reach(&mut settle)
            .process_group(0)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(File::create(&said).unwrap());
        let mut child = child.spawn().unwrap();
        let lines = BufReader::new(child.stdout.take().unwrap()).lines();
        Self { child, lines, said }
    }

    /// The next line that the command says.
    fn hear(&mut self) -> String {
        self.lines.next().expect("a line").unwrap()
    }

    /// Lets the command go on.
    fn tell(&mut self) {
        self.child.stdin.as_mut().unwrap().write_all(b"\n").unwrap();
    }

    /// Lets it go on to its end, and gives the exit status.
    fn end(&mut self) -> Option<i32> {
        drop(self.child.stdin.take());
        self.child.wait().unwrap().code()
    }

    fn said(&self) -> String {
        std::fs::read_to_string(&self.said).unwrap()
    }

    fn signal(&self, signal: Signal) {
        kill(Pid::from_raw(i32::try_from(self.child.id()).unwrap()), signal).unwrap();
    }
}

impl Drop for Leased {
    fn drop(&mut self) {
        let _gone = self.child.kill().is_ok() && self.child.wait().is_ok();
    }
}

/// With `settle` in the `PATH`.
fn within_reach(command: &mut Command) -> &mut Command {
    let folder = program("settle").parent().map(Path::to_owned).unwrap();
    let path = std::env::var("PATH").unwrap_or_default();
    command.env("PATH", format!("{}:{path}", folder.display()))
}

fn is_free(daemon: &Daemon) -> bool {
    let meters = daemon.client().call("meters.list", &json!({}));
    meters["meters"].as_array().unwrap().iter().all(|meter| meter.get("lease").is_none())
}

#[test]
fn a_command_has_the_meter_for_itself_and_its_own_settle_reads_it() {
    let daemon = Daemon::start(CONFIG);
    let script = "echo \"$SETTLED_LEASE $SETTLED_SOCKET\"; settle --json read m; settle observe m --interval 0 --count 1; read wait";
    let mut leased = Leased::start(&daemon, "said", &["m", "--purpose", "batch 7"], script);
    let environment = leased.hear();
    let (token, socket) = environment.split_once(' ').unwrap();
    assert!(token.starts_with("m=") && token.len() > 10, "{token}");
    assert_eq!(Path::new(socket), daemon.socket());
    let reading: Value = serde_json::from_str(&leased.hear()).unwrap();
    assert_eq!(reading["meter"], "m");
    assert!(leased.hear().contains("cd/m²"));

    assert_eq!(daemon.client().refusal("meter.read", &json!({"meter": "m"})), "leased");
    daemon.client().call("meter.read", &json!({"meter": "other"}));
    let meters = String::from_utf8(daemon.run_settle(&["meters"]).stdout).unwrap();
    assert!(meters.contains("leased by settle lease") && meters.contains("\"batch 7\""), "{meters}");
    for arguments in [["read", "m"].as_slice(), &["read", "m", "--settled"], &["zero", "m", "--covered"]] {
        let refused = daemon.run_settle(arguments);
        let words = String::from_utf8(refused.stderr).unwrap();
        assert_eq!(refused.status.code(), Some(1), "{arguments:?}: {words}");
        assert!(words.contains("--wait TIME"), "{arguments:?}: {words}");
    }
    assert_eq!(leased.end(), Some(1), "{}", leased.said());
    assert_eq!(leased.said(), "");
    daemon.client().call("meter.read", &json!({"meter": "m"}));
    assert!(is_free(&daemon));
}

#[test]
fn it_ends_as_its_command_does() {
    let daemon = Daemon::start(CONFIG);
    let no_program = daemon.path("settled.toml").display().to_string();
    for (command, status) in [
        (["sh", "-c", "exit 0"].as_slice(), 0),
        (&["sh", "-c", "exit 7"], 7),
        (&["sh", "-c", "kill -9 $$"], 137),
        (&["sh", "-c", "kill -TERM $$"], 143),
        (&["/nonexistent/command"], 127),
        (&[no_program.as_str()], 126),
    ] {
        let output = daemon.run_settle(&[&["lease", "m", "--"], command].concat());
        assert_eq!(output.status.code(), Some(status), "{command:?}");
        assert!(is_free(&daemon), "{command:?}");
    }
    let output = daemon.run_settle(&["--json", "lease", "m", "--", "/nonexistent/command"]);
    let error: Value = serde_json::from_slice(&output.stderr).unwrap();
    assert_eq!(error["error"]["data"]["kind"], "command");
    let output = daemon.run_settle(&["lease", "nope", "--", "true"]);
    assert_eq!(output.status.code(), Some(125));
    assert!(String::from_utf8(output.stderr).unwrap().contains("configured: m, other"));
    assert_eq!(daemon.run_settle(&["lease", "m"]).status.code(), Some(2));
}

#[test]
fn signals_are_passed_on_and_a_settle_that_is_killed_takes_its_command_along() {
    let daemon = Daemon::start(CONFIG);
    let script = "trap 'exit 9' TERM INT HUP; echo $$; while :; do read -r line < fifo; done";
    let fifo = daemon.path("fifo");
    nix::unistd::mkfifo(&fifo, nix::sys::stat::Mode::S_IRWXU).unwrap();
    let script = script.replace("fifo", &fifo.display().to_string());
    for signal in [Signal::SIGTERM, Signal::SIGINT, Signal::SIGHUP] {
        let mut leased = Leased::start(&daemon, "said", &["m"], &script);
        leased.hear();
        leased.signal(signal);
        assert_eq!(leased.child.wait().unwrap().code(), Some(9), "{signal}");
        assert!(is_free(&daemon), "{signal}");
    }
    let mut leased = Leased::start(&daemon, "said", &["m"], &script);
    let command = leased.hear();
    leased.signal(Signal::SIGKILL);
    wait_until("the command is gone", || !Path::new("/proc").join(&command).exists());
    wait_until("the meter is free", || is_free(&daemon));
}

#[test]
fn who_waits_is_told_for_whom_and_comes_next() {
    let daemon = Daemon::start(CONFIG);
    let mut first =
        Leased::start(&daemon, "first", &["m", "--purpose", "a night's drift"], "echo in; read wait");
    first.hear();
    let mut second = Leased::start(&daemon, "second", &["m", "--wait", "1h"], "echo in; read wait");
    wait_until("the second says for whom it waits", || second.said().contains("waiting"));
    assert!(second.said().contains("m is leased by settle lease"), "{}", second.said());
    assert!(second.said().contains("\"a night's drift\""), "{}", second.said());
    let impatient = daemon.run_settle(&["lease", "m", "--wait", "0", "--", "true"]);
    let words = String::from_utf8(impatient.stderr).unwrap();
    assert_eq!(impatient.status.code(), Some(125), "{words}");
    assert!(words.contains("a night's drift") && words.contains("--wait"), "{words}");
    first.end();
    assert_eq!(second.hear(), "in");
    let mut reader = daemon.settle(&["read", "m", "--wait", "1h"]);
    let reader =
        reader.stdout(Stdio::piped()).stderr(File::create(daemon.path("reader")).unwrap()).spawn().unwrap();
    wait_until("the reader says for whom it waits", || {
        std::fs::read_to_string(daemon.path("reader")).unwrap().contains("leased by settle lease")
    });
    second.end();
    let output = reader.wait_with_output().unwrap();
    assert!(output.status.success() && String::from_utf8(output.stdout).unwrap().contains("cd/m²"));
}

#[test]
fn who_waits_in_vain_can_leave_with_ctrl_c_and_leaves_nothing_behind() {
    let daemon = Daemon::start(CONFIG);
    let mut first = Leased::start(&daemon, "first", &["m"], "echo in; read wait");
    first.hear();
    let mut second = Leased::start(&daemon, "second", &["m", "--wait", "1h"], "echo in");
    wait_until("the second waits", || second.said().contains("waiting"));
    second.signal(Signal::SIGINT);
    assert_eq!(second.child.wait().unwrap().code(), Some(130));
    first.end();
    daemon.client().call("meter.read", &json!({"meter": "m"}));
    assert!(is_free(&daemon));
}

#[test]
fn a_lease_within_a_lease_is_added() {
    let daemon = Daemon::start(CONFIG);
    let inner =
        "settle lease other -- sh -c 'echo $SETTLED_LEASE; settle read m --json; settle read other --json'";
    let mut leased = Leased::start(&daemon, "said", &["m"], inner);
    let tokens = leased.hear();
    let of: Vec<&str> = tokens.split(',').map(|lease| lease.split_once('=').unwrap().0).collect();
    assert_eq!(of, ["m", "other"], "{tokens}");
    for meter in ["m", "other"] {
        let reading: Value = serde_json::from_str(&leased.hear()).unwrap();
        assert_eq!(reading["meter"], meter);
    }
    assert_eq!(leased.end(), Some(0), "{}", leased.said());
}

#[test]
fn a_lease_is_renewed_for_as_long_as_its_command_runs_by_the_daemons_clock() {
    // A second lasts a twentieth of one: a lease of 10 s must be renewed within half a second.
    let daemon = Daemon::start(&format!("[clock]\nspeed = 20\n{CONFIG}"));
    let mut leased =
        Leased::start(&daemon, "said", &["m", "--ttl", "10s"], "echo in; read wait; settle read m");
    leased.hear();
    let mut client = daemon.client();
    let mut uptime_s = || client.call("daemon.status", &json!({}))["uptime_s"].as_f64().unwrap();
    let start_s = uptime_s();
    wait_until("it must have been renewed several times", || uptime_s() > start_s + 60.0);
    assert_eq!(daemon.client().refusal("meter.read", &json!({"meter": "m"})), "leased");
    leased.tell();
    assert_eq!(leased.end(), Some(0), "{}", leased.said());
    assert_eq!(leased.said(), "");
}

#[test]
fn a_lease_that_is_lost_with_its_daemon_is_said_once_and_nothing_is_read_under_it() {
    let mut daemon = Daemon::start(CONFIG);
    let script = "echo in; read wait; settle --json read m 2>&1; read wait; exit 5";
    let mut leased = Leased::start(&daemon, "said", &["m"], script);
    leased.hear();
    daemon.kill();
    daemon.launch();
    wait_until("it is said", || leased.said().contains("lost"));
    leased.tell();
    let refused: Value = serde_json::from_str(&leased.hear()).unwrap();
    assert_eq!(refused["error"]["data"]["kind"], "lease_lost", "{refused}");
    assert_eq!(leased.end(), Some(5));
    assert_eq!(leased.said().lines().count(), 1, "{}", leased.said());
}

#[test]
fn a_lease_that_is_lost_is_said_also_where_its_command_ends_with_its_daemon() {
    let mut daemon = Daemon::start(CONFIG);
    let mut leased = Leased::start(&daemon, "said", &["m", "--ttl", "1h"], "echo $$; read wait; exit 5");
    let command = leased.hear();
    // Stopped, it can't look at its connection before it hears of its command's end.
    leased.signal(Signal::SIGSTOP);
    daemon.kill();
    drop(leased.child.stdin.take());
    wait_until("the command has ended", || {
        let stat = std::fs::read_to_string(Path::new("/proc").join(&command).join("stat"));
        stat.is_ok_and(|stat| stat.contains(") Z "))
    });
    leased.signal(Signal::SIGCONT);
    assert_eq!(leased.end(), Some(5));
    assert_eq!(leased.said().matches("the lease on m is lost").count(), 1, "{}", leased.said());
}

#[test]
fn an_observer_is_told_why_nothing_is_read_for_it_and_sees_what_the_holder_reads() {
    let daemon = Daemon::start(CONFIG);
    let mut leased = Leased::start(&daemon, "said", &["m"], "echo in; read wait; settle read m; read wait");
    leased.hear();
    let (words, readings) = (daemon.path("words"), daemon.path("readings"));
    let mut observer = daemon.settle(&["observe", "m", "--interval", "0", "--count", "20"]);
    let mut observer = observer
        .stdout(File::create(&readings).unwrap())
        .stderr(File::create(&words).unwrap())
        .spawn()
        .unwrap();
    let seen = || std::fs::read_to_string(&readings).unwrap().lines().count();
    let said = || std::fs::read_to_string(&words).unwrap();
    wait_until("it says so", || {
        said().contains("m is leased by settle lease") || observer.try_wait().unwrap().is_some()
    });
    assert_eq!(seen(), 0, "{}", said());
    let mut script = daemon.settle(&["--json", "observe", "m", "--interval", "0"]);
    let mut script = script.stderr(Stdio::piped()).stdout(Stdio::null()).spawn().unwrap();
    let mut line = String::new();
    BufReader::new(script.stderr.take().unwrap()).read_line(&mut line).unwrap();
    let object: Value = serde_json::from_str(&line).unwrap();
    assert_eq!(object["lease"]["meter"], "m", "{object}");
    assert_eq!(object["lease"]["holder"]["client"], "settle lease", "{object}");
    script.kill().unwrap();
    script.wait().unwrap();
    leased.tell();
    leased.hear();
    wait_until("it sees the holder's", || seen() == 1);
    leased.end();
    assert!(observer.wait().unwrap().success());
    assert!(said().contains("m is back"), "{}", said());
}
