//! What passes on a meter's link is recorded in one file, and that file is a meter.

use nix::sys::signal::Signal;
use serde_json::{Value, json};

use crate::support::client::Client;
use crate::support::daemon::{Daemon, program, wait_until};
use crate::support::instrument::Instrument;

const BENCH: &str = "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"bench\"\ndriver = \"profile\"\nprofile = \"quick.toml\"\nport = \"port\"\n";

const SIMULATED: &str = "[log]\npath = \"off\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\n";

/// A daemon with the instrument on its bench, that records in `r.jsonl`.
pub(crate) fn recording() -> (Daemon, Instrument) {
    let mut daemon = Daemon::configured(BENCH);
    // The shipped profile, without the ten minutes that the meter needs to warm up, and with deadlines that suit a test.
    let shipped = settled_drivers::profile::shipped::text("lab-tristimulus".as_ref()).unwrap();
    let quick = shipped.replace("warm_up = \"10min\"", "").replace("timeout = \"1s\"", "timeout = \"400ms\"");
    std::fs::write(daemon.path("quick.toml"), quick).unwrap();
    let instrument = Instrument::start(&daemon.path("port"));
    let file = daemon.path("r.jsonl");
    daemon.with_arguments(&["--record", file.to_str().unwrap()]);
    daemon.launch();
    daemon.client().wait_for_state("bench", "ready");
    (daemon, instrument)
}

/// A daemon that plays a file of another's folder.
pub(crate) fn replaying(other: &Daemon, file: &str, more: &str) -> Daemon {
    let file = other.path(file).display().to_string();
    Daemon::start(&format!(
        "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"bench\"\ndriver = \"replay\"\nfile = \"{file}\"\n{more}"
    ))
}

/// What a request for a reading ends with: the light, or the kind of error.
pub(crate) fn outcome(client: &mut Client) -> Value {
    let id = client.ask("meter.read", &json!({"meter": "bench"}));
    let answer = client.answer(id);
    match answer.get("error") {
        Some(error) => error["data"]["kind"].clone(),
        None => json!([
            answer["result"]["xyz"],
            answer["result"]["integration_s"],
            answer["result"]["temperature_c"]
        ]),
    }
}

pub(crate) fn stop(daemon: &mut Daemon) {
    daemon.signal(Signal::SIGTERM);
    assert!(daemon.ended().success());
}

/// The lines of a recording, whole ones.
fn lines(daemon: &Daemon) -> Vec<Value> {
    let text = std::fs::read_to_string(daemon.path("r.jsonl")).unwrap();
    let whole = text.split_inclusive('\n').filter(|line| line.ends_with('\n'));
    whole.map(|line| serde_json::from_str(line).unwrap()).collect()
}

fn count(lines: &[Value], what: &str) -> usize {
    lines.iter().filter(|line| line["what"] == what).count()
}

/// The folder of a daemon that recorded so many readings.
pub(crate) fn recorded(readings: usize) -> Daemon {
    let (mut daemon, _instrument) = recording();
    let mut client = daemon.client();
    for _ in 0..readings {
        outcome(&mut client);
    }
    stop(&mut daemon);
    daemon
}

#[test]
fn a_recording_replays_to_the_same_readings_and_faults_and_they_say_that_they_are_replayed() {
    let (mut daemon, mut instrument) = recording();
    instrument.light(80.0, 40.0, 5.0, 0.05, 3);
    let mut client = daemon.client();
    let mut recorded = Vec::new();
    for order in ["", "garbled", "half", "error", "silence", "noise", ""] {
        if !order.is_empty() {
            instrument.order(&format!("next {order}"));
        }
        recorded.push(outcome(&mut client));
        recorded.push(outcome(&mut client));
    }
    stop(&mut daemon);
    let lines = lines(&daemon);
    assert_eq!((&lines[0]["what"], &lines[0]["format"]), (&json!("recording"), &json!(1)));
    assert_eq!(lines.last().unwrap(), &json!({"what": "end", "why": "stopped"}));
    assert!(lines[1]["profile"]["text"].as_str().unwrap().contains("[measure]"), "it stands alone");
    assert_eq!(count(&lines, "sample"), 9);

    let replay = replaying(&daemon, "r.jsonl", "");
    let mut client = replay.client();
    client.wait_for_state("bench", "ready");
    let replayed: Vec<Value> = recorded.iter().map(|_| outcome(&mut client)).collect();
    assert_eq!(replayed, recorded);
    let meter = client.call("meters.list", &json!({}))["meters"][0].clone();
    assert_eq!((&meter["replayed"], &meter["simulated"]), (&json!(true), &json!(false)), "{meter}");
    assert_eq!(meter["instrument"]["serial"], "0042");
    let flags = client.call("meter.read", &json!({"meter": "bench"}))["flags"].clone();
    assert_eq!(flags, json!(["replayed", "zero_overdue"]));
}

