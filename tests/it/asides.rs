//! What `settle` says beside its answer: how far it is, unless `--quiet`; what it asks for, with `--verbose`.

use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::UnixListener;
use std::process::Command;

use serde_json::{Value, json};

use crate::support::daemon::{Daemon, program};

const BENCH: &str = "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"bench\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\n";

/// What a terminal shows of `settle` with these arguments, at this socket.
fn at_a_terminal(socket: &std::path::Path, arguments: &str) -> String {
    typed(&format!("{} --socket {} {arguments}", program("settle").display(), socket.display()))
}

/// What a terminal shows of a line for the shell.
fn typed(command: &str) -> String {
    let mut script = Command::new("script");
    script.args(["--quiet", "--return", "--command", command, "/dev/null"]);
    let output = script.stdin(std::process::Stdio::null()).output().unwrap();
    assert!(output.status.success(), "{command}: {output:?}");
    String::from_utf8(output.stdout).unwrap()
}

/// A daemon that takes its time: it answers each request once a pause is over that is longer than it takes to wonder.
fn slow_daemon(socket: &std::path::Path, result: Value, requests: usize) -> std::thread::JoinHandle<()> {
    let listener = UnixListener::bind(socket).unwrap();
    std::thread::spawn(move || {
        for _ in 0..requests {
            let (stream, _) = listener.accept().unwrap();
            let mut lines = BufReader::new(stream.try_clone().unwrap()).lines();
            let request: Value = serde_json::from_str(&lines.next().unwrap().unwrap()).unwrap();
            std::thread::park_timeout(std::time::Duration::from_secs(3));
            let answer = json!({"jsonrpc": "2.0", "id": request["id"], "result": result});
            writeln!(&stream, "{answer}").unwrap();
            // Until the client is gone.
            while let Some(Ok(_)) = lines.next() {}
        }
    })
}

#[test]
fn what_takes_longer_than_it_takes_to_wonder_shows_at_a_terminal_that_it_goes_on_unless_quiet() {
    let folder = tempfile::tempdir().unwrap();
    let socket = folder.path().join("socket");
    let result = json!({"sound": true, "readings": 7, "events": 1, "bins": 0, "problems": []});
    let daemon = slow_daemon(&socket, result, 2);
    let shown = at_a_terminal(&socket, "log check");
    assert!(shown.contains("looking through the log: 2") && shown.contains("7 readings"), "{shown}");
    let quiet = at_a_terminal(&socket, "--quiet log check");
    assert!(!quiet.contains("looking through") && quiet.contains("7 readings"), "{quiet}");
    daemon.join().unwrap();
}

#[test]
fn a_long_recording_that_is_assessed_shows_at_a_terminal_how_far_it_is_unless_quiet() {
    let settle = program("settle").display().to_string();
    // As many lines as it takes to look at the time once more, after a pause that is longer than it takes to wonder.
    let lines = "awk 'BEGIN { print \"t_s,Y\"; for (t = 0; t < 9000; t++) { if (t == 100) { system(\"sleep 2.5\") } print t \",100\" } }'";
    let shown = typed(&format!("{lines} | {settle} assess --json - > /dev/null"));
    assert!(shown.contains(" lines so far"), "{shown}");
    let quiet = typed(&format!("{lines} | {settle} --quiet assess --json - > /dev/null"));
    assert!(!quiet.contains("so far"), "{quiet}");
}

#[test]
fn quiet_leaves_away_how_far_it_is_and_nothing_else() {
    let daemon = Daemon::start(BENCH);
    daemon.client().wait_for_state("bench", "ready");
    let run = ["run", "drift", "bench", "--for", "2s", "--interval", "0", "--wait"];
    let told = daemon.run_settle(&run);
    let quiet = daemon.run_settle(&[&run[..], &["--quiet"]].concat());
    assert!(!told.stderr.is_empty() && quiet.stderr.is_empty(), "{told:?} {quiet:?}");
    assert!(!quiet.stdout.is_empty());
    // An error is said all the same.
    let wrong = daemon.run_settle(&["--quiet", "read", "bnech"]);
    assert!(wrong.status.code() == Some(1) && !wrong.stderr.is_empty(), "{wrong:?}");
}

#[test]
fn verbose_says_which_socket_was_found_what_is_asked_for_and_how_long_answers_took() {
    let daemon = Daemon::start(BENCH);
    daemon.client().wait_for_state("bench", "ready");
    let output = daemon.run_settle(&["--verbose", "--json", "meters"]);
    let words = String::from_utf8(output.stderr).unwrap();
    let lines: Vec<&str> = words.lines().collect();
    assert_eq!(lines.len(), 2, "{words}");
    assert!(lines[0].contains(&format!("{}: connected", daemon.socket().display())), "{words}");
    assert!(lines[1].contains("meters.list: answered after ") && lines[1].ends_with(" ms"), "{words}");
    // The answer is what it was.
    let _object: Value = serde_json::from_slice(&output.stdout).unwrap();
    let refused = daemon.run_settle(&["--verbose", "read", "nobody"]);
    let words = String::from_utf8(refused.stderr).unwrap();
    assert!(words.contains("meter.read: refused after ") && words.contains("NoSuchMeter"), "{words}");
    let both = daemon.run_settle(&["--verbose", "--quiet", "meters"]);
    assert_eq!(both.status.code(), Some(2));
    // The daemon within the demo has its own words, which are not these.
    let mut demo = Command::new(program("settle"));
    let demo = demo.args(["--verbose", "--json", "demo"]).output().unwrap();
    let words = String::from_utf8(demo.stderr).unwrap();
    assert!(demo.status.success(), "{words}");
    assert!(
        words.lines().all(|line| line.contains("answered after") || line.contains("connected")),
        "{words}"
    );
}
