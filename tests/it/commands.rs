//! `settle` as a person or a script uses it.

use std::io::Write;
use std::process::{Command, Output, Stdio};

use serde_json::Value;

use crate::support::daemon::{Daemon, program};

const TWO: &str = "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"a\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\n[[meter]]\nid = \"b\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\n";

#[test]
fn mistakes_on_the_command_line_end_with_2_and_name_what_was_wrong() {
    let daemon = Daemon::start(TWO);
    let cases: [(&[&str], &str); 19] = [
        (&["read"], "which meter? There are a, b"),
        (&["log", "readings", "--limit", "0"], "'--limit <N>'"),
        (&["log", "readings", "--csv", "--json"], "choose one"),
        (
            &["log", "events", "--since", "2026-11-26T00:00:00Z", "--until", "2026-11-25T00:00:00Z"],
            "--since must not be after --until",
        ),
        (&["read", "a", "--hold", "60s"], "--hold needs --settled"),
        (&["read", "a", "--hold", "60s", "--luminance", "1%"], "--luminance and --hold need --settled"),
        (&["read", "a", "--settled", "--luminance", "lots"], "expected a share such as 0.5%"),
        (&["read", "a", "--settled", "--luminance", "1"], "1%, or 100% if a fraction was meant"),
        (&["read", "a", "--settled", "--luminance", "-1%"], "must be from 0.0001% to 100%"),
        (&["read", "a", "--settled", "--hold", "0.1s"], "'--hold <TIME>': must be from 0.5s to 24h"),
        (
            &["read", "a", "--settled", "--max-wait", "10s"],
            "--max-wait (10 s) must not be shorter than --hold",
        ),
        (&["read", "a", "--integration", "0"], "'--integration <TIME>': must be from 1us to 1h"),
        (&["run", "drift", "a", "--for", "8"], "write it with its unit: 8h, 8min or 8s"),
        (&["raed"], "similar"),
        (&["stage", "show", "--colour", "red"], "expected code values"),
        (&["stage", "show", "--colour", "1024"], "--colour: code values at 10 bits go from 0 to 1023"),
        (&["stage", "show", "--colour", "512"], "--meter: a, b"),
        (&["stage", "show", "--colour", "512", "--meter", "a", "--window", "25"], "25%"),
        (&["stage", "show", "--colour", "512", "--meter", "a", "--bits", "9"], "expected 8, 10 or 12"),
    ];
    for (arguments, expected) in cases {
        let output = daemon.run_settle(arguments);
        let words = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(2), "{arguments:?}: {words}");
        assert!(words.contains(expected), "{arguments:?}: {words}");
    }
}

#[test]
fn a_meter_is_named_as_a_word_or_by_its_option_and_not_by_both() {
    let daemon = Daemon::start(TWO);
    for arguments in [["b"].as_slice(), &["--meter", "b"]] {
        let output = daemon.run_settle(&[&["--json", "read"], arguments].concat());
        let reading: Value = serde_json::from_slice(&output.stdout).unwrap();
        assert_eq!(reading["meter"], "b", "{arguments:?}");
    }
    assert_eq!(daemon.run_settle(&["read", "a", "--meter", "b"]).status.code(), Some(2));
}

#[test]
fn errors_end_with_1_and_say_what_to_do() {
    let absent =
        Command::new(program("settle")).args(["--socket", "/nonexistent/socket", "meters"]).output().unwrap();
    assert_eq!(absent.status.code(), Some(1));
    assert!(String::from_utf8(absent.stderr).unwrap().contains("settle demo"));
}

#[test]
fn every_error_is_one_line_of_json_with_its_kind_where_json_is_asked_for() {
    let daemon = Daemon::start(TWO);
    let cases: [(&[&str], i32, &str); 8] = [
        (&["--json", "raed"], 2, "usage"),
        (&["--json"], 2, "usage"),
        (&["--json", "log"], 2, "usage"),
        (&["stage", "show", "--json"], 2, "usage"),
        (&["read", "a", "--hold", "soon", "--json"], 2, "usage"),
        (&["read", "--json"], 2, "usage"),
        (&["assess", "/nonexistent", "--json"], 1, "input"),
        (&["--json", "read", "nope"], 1, "no_such_meter"),
    ];
    for (arguments, status, kind) in cases {
        assert_json_error(&daemon.run_settle(arguments), status, kind);
    }
    let mut absent = Command::new(program("settle"));
    absent.args(["--socket", "/nonexistent/socket", "meters", "--json"]);
    assert_json_error(&absent.output().unwrap(), 1, "no_daemon");
}

