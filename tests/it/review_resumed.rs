//! A review that is gone on with by another process: where the meter looks, what the display was driven by, and what light goes through.

use std::io::{BufReader, Write};
use std::path::Path;
use std::process::{Child, ChildStderr, ChildStdin, Command, Stdio};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::{Value, json};

use crate::support::daemon::{Daemon, wait_until};
use crate::support::review::{
    arguments, assert_done, bench, entries, measured, path, said, start, text, wait_for,
};

const SET: &str =
    "title = \"T\"\n[[set]]\nname = \"SDR\"\nbits = 8\ntransfer = \"bt1886\"\nprimaries = \"bt709\"\n";

/// A command that writes down what it is to show: sequence, red, name.
fn noting(file: &str) -> String {
    format!("sh -c 'echo \"$1 $2 $3\" >>{file}' show {{sequence}} {{r}} {{name}}")
}

fn shown(file: &str) -> Vec<String> {
    std::fs::read_to_string(file).unwrap_or_default().lines().map(str::to_owned).collect()
}

fn of_kind(file: &str, kind: &str) -> Vec<Value> {
    entries(file).into_iter().filter(|entry| entry["entry"] == kind).collect()
}

/// Somebody at the display.
struct Attended {
    child: Child,
    keys: ChildStdin,
    lines: BufReader<ChildStderr>,
}

impl Attended {
    fn start(settle: &mut Command) -> Self {
        let piped = settle.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut child = piped.spawn().unwrap();
        let (keys, lines) = (child.stdin.take().unwrap(), BufReader::new(child.stderr.take().unwrap()));
        Self { child, keys, lines }
    }

    /// What is to be done next.
    fn asked(&mut self) -> String {
        let told = said(&mut self.lines, |told| told["prompt"]["message"].is_string());
        told["prompt"]["message"].as_str().unwrap().to_owned()
    }

    fn enter(&mut self) {
        self.keys.write_all(b"\n").unwrap();
    }

    /// Ctrl-C.
    fn interrupt(mut self) {
        kill(Pid::from_raw(self.child.id().try_into().unwrap()), Signal::SIGINT).unwrap();
        assert_eq!(self.child.wait().unwrap().code(), Some(130));
    }

    fn finish(mut self) {
        drop(self.keys);
        let rest = std::io::read_to_string(self.lines).unwrap();
        assert_eq!(self.child.wait().unwrap().code(), Some(0), "{rest}");
    }
}

const BACK: &str = "Move the meter back to the middle of the screen";

#[test]
fn a_meter_that_was_left_in_a_corner_is_moved_back_whoever_goes_on_and_asked_for_once() {
    let mut daemon = bench();
    let [plan, file, noted] = ["p.toml", "r.jsonl", "shown"].map(|name| path(&daemon, name));
    let sequences = "[[set.sequence]]\nkind = \"uniformity\"\ncolumns = 2\nrows = 1\nsignal = 0.5\n[[set.sequence]]\nkind = \"grey\"\nsteps = 2\n";
    std::fs::write(&plan, format!("{SET}{sequences}")).unwrap();
    let begin = |daemon: &Daemon| {
        Attended::start(daemon.settle(&arguments(&plan, &file)).args(["--show-command", &noting(&noted)]))
    };
    let mut first = begin(&daemon);
    for column in [1, 2] {
        let words = first.asked();
        assert!(words.starts_with(&format!("Move the meter to row 1, column {column}:")), "{words}");
        first.enter();
    }
    let places = || shown(&noted).iter().filter(|line| line.starts_with("uniformity")).count();
    wait_until("the second place is shown", || places() >= 2);
    daemon.kill();
    daemon.launch();
    // It hasn't been moved since.
    assert_eq!(first.asked(), BACK);
    first.interrupt();
    let count = measured(&file).len();
    assert_eq!(count, 4, "white, black, and two places");
    let mut second = begin(&daemon);
    assert_eq!(second.asked(), BACK);
    assert_eq!(measured(&file).len(), count);
    second.enter();
    second.finish();
    assert_eq!(measured(&file).len(), 6);
}

