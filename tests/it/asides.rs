//! What `settle` says beside its answer: how far it is, unless `--quiet`; what it asks for, with `--verbose`.

use std::io::{BufRead, BufReader, Read, Write};
use std::os::unix::net::UnixListener;
use std::process::{Command, Stdio};
use std::sync::mpsc::{SyncSender, sync_channel};
use std::thread::JoinHandle;
use std::time::Duration;

use serde_json::{Value, json};

use crate::support::daemon::{Daemon, PATIENCE, program};

const BENCH: &str = "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"bench\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\n";

/// What a terminal shows of `settle` with these arguments, at this socket.
fn at_a_terminal(socket: &std::path::Path, arguments: &str) -> String {
    typed(&format!("{} --socket {} {arguments}", program("settle").display(), socket.display()))
}

/// What a terminal shows of a line for the shell.
fn typed(command: &str) -> String {
    typed_until(command, "", || {})
}

/// The same; something is done as soon as the terminal shows some words.
fn typed_until(command: &str, words: &str, seen: impl FnOnce()) -> String {
    let mut script = Command::new("script");
    script.args(["--quiet", "--return", "--command", command, "/dev/null"]);
    let mut child = script.stdin(Stdio::null()).stdout(Stdio::piped()).spawn().unwrap();
    let (mut stdout, mut shown, mut seen) = (child.stdout.take().unwrap(), Vec::new(), Some(seen));
    let mut bytes = [0; 4096];
    while let Ok(count @ 1..) = stdout.read(&mut bytes) {
        shown.extend_from_slice(&bytes[..count]);
        if String::from_utf8_lossy(&shown).contains(words)
            && let Some(seen) = seen.take()
        {
            seen();
        }
    }
    let shown = String::from_utf8(shown).unwrap();
    assert!(child.wait().unwrap().success(), "{command}: {shown}");
    shown
}

/// Longer than it takes to wonder.
const PAUSE: Duration = Duration::from_secs(3);

/// A daemon that takes its time: it answers each request once it is told to, or after so long a pause.
fn slow_daemon(
    socket: &std::path::Path,
    result: Value,
    pauses: Vec<Duration>,
) -> (SyncSender<()>, JoinHandle<()>) {
    let listener = UnixListener::bind(socket).unwrap();
    let (go, told) = sync_channel(1);
    let answering = std::thread::spawn(move || {
        for pause in pauses {
            let (stream, _) = listener.accept().unwrap();
            let mut lines = BufReader::new(stream.try_clone().unwrap()).lines();
            let request: Value = serde_json::from_str(&lines.next().unwrap().unwrap()).unwrap();
            let _told = told.recv_timeout(pause).is_ok();
            let answer = json!({"jsonrpc": "2.0", "id": request["id"], "result": result});
            writeln!(&stream, "{answer}").unwrap();
            // Until the client is gone.
            while let Some(Ok(_)) = lines.next() {}
        }
    });
    (go, answering)
}

#[test]
fn what_takes_longer_than_it_takes_to_wonder_shows_at_a_terminal_that_it_goes_on_unless_quiet() {
    let folder = tempfile::tempdir().unwrap();
    let socket = folder.path().join("socket");
    let result = json!({"sound": true, "readings": 7, "events": 1, "bins": 0, "problems": []});
    let (go, daemon) = slow_daemon(&socket, result, vec![PATIENCE, PAUSE]);
    let check = format!("{} --socket {} log check", program("settle").display(), socket.display());
    let shown = typed_until(&check, "looking through the log: ", || go.send(()).unwrap());
    assert!(shown.contains("looking through the log: ") && shown.contains("7 readings"), "{shown}");
    let quiet = at_a_terminal(&socket, "--quiet log check");
    assert!(!quiet.contains("looking through") && quiet.contains("7 readings"), "{quiet}");
    daemon.join().unwrap();
}