#[test]
fn what_is_replayed_says_so_everywhere() {
    let daemon = recorded(3);
    let replay = replaying(&daemon, "r.jsonl", "pace = \"asked\"\n");
    replay.client().wait_for_state("bench", "ready");
    for arguments in [
        ["read", "bench"].as_slice(),
        &["meters"],
        &["observe", "bench", "--interval", "0", "--count", "1"],
        &["log", "readings"],
    ] {
        let words = String::from_utf8(replay.run_settle(arguments).stdout).unwrap();
        assert!(words.contains("REPLAYED") && !words.contains("SIMULATED"), "{arguments:?}: {words}");
    }
    // The recording begins anew time and again, and its time may be over just then: a value that isn't there has no mark.
    let settling = ["read", "--settled", "--hold", "1s", "--max-wait", "3s"];
    let mut words = String::new();
    wait_until("a settling ends with readings", || {
        words = String::from_utf8(replay.run_settle(&settling).stdout).unwrap();
        !words.contains(" 0 readings")
    });
    assert!(words.contains("REPLAYED") && !words.contains("SIMULATED"), "{words}");
    let show = replay.run_settle(&["stage", "show", "--colour", "0"]);
    assert!(!show.status.success(), "there is no stage to show anything on");
}

#[test]
fn a_recorded_simulation_stays_one() {
    let mut daemon = Daemon::configured(SIMULATED);
    let file = daemon.path("r.jsonl");
    daemon.with_arguments(&["--record", file.to_str().unwrap()]);
    daemon.launch();
    let mut client = daemon.client();
    let first = client.call("meter.read", &json!({"meter": "m"}));
    let second = client.call("meter.read", &json!({"meter": "m"}));
    stop(&mut daemon);
    let replay = replaying(&daemon, "r.jsonl", "pace = \"asked\"\n");
    let mut client = replay.client();
    client.wait_for_state("bench", "ready");
    for original in [&first, &second, &first] {
        let reading = client.call("meter.read", &json!({"meter": "bench"}));
        assert_eq!(reading["xyz"], original["xyz"]);
        assert_eq!(reading["flags"], json!(["simulated", "replayed"]));
    }
    let words = String::from_utf8(replay.run_settle(&["meters"]).stdout).unwrap();
    assert!(words.contains("SIMULATED") && words.contains("REPLAYED"), "{words}");
    assert!(client.refusal("stage.show", &json!({"stimulus": {"colour": [0, 0, 0]}})) == "unsupported");
}