const REST: &str = " 26 rest";
const HELD: &str = "peak_hold 255 white held";

#[test]
fn the_display_rests_before_each_hold_and_one_that_its_process_left_counts_as_begun() {
    let daemon = bench();
    let [plan, file, noted] = ["p.toml", "r.jsonl", "shown"].map(|name| path(&daemon, name));
    let hold = "[[set.sequence]]\nkind = \"peak_hold\"\nhold = \"5min\"\nrest_before = \"40s\"\n";
    std::fs::write(&plan, format!("{SET}{hold}")).unwrap();
    let begin = || {
        let mut settle = daemon.settle(&arguments(&plan, &file));
        Attended::start(settle.args(["--yes", "--show-command", &noting(&noted)]))
    };
    for (times, rest_s) in [(1, 40.0), (2, 300.0)] {
        let mut review = begin();
        // The second time it has been driven for as long as the hold, as far as anybody knows.
        let rest = said(&mut review.lines, |told| told["rest"].is_object());
        assert_eq!(rest["rest"], json!({ "set": "SDR", "sequence": "peak_hold", "for_s": rest_s }));
        let held = || shown(&noted).iter().filter(|line| *line == HELD).count();
        wait_until("white is held", || held() == times);
        let lines = shown(&noted);
        let at = lines.iter().rposition(|line| line == HELD).unwrap();
        assert_eq!(lines[at - 1], REST, "{lines:?}");
        review.interrupt();
        assert_eq!(of_kind(&file, "begun").len(), times);
    }
    let notes = of_kind(&file, "note");
    assert!(notes.iter().any(|note| note["words"] == "SDR, peak_hold is begun anew"), "{notes:?}");
    let mut settle = daemon.settle(&arguments(&plan, &file));
    let refused = settle.args(["--yes", "--show-command", &noting(&noted)]).output().unwrap();
    let words = text(&refused.stderr);
    assert!(
        refused.status.code() == Some(1) && words.contains("begun 2 times, and cut off each time"),
        "{words}"
    );
    let page = text(&daemon.run_settle(&["review", "show", &file]).stdout);
    assert!(page.contains("begun 2 times"), "{page}");
}

/// Puts a correction in force, and tells its id.
fn correct(daemon: &Daemon, peak: f64) -> String {
    let mut client = daemon.client();
    let matrix = [[peak, 0.0, 0.0], [0.0, peak, 0.0], [0.0, 0.0, peak]];
    let new = json!({"name": "panel", "method": "given", "matrix": matrix, "meter": {"id": "m"}});
    let id = client.call("corrections.add", &new)["correction"]["id"].clone();
    client.call("meter.correct", &json!({"meter": "m", "correction": id}));
    id.as_str().unwrap().to_owned()
}

#[test]
fn readings_say_which_correction_they_went_through_and_reviews_by_two_are_not_taken_for_one_scale() {
    let daemon = bench();
    let [plain, mixed, corrected] = ["a.jsonl", "b.jsonl", "c.jsonl"].map(|name| path(&daemon, name));
    assert_done(&daemon.run_settle(&arguments("sdr-quick", &plain)));
    let mut child = start(&daemon, "sdr-quick", &mixed);
    wait_for(&mixed, 4);
    child.kill().unwrap();
    child.wait().unwrap();
    let before = measured(&mixed).len();
    let id = correct(&daemon, 1.02);
    for file in [&mixed, &corrected] {
        assert_done(&daemon.run_settle(&arguments("sdr-quick", file)));
    }
    assert!(measured(&plain).iter().all(|entry| entry["correction"].is_null()));
    assert!(measured(&corrected).iter().all(|entry| entry["correction"] == json!(id)));
    let lines = measured(&mixed);
    assert!(lines.iter().take(before).all(|entry| entry["correction"].is_null()));
    assert!(lines.iter().skip(before).all(|entry| entry["correction"] == json!(id)));
    let notes = of_kind(&mixed, "note");
    let told = format!("the meter's correction is {id} from here on, and was none: the two don't compare");
    assert_eq!(notes.iter().filter(|note| note["words"] == json!(told)).count(), 1, "{notes:?}");
    let show = |file: &str| text(&daemon.run_settle(&["review", "show", file]).stdout).replace("\n", " ");
    assert!(show(&plain).contains("were not corrected"), "{}", show(&plain));
    assert!(show(&corrected).contains(&format!("went through its correction {id}")));
    assert!(show(&mixed).contains("more than one correction"), "{}", show(&mixed));
    let compared = text(&daemon.run_settle(&["--json", "review", "compare", &plain, &corrected]).stdout);
    let compared: Value = serde_json::from_str(&compared).unwrap();
    assert_eq!((&compared["same_meter"], &compared["same_correction"]), (&json!(true), &json!(false)));
    let cautions = compared["cautions"].to_string();
    assert!(
        cautions.contains(&format!("the first went through none, the second through {id}")),
        "{cautions}"
    );
    let peak = compared["rows"].as_array().unwrap().iter().find(|row| row["subject"] == "peak").unwrap();
    assert!(peak["change"] == "differs", "{peak}");
}