#[test]
fn a_long_recording_that_is_assessed_shows_at_a_terminal_how_far_it_is_unless_quiet() {
    let settle = program("settle").display().to_string();
    let folder = tempfile::tempdir().unwrap();
    let seen = folder.path().join("seen");
    // Each time as many lines as it takes to look at the time once more, until somebody has seen how far it is.
    let lines = |times: u32| {
        format!(
            "(i=0; echo t_s,Y; while [ ! -e {} ] && [ $i -lt {times} ]; do awk -v i=$i 'BEGIN {{ for (t = 0; t < 9000; t++) print i * 9000 + t \",100\" }}'; i=$((i + 1)); sleep 0.5; done)",
            seen.display()
        )
    };
    let shown = typed_until(
        &format!("{} | {settle} assess --json - > /dev/null", lines(100)),
        " lines so far",
        || std::fs::write(&seen, "").unwrap(),
    );
    assert!(shown.contains(" lines so far"), "{shown}");
    std::fs::remove_file(&seen).unwrap();
    let quiet = typed(&format!("{} | {settle} --quiet assess --json - > /dev/null", lines(6)));
    assert!(!quiet.contains("so far"), "{quiet}");
}

/// The rows that are left on a terminal so wide, of what was written to it: what is too long is wrapped unless that is switched off.
fn rows(shown: &str, columns: usize) -> Vec<String> {
    let (mut rows, mut row, mut at, mut wraps) = (vec![Vec::new()], 0, 0, true);
    let mut signs = shown.chars();
    while let Some(sign) = signs.next() {
        match sign {
            '\r' => at = 0,
            '\n' => row += 1,
            '\u{1b}' => {
                let code: String =
                    signs.by_ref().skip(1).take_while(|sign| !sign.is_ascii_alphabetic()).collect();
                // All that is erased here is from the cursor on; what is switched is whether lines wrap; all else is colours.
                match code.as_str() {
                    "" => {
                        rows.truncate(row + 1);
                        rows[row].truncate(at);
                    }
                    "?7" => wraps = !wraps,
                    _ => {}
                }
            }
            sign => {
                if at == columns && wraps {
                    (row, at) = (row + 1, 0);
                }
                at = at.min(columns - 1);
                rows.resize(rows.len().max(row + 1), Vec::new());
                let fill = rows[row].len().max(at + 1);
                rows[row].resize(fill, ' ');
                rows[row][at] = sign;
                at += 1;
            }
        }
        rows.resize(rows.len().max(row + 1), Vec::new());
    }
    rows.into_iter().map(|row| row.into_iter().collect()).collect()
}

#[test]
fn what_is_printed_after_progress_takes_its_place_whether_in_colour_or_not() {
    for colour in ["", "NO_COLOR=1 "] {
        let shown = typed(&format!("stty cols 80; {colour}{} demo", program("settle").display()));
        assert!(shown.contains("s to go"), "{shown}");
        let rows = rows(&shown, 80);
        let screen = rows.join("\n");
        assert!(!screen.contains("s to go") && !screen.contains("drift +"), "{screen}");
        let plot: Vec<&String> = rows.iter().filter(|row| row.contains('│')).collect();
        assert!(plot.len() == 9 && plot.iter().all(|row| row.find('│') == Some(10)), "{screen}");
    }
}

#[test]
fn progress_that_is_wider_than_the_terminal_is_cut_and_leaves_nothing_behind() {
    let daemon = Daemon::start(
        "[clock]\nspeed = 20\n[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"bench\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\n",
    );
    daemon.client().wait_for_state("bench", "ready");
    let settle = program("settle").display().to_string();
    let command = format!("stty cols 30; {settle} --socket {} read --settled", daemon.socket().display());
    let shown = typed(&command);
    assert!(shown.contains('…'), "{shown}");
    let rows = rows(&shown, 30);
    assert!(rows[0].contains("cd/m²") && rows.iter().all(|row| !row.contains('…')), "{rows:#?}");
}

#[test]
fn how_far_rows_are_is_shown_where_they_fill_a_file_and_never_over_what_a_pager_shows() {
    let folder = tempfile::tempdir().unwrap();
    for (command, result) in
        [("log readings", json!({"readings": []})), ("log events", json!({"events": []}))]
    {
        let socket = folder.path().join("socket");
        let (_go, daemon) = slow_daemon(&socket, result, vec![PAUSE; 2]);
        let filed = format!("{command} > {}", folder.path().join("rows").display());
        assert!(at_a_terminal(&socket, &filed).contains("0 rows so far"));
        let paged = at_a_terminal(&socket, &format!("{command} | cat"));
        assert!(!paged.contains("so far"), "{paged}");
        daemon.join().unwrap();
        std::fs::remove_file(&socket).unwrap();
    }
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
