//! How a daemon starts and ends.

use nix::sys::signal::Signal;
use serde_json::{Value, json};

use crate::support::daemon::Daemon;

const EMPTY: &str = "[log]\npath = \"log.sqlite\"\n";

#[test]
fn a_second_daemon_names_the_first_and_leaves_it_alone() {
    let first = Daemon::start(EMPTY);
    let output = first.command().output().unwrap();
    assert_eq!(output.status.code(), Some(1));
    let words = String::from_utf8(output.stderr).unwrap();
    assert!(words.contains(&format!("process {}", first.pid())), "{words}");
    assert_eq!(first.client().call("daemon.status", &json!({}))["clients"], 1);
}

#[test]
fn a_second_daemon_with_another_socket_leaves_the_firsts_log_alone() {
    let first = Daemon::start(EMPTY);
    let config = first.path("settled.toml");
    let mut second = std::process::Command::new(crate::support::daemon::program("settled"));
    second.arg("--config").arg(config).arg("--socket").arg(first.path("other"));
    let output = second.output().unwrap();
    assert_eq!(output.status.code(), Some(1));
    let words = String::from_utf8(output.stderr).unwrap();
    assert!(words.contains(&format!("process {}) writes it", first.pid())), "{words}");
    assert_eq!(first.client().call("daemon.status", &json!({}))["log"]["writing"], true);
}

#[test]
fn what_a_killed_daemon_left_does_not_stop_the_next() {
    let mut daemon = Daemon::start(EMPTY);
    daemon.kill();
    assert!(daemon.socket().exists());
    daemon.launch();
    assert_eq!(daemon.client().call("hello", &json!({}))["protocol"], 1);
}

#[test]
fn a_stop_answers_what_is_open() {
    let mut daemon = Daemon::start(
        "[log]\npath = \"off\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\n",
    );
    let mut client = daemon.client();
    let id = client.ask("meter.settle", &json!({"meter": "m", "progress": true}));
    client.notice("settle.progress");
    daemon.signal(Signal::SIGTERM);
    assert_eq!(client.answer(id)["error"]["data"]["kind"], "shutting_down");
    assert_eq!(daemon.ended().code(), Some(0));
}

#[test]
fn check_reports_every_mistake_and_touches_nothing() {
    let daemon = Daemon::configured(
        "[log]\npath = \"log.sqlite\"\nkeeps = 3\n[[meter]]\nid = \"m\"\ndriver = \"profile\"\nprofile = \"p.toml\"\nprot = \"x\"\n",
    );
    std::fs::write(
        daemon.path("p.toml"),
        "[instrument]\nmodel = \"m\"\nunit = \"nit\"\n[measure]\nsend = \"M\"\nanswer = '(?<Y>'\n",
    )
    .unwrap();
    let output = daemon.command().arg("--check").output().unwrap();
    assert_eq!(output.status.code(), Some(1));
    let words = String::from_utf8(output.stderr).unwrap();
    for expected in [
        "settled.toml:3:1: log.keeps: unknown key",
        "meter[0].port: is missing",
        "settled.toml:8:1: meter[0].prot: unknown key; did you mean \"port\"?",
        "p.toml:3:8: instrument.unit: expected one of",
        "p.toml:6:10: measure.answer: expected a regular expression",
    ] {
        assert!(words.contains(expected), "{expected} is not in\n{words}");
    }
    assert!(words.lines().all(|line| line.contains(".toml:")), "a line is more than a mistake\n{words}");
    let right = Daemon::configured(EMPTY);
    let output = right.command().arg("--check").output().unwrap();
    assert_eq!(output.status.code(), Some(0));
    let words = String::from_utf8(output.stdout).unwrap();
    assert!(
        words.contains("no mistakes; but without a [[meter]] there is nothing to measure with"),
        "{words}"
    );
    assert!(!right.path("log.sqlite").exists() && !right.socket().exists());
}

#[test]
fn a_daemon_that_is_started_with_a_mistake_in_its_config_tells_it_as_check_does() {
    let daemon = Daemon::configured("[log]\npath = \"off\"\nkeeps = 3\n");
    let [started, checked] = [&[][..], &["--check"]].map(|arguments: &[&str]| {
        let output = daemon.command().args(arguments).output().unwrap();
        assert_eq!(output.status.code(), Some(1));
        String::from_utf8(output.stderr).unwrap()
    });
    assert!(started.contains("settled.toml:3:1: log.keeps: unknown key"), "{started}");
    assert_eq!(started, checked);
}

#[test]
fn check_tells_mistakes_to_programs_too_an_object_each() {
    let daemon = Daemon::configured("[log]\npath = \"off\"\nkeeps = 3\n");
    let output = daemon.command().args(["--check", "--json"]).output().unwrap();
    assert_eq!((output.status.code(), output.stderr.as_slice()), (Some(1), b"".as_slice()));
    let said = String::from_utf8(output.stdout).unwrap();
    let mut mistake: Value = serde_json::from_str(&said).unwrap();
    assert!(mistake["message"].as_str().unwrap().starts_with("unknown key"), "{said}");
    mistake["message"].take();
    let file = daemon.path("settled.toml").display().to_string();
    let expected = json!({"file": file, "line": 3, "column": 1, "key": "log.keeps", "message": null});
    assert_eq!(mistake, expected);
    std::fs::remove_file(daemon.path("settled.toml")).unwrap();
    let output = daemon.command().args(["--check", "--json"]).output().unwrap();
    let mistake: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert!(mistake["file"] == *file && mistake["line"].is_null(), "{mistake}");
    let right = Daemon::configured(EMPTY);
    let output = right.command().args(["--check", "--json"]).output().unwrap();
    assert_eq!((output.status.code(), output.stdout.as_slice()), (Some(0), b"".as_slice()));
    for astray in [["--check", "--covered"], ["--json", "--verbose"]] {
        let output = right.command().args(astray).output().unwrap();
        assert_eq!(output.status.code(), Some(2), "{astray:?}");
    }
}

#[test]
fn the_socket_is_for_its_owner_alone_unless_a_group_is_named() {
    use std::os::unix::fs::PermissionsExt;
    let daemon = Daemon::start(EMPTY);
    assert_eq!(std::fs::metadata(daemon.socket()).unwrap().permissions().mode() & 0o777, 0o600);
}

#[test]
fn as_many_clients_are_promised_as_files_may_be_open_and_every_one_of_them_is_served() {
    let mut daemon = Daemon::configured(EMPTY);
    // A low limit that may be raised makes no difference; one that may not leaves fewer connections.
    daemon.launch_with_files("-Sn 64");
    let hello = daemon.client().call("hello", &json!({}));
    assert_eq!(hello["limits"]["connections"], 1024);
    daemon.kill();
    daemon.launch_with_files("-n 300");
    let promised = daemon.client().call("hello", &json!({}))["limits"]["connections"].as_u64().unwrap();
    assert!((50..150).contains(&promised), "{promised}");
    crate::support::daemon::wait_until("the first client is gone", || {
        daemon.client().call("daemon.status", &json!({}))["clients"] == 1
    });
    let mut clients: Vec<_> = (1..promised).map(|_| daemon.client()).collect();
    for client in &mut clients {
        client.call("log.events", &json!({}));
    }
}