#[test]
fn light_by_another_observer_is_refused_before_anything_is_written() {
    let daemon = Daemon::start(
        "[log]\npath = \"log.sqlite\"\n[clock]\nspeed = 40\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"self-emitting\"\n\
         meter = \"spectrometer\"\nobserver = \"1964-10\"\n",
    );
    daemon.client().wait_for_state("m", "ready");
    let file = path(&daemon, "r.jsonl");
    let refused = daemon.run_settle(&arguments("sdr-quick", &file));
    let words = text(&refused.stderr);
    assert!(refused.status.code() == Some(2) && words.contains("1964-10"), "{words}");
    assert!(!Path::new(&file).exists());
}

#[test]
fn what_had_not_settled_is_measured_anew_once_it_is_asked_for_and_nothing_else_is() {
    let daemon = bench();
    let [plan, file] = ["p.toml", "r.jsonl"].map(|name| path(&daemon, name));
    std::fs::write(&plan, format!("{SET}[[set.sequence]]\nkind = \"grey\"\nsteps = 3\n")).unwrap();
    assert_done(&daemon.settle(&arguments(&plan, &file)).output().unwrap());
    let before = measured(&file);
    // One of them as it is where the longest wait is over.
    let record = std::fs::read_to_string(&file).unwrap();
    let mut lines: Vec<String> = record.lines().map(str::to_owned).collect();
    let at = lines.iter().position(|line| line.contains("\"name\":\"grey 50 %\"")).unwrap();
    lines[at] = lines[at].replace("\"verdict\":\"settled\"", "\"verdict\":\"timed_out\"");
    std::fs::write(&file, lines.join("\n") + "\n").unwrap();
    let unsettled = || {
        let shown = daemon.run_settle(&["--json", "review", "show", &file]);
        let shown: Value = serde_json::from_slice(&shown.stdout).unwrap();
        shown["sets"][0]["sequences"][1]["unsettled"].as_array().unwrap().len()
    };
    assert_eq!(unsettled(), 1);
    assert_done(&daemon.settle(&arguments(&plan, &file)).output().unwrap());
    assert_eq!((measured(&file).len(), unsettled()), (before.len(), 1), "nobody asked for it");
    let again = [arguments(&plan, &file), vec!["--again"]].concat();
    assert_done(&daemon.settle(&again).output().unwrap());
    let anew = measured(&file);
    assert_eq!((anew.len(), unsettled()), (before.len() + 1, 0));
    assert_eq!(anew.last().unwrap()["patch"]["name"], "grey 50 %");
    let notes = of_kind(&file, "note");
    let told = notes.last().unwrap()["words"].as_str().unwrap();
    assert!(told.contains("1 stimulus that had not settled is to be measured anew"), "{told}");
    // There is nothing left to measure anew.
    assert_done(&daemon.settle(&again).output().unwrap());
    assert_eq!(measured(&file).len(), anew.len());
}
