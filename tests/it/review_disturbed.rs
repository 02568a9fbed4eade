//! What becomes of a stimulus that something comes over: a daemon that goes, a meter that says nothing.

use std::io::{BufReader, Write};
use std::path::Path;
use std::process::Stdio;

use serde_json::{Value, json};

use crate::support::daemon::{Daemon, wait_until};
use crate::support::review::{arguments, assert_done, bench, entries, measured, path, said, text};
use crate::support::scripted::{Answer, Scripted};

/// White, held for so long.
fn held(hold: &str) -> String {
    format!(
        "title = \"T\"\n[[set]]\nname = \"SDR\"\nbits = 8\ntransfer = \"bt1886\"\nprimaries = \"bt709\"\n[[set.sequence]]\n\
         kind = \"peak_hold\"\nhold = \"{hold}\"\nrest_before = \"2s\"\n"
    )
}

/// A command that writes down what it is to show: sequence, red, name.
fn noting(file: &str) -> String {
    format!("sh -c 'echo \"$1 $2 $3\" >>{file}' show {{sequence}} {{r}} {{name}}")
}

fn shown(file: &str) -> Vec<String> {
    std::fs::read_to_string(file).unwrap_or_default().lines().map(str::to_owned).collect()
}

fn notes(file: &str) -> Vec<String> {
    let notes = entries(file).into_iter().filter(|entry| entry["entry"] == "note");
    notes.map(|note| note["words"].as_str().unwrap().to_owned()).collect()
}

/// The dark grey of a rest, in code values of 8 bits.
const REST: &str = " 26 rest";
const HELD: &str = "peak_hold 255 white held";

#[test]
fn a_hold_that_the_daemon_leaves_rests_and_begins_anew_once_it_is_agreed_to_again() {
    let mut daemon = bench();
    let [plan, file, noted] = ["p.toml", "r.jsonl", "shown"].map(|name| path(&daemon, name));
    std::fs::write(&plan, held("3min")).unwrap();
    let terminal = nix::pty::openpty(None, None).unwrap();
    let mut settle = daemon.settle(&arguments(&plan, &file));
    settle.args(["--show-command", &noting(&noted)]).stdin(terminal.slave);
    let mut child = settle.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let (mut keys, mut lines) =
        (std::fs::File::from(terminal.master), BufReader::new(child.stderr.take().unwrap()));
    let asked = |told: &Value| told["prompt"]["message"].is_string();
    let first = said(&mut lines, asked);
    assert!(first["prompt"]["message"].as_str().unwrap().ends_with("Go on?"), "{first}");
    keys.write_all(b"y\n").unwrap();
    wait_until("white is held", || shown(&noted).iter().any(|line| line == HELD));
    daemon.kill();
    // Nobody knows when it comes back: nothing bright stands until then.
    wait_until("the display rests", || shown(&noted).last().is_some_and(|line| line == REST));
    daemon.launch();
    let again = said(&mut lines, asked);
    let words = again["prompt"]["message"].as_str().unwrap();
    assert!(words.contains("white held for 3 min") && words.ends_with("Once more?"), "{again}");
    assert_eq!(shown(&noted).last().map(String::as_str), Some(REST), "{:?}", shown(&noted));
    keys.write_all(b"y\n").unwrap();
    let rest = std::io::read_to_string(lines).unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(0), "{rest}");
    let notes = notes(&file);
    assert!(notes.iter().any(|words| words == "SDR, peak_hold is begun anew"), "{notes:?}");
    let measured = measured(&file);
    let course = measured.iter().filter(|entry| entry["entry"] == "course");
    assert_eq!(course.count(), 1);
    assert_eq!(shown(&noted).iter().filter(|line| *line == HELD).count(), 2);
}

/// A daemon before `daemon` that passes everything on but what `is_lost` names, which is never answered, and what is told unasked.
fn losing(daemon: &Daemon, mut is_lost: impl FnMut(&str) -> bool + Send + 'static) -> Scripted {
    let mut client = daemon.client();
    Scripted::start(move |method, params| match method {
        // Nobody waits for an answer to these.
        "request.cancel" | "subscription.cancel" | "meter.release" => Answer::Silence,
        method if is_lost(method) => Answer::Silence,
        method => Answer::Result(client.call(method, params)),
    })
}