#[test]
fn a_logs_readings_are_played_on_a_clock_that_runs_faster() {
    let daemon = Daemon::start(
        "[log]\npath = \"log.sqlite\"\n[clock]\nspeed = 100\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"self-emitting\"\nintegration_s = [0.5, 2]\nautomatic_s = 0.5\n",
    );
    let mut client = daemon.client();
    client.wait_for_state("m", "ready");
    client.call("meter.observe", &json!({"meter": "m", "interval_s": 2}));
    let readings: Vec<Value> = (0..8).map(|_| client.notice("reading")["reading"].clone()).collect();
    for form in ["--json", "--csv"] {
        let export = daemon.run_settle(&["log", "readings", form, "--limit", "8"]);
        std::fs::write(daemon.path("night"), &export.stdout).unwrap();
        let file = daemon.path("night").display().to_string();
        let replay = Daemon::start(&format!(
            "[log]\npath = \"off\"\n[clock]\nspeed = 5\n[[meter]]\nid = \"bench\"\ndriver = \"replay\"\nfile = \"{file}\"\nat_end = \"leave\"\n"
        ));
        let mut client = replay.client();
        client.wait_for_state("bench", "ready");
        client.call("meter.observe", &json!({"meter": "bench", "interval_s": 0}));
        let played: Vec<Value> =
            std::iter::from_fn(|| client.notice("reading").get("reading").cloned()).take(4).collect();
        let taken_s = |reading: &Value| {
            let same = |taken: &&Value| taken["luminance_cd_m2"] == reading["luminance_cd_m2"];
            readings.iter().find(same).map(|taken| taken["t_s"].as_f64().unwrap())
        };
        assert_eq!(played.len(), 4, "{form}");
        // As far apart as when they were taken, on the replay's own clock; a busy machine may be late with some.
        let late_s = |pair: &[Value]| {
            let apart_s = pair[1]["t_s"].as_f64().unwrap() - pair[0]["t_s"].as_f64().unwrap();
            apart_s - (taken_s(&pair[1]).unwrap() - taken_s(&pair[0]).unwrap())
        };
        let late: Vec<f64> = played.windows(2).map(late_s).collect();
        assert!(late.iter().any(|late_s| late_s.abs() < 0.5), "{form}: late by {late:?} s");
    }
}

#[test]
fn a_kill_loses_no_more_of_a_recording_than_its_last_second() {
    let mut daemon = Daemon::configured(SIMULATED);
    let file = daemon.path("r.jsonl");
    daemon.with_arguments(&["--record", file.to_str().unwrap()]);
    daemon.launch();
    let mut client = daemon.client();
    let mut ended_s = Vec::new();
    for _ in 0..200 {
        ended_s.push(client.call("meter.read", &json!({"meter": "m"}))["t_s"].as_f64().unwrap());
    }
    daemon.kill();
    let last_s = ended_s.last().unwrap();
    let old = ended_s.iter().filter(|t_s| **t_s < last_s - 1.0).count();
    let lines = lines(&daemon);
    assert!(count(&lines, "sample") >= old.max(1), "{} of {old}", count(&lines, "sample"));
    assert_eq!(count(&lines, "end"), 0);
    let replay = replaying(&daemon, "r.jsonl", "pace = \"asked\"\n");
    let reading = replay.client().call("meter.read", &json!({"meter": "bench"}));
    assert!(reading["luminance_cd_m2"].is_f64());
}

#[test]
fn what_passes_between_daemon_and_plugin_is_recorded() {
    let plugin = program("faulty").display().to_string();
    let mut daemon = Daemon::configured(&format!(
        "[log]\npath = \"off\"\n[[meter]]\nid = \"bench\"\ndriver = \"plugin\"\ncommand = [{plugin:?}]\n"
    ));
    let file = daemon.path("r.jsonl");
    daemon.with_arguments(&["--record", file.to_str().unwrap()]);
    daemon.launch();
    let mut client = daemon.client();
    client.wait_for_state("bench", "ready");
    let reading = client.call("meter.read", &json!({"meter": "bench"}));
    stop(&mut daemon);
    let lines = lines(&daemon);
    let passed = |what: &str, part: &str| {
        lines.iter().any(|line| line["what"] == what && line["bytes"].as_str().unwrap().contains(part))
    };
    assert!(passed("sent", "meter.measure") && passed("received", "\"result\""), "{lines:#?}");
    // Without a profile its samples are played.
    let replay = replaying(&daemon, "r.jsonl", "");
    replay.client().wait_for_state("bench", "ready");
    let again = replay.client().call("meter.read", &json!({"meter": "bench"}));
    assert_eq!(again["luminance_cd_m2"], reading["luminance_cd_m2"]);
    assert_eq!(again["flags"], json!(["replayed"]));
}

