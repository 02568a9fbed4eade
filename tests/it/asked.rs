//! `settle correct derive` in front of a real display: someone is asked for each colour.

use std::io::{BufRead, BufReader, Write};
use std::process::Stdio;

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::json;

use crate::support::daemon::{Daemon, wait_until};
use crate::support::instrument::Instrument;

/// Two instruments on ports of their own, that see one colour whatever is shown.
fn two_instruments() -> (Daemon, [Instrument; 2]) {
    let mut daemon = Daemon::configured(
        "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"one\"\ndriver = \"profile\"\nprofile = \"quick.toml\"\nport = \"one-port\"\n\
         [[meter]]\nid = \"other\"\ndriver = \"profile\"\nprofile = \"quick.toml\"\nport = \"other-port\"\n",
    );
    let shipped = settled_drivers::profile::shipped::text("lab-tristimulus".as_ref()).unwrap();
    std::fs::write(daemon.path("quick.toml"), shipped.replace("warm_up = \"10min\"", "")).unwrap();
    let instruments = ["one", "other"].map(|id| Instrument::start(&daemon.path(&format!("{id}-port"))));
    daemon.launch();
    for id in ["one", "other"] {
        daemon.client().wait_for_state(id, "ready");
    }
    (daemon, instruments)
}

#[test]
fn that_a_meter_went_away_meanwhile_is_told_by_its_name() {
    let (daemon, [one, other]) = two_instruments();
    let arguments = ["correct", "derive", "one", "--reference", "other", "--hold", "1h", "--max-wait", "2h"];
    let mut child = daemon
        .settle(&arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut stdin = child.stdin.take().unwrap();
    stdin.write_all(b"\n").unwrap();
    let mut client = daemon.client();
    wait_until("both meters are at it", || client.exposures("one") > 3 && client.exposures("other") > 3);
    drop(other);
    let mut lines = BufReader::new(child.stderr.take().unwrap()).lines().map(Result::unwrap);
    let said = lines.find(|line| line.contains("other is absent: ") && line.contains("; waiting"));
    assert!(said.is_some(), "standard error ended without it");
    kill(Pid::from_raw(i32::try_from(child.id()).unwrap()), Signal::SIGINT).unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(130));
    assert!(!lines.any(|line| line.contains("other is absent")), "it was told twice");
    drop(one);
}

#[test]
fn in_front_of_a_real_display_someone_is_asked_for_each_colour_in_its_order() {
    let (daemon, instruments) = two_instruments();
    let run = |enters: usize, more: &[&str]| {
        let arguments = [
            "correct",
            "derive",
            "one",
            "--reference",
            "other",
            "--hold",
            "1s",
            "--luminance",
            "5%",
            "--chromaticity",
            "0.05",
            "--quiet",
        ];
        let output = daemon.run_settle_told(&[arguments.as_slice(), more].concat(), &"\n".repeat(enters));
        (output.status.code(), String::from_utf8(output.stderr).unwrap())
    };
    // The instruments see one colour, whatever is shown: that is noticed at the second one.
    let (status, words) = run(5, &[]);
    assert_eq!(status, Some(1), "{words}");
    let asked: Vec<&str> =
        words.split("Show ").skip(1).filter_map(|rest| rest.split_whitespace().next()).collect();
    assert_eq!(asked, ["white", "red"], "{words}");
    assert!(words.contains("to one this looks like white: is red shown?"), "{words}");
    assert!(words.contains("take the colour off the display"), "{words}");
    // One after the other, and nobody is there after the second colour.
    let (status, words) = run(2, &["--one-at-a-time"]);
    assert_eq!(status, Some(1), "{words}");
    assert!(words.contains("Put other in front of the display") && !words.contains("Put one in"), "{words}");
    assert!(words.contains("nobody is there to do this: Show red"), "{words}");
    assert_eq!(daemon.client().call("corrections.list", &json!({}))["corrections"], json!([]));
    drop(instruments);
}

#[test]
fn on_a_terminal_a_colour_that_was_not_shown_is_asked_for_again() {
    let (daemon, instruments) = two_instruments();
    let terminal = nix::pty::openpty(None, None).unwrap();
    let arguments = ["correct", "derive", "one", "--reference", "other", "--hold", "1s", "--quiet"];
    let wide = ["--luminance", "5%", "--chromaticity", "0.05"];
    let mut child = daemon
        .settle(&[arguments.as_slice(), &wide].concat())
        .stdin(terminal.slave)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut keys = std::fs::File::from(terminal.master);
    let mut lines = BufReader::new(child.stderr.take().unwrap()).lines().map(Result::unwrap);
    let mut said = Vec::new();
    let mut shows = 0;
    while shows < 4 {
        let line = lines.next().unwrap_or_else(|| panic!("standard error ended after {said:?}"));
        if line.starts_with("Show ") {
            shows += 1;
            keys.write_all(b"\n").unwrap();
        }
        said.push(line);
    }
    let asked: Vec<&str> =
        said.iter().filter_map(|line| line.strip_prefix("Show ")?.split(' ').next()).collect();
    assert_eq!(asked, ["white", "red", "red", "red"], "{said:?}");
    let why = said.iter().filter(|line| line.contains("this looks like white: is red shown?"));
    assert_eq!(why.count(), 2, "{said:?}");
    kill(Pid::from_raw(i32::try_from(child.id()).unwrap()), Signal::SIGINT).unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(130));
    let rest: Vec<String> = lines.collect();
    assert!(rest.iter().any(|line| line.contains("take the colour off the display")), "{rest:?}");
    drop(instruments);
}