#[test]
fn a_bright_stimulus_that_nothing_is_read_from_is_taken_away_and_read_anew() {
    let daemon = bench();
    let [plan, file, noted] = ["p.toml", "r.jsonl", "shown"].map(|name| path(&daemon, name));
    std::fs::write(&plan, held("10s").split("[[set.sequence]]").next().unwrap()).unwrap();
    let mut settled = 0;
    // Black first, then white.
    let silent = losing(&daemon, move |method| {
        settled += usize::from(method == "meter.settle");
        method == "meter.settle" && settled == 2
    });
    let mut settle = silent.settle(&arguments(&plan, &file));
    settle.args(["--show-command", &noting(&noted)]);
    assert_done(&settle.output().unwrap());
    let expected =
        ["white_black 0 black", "white_black 255 white", REST, "white_black 255 white", " 0 black"];
    assert_eq!(shown(&noted), expected);
    assert_eq!(notes(&file), ["white: the meter gave no readings; it is read anew"]);
    assert_eq!(measured(&file).len(), 2);
}

#[test]
fn a_lease_that_is_lost_as_the_next_stimulus_is_to_be_shown_is_taken_anew() {
    let daemon = bench();
    let [plan, file] = ["p.toml", "r.jsonl"].map(|name| path(&daemon, name));
    std::fs::write(&plan, held("10s").split("[[set.sequence]]").next().unwrap()).unwrap();
    let mut client = daemon.client();
    let mut shown = 0;
    let losing = Scripted::start(move |method, params| {
        if ["request.cancel", "subscription.cancel", "meter.release"].contains(&method) {
            return Answer::Silence;
        }
        shown += usize::from(method == "stage.show");
        if method == "stage.show" && shown == 2 {
            // Black is measured. The daemon says itself what it says of a lease that is over.
            client.call("meter.release", &json!({ "lease": params["lease"] }));
        }
        let id = client.ask(method, params);
        let mut answer = client.answer(id);
        match answer.get("error") {
            Some(error) => Answer::Error(error.clone()),
            None => Answer::Result(answer["result"].take()),
        }
    });
    let output = losing.run_settle(&arguments(&plan, &file));
    assert_done(&output);
    let told = text(&output.stderr);
    assert!(
        ["lost", "back"].iter().all(|state| told.contains(&format!("{{\"state\":\"{state}\"}}"))),
        "{told}"
    );
    assert!(!told.contains("\"of\":3"), "what is shown again is counted once: {told}");
    assert_eq!((measured(&file).len(), losing.count("meter.lease")), (2, 2), "{told}");
}

#[test]
fn a_hold_that_nothing_is_read_from_is_given_up_and_agreed_to_beforehand_begun_once_more_and_no_oftener() {
    let daemon = bench();
    let [plan, file, noted] = ["p.toml", "r.jsonl", "shown"].map(|name| path(&daemon, name));
    std::fs::write(&plan, held("125s")).unwrap();
    // It answers, and no reading that is observed ever comes.
    let silent = losing(&daemon, |_| false);
    let mut settle = silent.settle(&arguments(&plan, &file));
    settle.args(["--yes", "--show-command", &noting(&noted)]);
    let output = settle.output().unwrap();
    let words = text(&output.stderr);
    assert!(
        output.status.code() == Some(1) && words.contains("begun 2 times, and cut off each time"),
        "{words}"
    );
    let lines = shown(&noted);
    let holds: Vec<usize> = (0..lines.len()).filter(|at| lines[*at] == HELD).collect();
    assert_eq!(holds.len(), 2, "{lines:?}");
    assert!(holds.iter().all(|at| lines[at + 1] == REST), "it rests at once: {lines:?}");
    assert_eq!(lines.last().map(String::as_str), Some(" 0 black"), "{lines:?}");
    assert!(
        measured(&file).iter().all(|entry| entry["sequence"] == "white_black") && Path::new(&file).exists()
    );
}