#[test]
fn no_recording_is_overwritten_and_others_may_not_read_it() {
    use std::os::unix::fs::PermissionsExt;
    let mut daemon = Daemon::configured(SIMULATED);
    let file = daemon.path("r.jsonl");
    daemon.with_arguments(&["--record", file.to_str().unwrap()]);
    daemon.launch();
    daemon.client().wait_for_state("m", "ready");
    stop(&mut daemon);
    assert_eq!(std::fs::metadata(&file).unwrap().permissions().mode() & 0o777, 0o600);
    let before = std::fs::read(&file).unwrap();
    let again = daemon.command().output().unwrap();
    assert_eq!(again.status.code(), Some(1));
    let said = String::from_utf8(again.stderr).unwrap();
    assert!(said.contains("there already, and none is overwritten"), "{said}");
    assert_eq!(std::fs::read(&file).unwrap(), before);
}

#[test]
fn a_full_disk_ends_the_recording_and_nothing_else() {
    let mut daemon = Daemon::configured(SIMULATED);
    let file = daemon.path("r.jsonl");
    daemon.with_arguments(&["--record", file.to_str().unwrap()]);
    // No file may grow beyond 16 KiB: writing more fails, as on a full disk.
    daemon.launch_with_files("-f 32 && trap '' XFSZ");
    let mut client = daemon.client();
    wait_until("the disk is full", || {
        client.call("meter.read", &json!({"meter": "m"}));
        daemon.trace().contains("can't be written and ends")
    });
    for _ in 0..100 {
        client.call("meter.read", &json!({"meter": "m"}));
    }
    assert_eq!(daemon.trace().matches("can't be written").count(), 1, "it is said once");
    let samples = count(&lines(&daemon), "sample");
    assert!(samples > 10, "{samples} are good");
    let replay = replaying(&daemon, "r.jsonl", "pace = \"asked\"\n");
    assert!(replay.client().call("meter.read", &json!({"meter": "bench"}))["xyz"].is_array());
}

#[test]
fn a_recording_ends_at_its_limit() {
    let mut daemon = Daemon::configured(SIMULATED);
    let file = daemon.path("r.jsonl");
    daemon.with_arguments(&["--record", file.to_str().unwrap(), "--record-limit", "10kB"]);
    let refused = daemon.command().output().unwrap();
    assert_eq!(refused.status.code(), Some(2), "there is hardly room for anything");
    daemon.with_arguments(&["--record", file.to_str().unwrap(), "--record-limit", "64KiB"]);
    daemon.launch();
    let mut client = daemon.client();
    wait_until("the limit is reached", || {
        client.call("meter.read", &json!({"meter": "m"}));
        daemon.trace().contains("reached its limit")
    });
    wait_until("its end is written", || count(&lines(&daemon), "end") == 1);
    assert_eq!(lines(&daemon).last().unwrap(), &json!({"what": "end", "why": "limit"}));
    assert!(std::fs::metadata(&file).unwrap().len() <= 65_536);
}

#[test]
fn a_recording_that_ends_early_is_told_to_clients_and_in_the_log() {
    let mut daemon = Daemon::configured(&SIMULATED.replace("off", "log.sqlite"));
    let file = daemon.path("r.jsonl");
    daemon.with_arguments(&["--record", file.to_str().unwrap(), "--record-limit", "64KiB"]);
    daemon.launch();
    let mut client = daemon.client();
    let recording = |client: &mut Client| client.call("daemon.status", &json!({}))["recording"].clone();
    assert_eq!(
        (&recording(&mut client)["writing"], recording(&mut client).get("reason")),
        (&json!(true), None)
    );
    wait_until("the limit is reached", || {
        client.call("meter.read", &json!({"meter": "m"}));
        recording(&mut client)["writing"] == false
    });
    let ended = recording(&mut client);
    assert_eq!(ended["file"], file.display().to_string());
    assert!(ended["reason"].as_str().unwrap().contains("limit"), "{ended}");
    assert_eq!(ended["bytes"].as_u64().unwrap(), std::fs::metadata(&file).unwrap().len());
    let words = String::from_utf8(daemon.run_settle(&["status"]).stdout).unwrap();
    assert!(words.contains("recording: ENDED: it has reached its limit"), "{words}");
    wait_until("the event is in the log", || {
        let page = client.call("log.events", &json!({}));
        page["events"].as_array().unwrap().iter().any(|event| event["kind"] == "recording_ended")
    });
}