fn assert_json_error(output: &Output, status: i32, kind: &str) {
    let words = String::from_utf8(output.stderr.clone()).unwrap();
    assert_eq!((output.status.code(), words.lines().count()), (Some(status), 1), "{words}");
    let error: Value = serde_json::from_str(&words).unwrap();
    assert!(error["error"]["message"].is_string(), "{error}");
    assert_eq!(error["error"]["data"]["kind"], kind, "{error}");
}

#[test]
fn json_is_the_protocols_own() {
    let daemon = Daemon::start(TWO);
    let object = |arguments: &[&str]| -> Value {
        let output = daemon.run_settle(arguments);
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        serde_json::from_slice(output.stdout.split(|byte| *byte == b'\n').next().unwrap()).unwrap()
    };
    let reading: settled_protocol::reading::Reading =
        serde_json::from_value(object(&["--json", "read", "a"])).unwrap();
    assert_eq!(reading.meter, "a");
    let _meter: settled_protocol::meter::Meter =
        serde_json::from_value(object(&["--json", "meters"])).unwrap();
    let _status: settled_protocol::method::Status =
        serde_json::from_value(object(&["status", "--json"])).unwrap();
    let _event: settled_protocol::log::Event =
        serde_json::from_value(object(&["--json", "log", "events"])).unwrap();
    let logged: settled_protocol::reading::Reading =
        serde_json::from_value(object(&["--json", "log", "readings"])).unwrap();
    assert_eq!(logged, reading);
}

#[test]
fn the_log_comes_out_as_a_table() {
    let daemon = Daemon::start(TWO);
    let readings: Vec<_> =
        (0..3).map(|_| daemon.client().call("meter.read", &serde_json::json!({"meter": "a"}))).collect();
    let output = daemon.run_settle(&["log", "readings", "--csv"]);
    let table = String::from_utf8(output.stdout).unwrap();
    let lines: Vec<Vec<&str>> = table.lines().map(|line| line.split(',').collect()).collect();
    assert_eq!(lines.len(), 4, "{table}");
    let column = |name: &str| lines[0].iter().position(|column| *column == name).unwrap();
    for (line, reading) in lines[1..].iter().zip(&readings) {
        assert_eq!(line.len(), lines[0].len());
        let number = |name: &str| line[column(name)].parse::<f64>().unwrap();
        // The last of seventeen digits may come out otherwise after a detour through text.
        let agrees = |name: &str, value: &Value| (number(name) / value.as_f64().unwrap() - 1.0).abs() < 1e-12;
        assert!(agrees("Y", &reading["luminance_cd_m2"]), "{table}");
        assert!(agrees("u_prime", &reading["chromaticity"]["u_prime"]), "{table}");
        assert_eq!((line[column("unit")], line[column("flags")]), ("cd/m2", "simulated"));
    }
    let file = daemon.path("table.csv");
    std::fs::write(&file, &table).unwrap();
    let assessed = daemon.run_settle(&["assess", "--json", file.to_str().unwrap()]);
    let decision: Value = serde_json::from_slice(&assessed.stdout).unwrap();
    assert_eq!(decision["id"], "a", "{}", String::from_utf8_lossy(&assessed.stderr));
}

#[test]
fn a_meter_that_neither_config_nor_log_knows_is_an_error() {
    let daemon = Daemon::start(TWO);
    for what in ["readings", "events"] {
        let output = daemon.run_settle(&["log", what, "--meter", "zip"]);
        let words = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(1));
        assert!(words.contains("\"zip\"") && words.contains("configured: a, b"), "{words}");
    }
    assert_eq!(daemon.run_settle(&["log", "readings", "--meter", "b"]).status.code(), Some(0));
}

