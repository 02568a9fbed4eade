//! Several leases at once: two meters in front of one display, one meter leased within its own lease, and leases that are none.

use std::process::Output;

use serde_json::{Value, json};

use crate::support::daemon::{Daemon, program, wait_until};

/// Two meters look at one display, a third at its own.
fn bench() -> Daemon {
    let daemon = Daemon::start(
        "[log]\npath = \"log.sqlite\"\nsurvives = \"crash\"\n[clock]\nspeed = 200\n[[meter]]\nid = \"bench\"\ndriver = \"simulated\"\n\
         display = \"backlit\"\nseed = 3\nfilter_error = 0.02\ncold = [0, 0]\ncold_white = [0, 0]\nsag = 0\nretention = 0\ndark_cd_m2 = 0\n\
         noise = 0.2\n[[meter]]\nid = \"spectral\"\ndriver = \"simulated\"\nmeter = \"spectrometer\"\nlooks_at = \"bench\"\nnoise = 0\n\
         dark_cd_m2 = 0\n[[meter]]\nid = \"apart\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\n",
    );
    for id in ["bench", "spectral", "apart"] {
        daemon.client().wait_for_state(id, "ready");
    }
    daemon
}

/// Runs `settle` under leases on these meters, one within the other.
fn under(daemon: &Daemon, meters: &[&str], arguments: &[&str]) -> Output {
    let settle = program("settle").display().to_string();
    let mut words: Vec<&str> = Vec::new();
    for meter in meters {
        words.extend(["lease", meter, "--ttl", "1h", "--", settle.as_str()]);
    }
    words.extend(arguments);
    daemon.run_settle(&words)
}

fn words(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).unwrap()
}

const SHOW: [&str; 6] = ["stage", "show", "--meter", "bench", "--colour", "512"];

#[test]
fn two_leases_on_one_display_let_their_command_show_a_stimulus_and_derive_a_correction() {
    let daemon = bench();
    for meters in [["bench", "spectral"].as_slice(), &["apart", "spectral", "bench"]] {
        let shown = under(&daemon, meters, &SHOW);
        assert_eq!(shown.status.code(), Some(0), "{meters:?}: {}", words(&shown));
    }
    let derive = ["correct", "derive", "bench", "--reference", "spectral", "--yes", "--quiet"];
    let derived = under(&daemon, &["bench", "spectral"], &derive);
    assert_eq!(derived.status.code(), Some(0), "{}", words(&derived));
}

#[test]
fn who_lacks_one_of_the_leases_on_a_display_shows_nothing_and_derives_nothing() {
    let daemon = bench();
    let (mut one, mut other) = (daemon.client(), daemon.client());
    let mut tokens = [(&mut one, "bench"), (&mut other, "spectral")].map(|(client, meter)| {
        let lease = client.call("meter.lease", &json!({"meter": meter, "ttl_s": 3600}));
        lease["lease"].as_str().unwrap().to_owned()
    });
    let show = |lease: &str| json!({"meter": "bench", "stimulus": {"colour": [9, 9, 9]}, "lease": lease});
    let mut third = daemon.client();
    assert_eq!(third.refusal("stage.show", &show(&tokens[0])), "leased");
    assert_eq!(third.refusal("stage.show", &show(&tokens[1])), "leased");
    assert_eq!(third.refusal("stage.show", &show(&format!("{},nonsense", tokens.join(",")))), "lease_lost");
    third.call("stage.show", &show(&tokens.join(",")));
    tokens.reverse();
    third.call("stage.show", &show(&tokens.join(",")));

    let shown = || daemon.client().events("bench").iter().filter(|kind| *kind == "stage_shown").count();
    wait_until("what was shown is in the log", || shown() == 2);
    let derive = ["--json", "correct", "derive", "bench", "--reference", "spectral", "--yes", "--quiet"];
    let mut settle = daemon.settle(&derive);
    let output = settle.env("SETTLED_LEASE", format!("bench={}", tokens[1])).output().unwrap();
    let said = words(&output);
    let error: Value = serde_json::from_str(said.lines().last().unwrap()).unwrap();
    assert_eq!(error["error"]["data"], json!({"kind": "leased", "meter": "spectral"}), "{said}");
    // Events are written in their order.
    third.call("stage.show", &show(&tokens.join(",")));
    wait_until("what was shown is in the log", || shown() > 2);
    assert_eq!(shown(), 3, "the derivation showed something");
}

#[test]
fn a_meter_that_is_leased_within_its_own_lease_is_had_at_once_and_one_that_was_lost_is_told() {
    let daemon = bench();
    let read = under(&daemon, &["bench", "spectral", "bench"], &["--json", "read", "bench"]);
    assert_eq!(read.status.code(), Some(0), "{}", words(&read));
    let mut settle = daemon.settle(&["lease", "bench", "--", "true"]);
    let lost = settle.env("SETTLED_LEASE", "bench=stale").output().unwrap();
    assert_eq!(lost.status.code(), Some(125), "{}", words(&lost));
    assert!(words(&lost).contains("SETTLED_LEASE names a lease that is over"), "{}", words(&lost));
}

#[test]
fn leases_that_cannot_be_read_are_a_mistake_and_those_of_other_daemons_are_not_used() {
    let daemon = bench();
    let run = |value: &str, arguments: &[&str]| {
        let mut settle = daemon.settle(arguments);
        settle.env("SETTLED_LEASE", value).output().unwrap()
    };
    for arguments in [["read", "bench"].as_slice(), &SHOW, &["log", "readings"]] {
        let mistaken = run("t0k", arguments);
        let said = words(&mistaken);
        assert_eq!(mistaken.status.code(), Some(2), "{arguments:?}: {said}");
        assert!(said.contains("expected METER=TOKEN") && !said.contains("t0k"), "{said}");
        let elsewhere = run("another=token", arguments);
        assert_eq!(elsewhere.status.code(), Some(0), "{arguments:?}: {}", words(&elsewhere));
    }
    assert_eq!(run("t0k", &["man"]).status.code(), Some(0));
}