#[test]
fn the_latest_rows_can_be_had_without_knowing_their_numbers() {
    let daemon = Daemon::start(TWO);
    for meter in ["a", "b"].iter().cycle().take(40) {
        daemon.client().call("meter.read", &serde_json::json!({ "meter": meter }));
    }
    let rows = |arguments: &[&str]| -> Vec<String> {
        let output = daemon.run_settle(&[&["--json", "log"][..], arguments].concat());
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).unwrap().lines().map(str::to_owned).collect()
    };
    for what in [&["readings"][..], &["readings", "--meter", "a"], &["events"], &["events", "--meter", "b"]] {
        let all = rows(what);
        for count in [1, 2, 5, 100] {
            let latest = rows(&[what, &["--last", &count.to_string()]].concat());
            assert_eq!(latest, all[all.len().saturating_sub(count)..], "{what:?} {count}");
        }
    }
    let file = daemon.path("last.csv");
    let exported = daemon.run_settle(&["log", "export", "--csv", file.to_str().unwrap(), "--last", "3"]);
    assert!(exported.status.success(), "{}", String::from_utf8_lossy(&exported.stderr));
    assert_eq!(std::fs::read_to_string(&file).unwrap().lines().count(), 4);
}

#[test]
fn a_run_that_is_no_number_is_told_what_runs_have() {
    for arguments in [
        &["runs", "show", "abc"][..],
        &["runs", "watch", "abc"],
        &["log", "plot", "--run", "abc"],
        &["report", "--run", "abc", "--into", "-"],
    ] {
        let output = Command::new(program("settle")).args(arguments).output().unwrap();
        let words = String::from_utf8(output.stderr).unwrap();
        assert!(output.status.code() == Some(2) && words.contains("a run has a number"), "{words}");
    }
}

#[test]
fn what_was_logged_can_be_assessed() {
    let mut child = Command::new(program("settle"))
        .args(["assess", "--json", "-"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut input = child.stdin.take().unwrap();
    for t in 0..200 {
        writeln!(
            input,
            "{{\"meter\":\"m\",\"t_s\":{t},\"luminance_cd_m2\":{}}}",
            100.0 + 0.01 * f64::from(t % 5)
        )
        .unwrap();
    }
    drop(input);
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(0));
    let decision: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!((decision["id"].as_str(), decision["verdict"].as_str()), (Some("m"), Some("settled")));
}

#[test]
fn a_closed_pipe_ends_quietly() {
    let daemon = Daemon::start(TWO);
    daemon.client().wait_for_state("a", "ready");
    let mut child = daemon
        .settle(&["observe", "a", "--interval", "0"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let output = child.wait_with_output().unwrap();
    assert_eq!((output.status.code(), String::from_utf8(output.stderr).unwrap().as_str()), (Some(0), ""));
}

#[test]
fn the_demo_tells_its_story_and_the_settled_reading_beats_the_others() {
    let output = Command::new(program("settle")).args(["--json", "demo"]).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let figures: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(figures["simulated"], true);
    assert_eq!(figures["settled"]["verdict"], "settled");
    let number = |value: &Value| value.as_f64().unwrap();
    let (truth, later) = (number(&figures["truth_cd_m2"]), number(&figures["truth_a_hold_later_cd_m2"]));
    let value = &figures["settled"]["value"];
    let off = |y: f64| (y - truth).abs();
    // One interval in twenty misses: twice its width never should.
    assert!(off(number(&value["y"])) <= 2.0 * number(&value["y_u95"]), "{figures}");
    assert!(off(number(&figures["first_look_cd_m2"])) > 0.02 * truth);
    assert!(off(number(&figures["fixed_wait_cd_m2"])) > 0.01 * truth);
    assert!((later - truth).abs() <= 0.005 * truth, "the promise was broken: {figures}");
    let [one, two] = [0, 1].map(|index| figures["shared"]["readings_of_each"][index].as_u64().unwrap());
    assert!(figures["shared"]["exposures"].as_u64().unwrap() < one + two);
    // A busy machine leaves some of the beat out.
    assert!(figures["night"]["readings"].as_u64().unwrap() > 200);
}

#[test]
fn completions_and_the_manual_come_out() {
    for (arguments, expected) in [(["completions", "bash"].as_slice(), "_settle"), (&["man"], ".TH")] {
        let output = Command::new(program("settle")).args(arguments).output().unwrap();
        assert!(output.status.success() && String::from_utf8(output.stdout).unwrap().contains(expected));
    }
}
