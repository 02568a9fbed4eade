//! Zeroing a meter, from the command line to the wire.

use std::io::{BufRead, BufReader, Read, Write};
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

use serde_json::{Value, json};

use crate::settled::on_the_bench_with;
use crate::support::client::Client;
use crate::support::daemon::{Daemon, program, wait_until};
use crate::support::instrument::Instrument;

/// A bench whose instrument has these lines in its [zero], and answers to it within a second.
fn bench(zero: &str) -> (Daemon, Instrument) {
    on_the_bench_with(|profile| {
        let bare = profile.replace("at_start = false\n", "");
        bare.replace("timeout = \"20s\"", &format!("timeout = \"1s\"\n{zero}"))
    })
}

fn zero(client: &mut Client) -> Value {
    client.call("meter.zero", &json!({"meter": "bench", "covered": true}))
}

fn read(client: &mut Client) -> Value {
    client.call("meter.read", &json!({"meter": "bench"}))
}

fn overdue(reading: &Value) -> bool {
    reading["flags"].as_array().unwrap().contains(&json!("zero_overdue"))
}

fn said(output: &Output) -> (Option<i32>, String, String) {
    let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap();
    (output.status.code(), text(&output.stdout), text(&output.stderr))
}

#[test]
fn zeroing_takes_the_offset_off_and_says_when_the_next_is_due() {
    let (daemon, mut instrument) = bench("every = \"1h\"\nwithin_k = 2");
    let mut client = daemon.client();
    instrument.light(0.05, 0.0, 1.0, 0.0, 1);
    instrument.order("offset 0.02");
    let before = read(&mut client);
    assert!(overdue(&before), "{before}");
    assert!((before["luminance_cd_m2"].as_f64().unwrap() - 0.07).abs() < 1e-6, "{before}");
    let (status, words, _) = said(&daemon.run_settle(&["zero", "bench", "--covered"]));
    assert_eq!(status, Some(0), "{words}");
    assert!(words.starts_with("bench is zeroed. Uncover its aperture.\n"), "{words}");
    assert!(words.contains("or once its temperature has moved by 2 K from 31.5 °C"), "{words}");
    let after = read(&mut client);
    assert!((after["luminance_cd_m2"].as_f64().unwrap() - 0.05).abs() < 1e-6, "{after}");
    assert_eq!(after["flags"], json!([]));
    let (_, meters, _) = said(&daemon.run_settle(&["meters"]));
    assert!(
        meters.contains("zeroing      done ") && meters.contains("Z; due ") && meters.contains("2 K"),
        "{meters}"
    );
    // Warmer by more than that, and it is due again: at once, and by name.
    instrument.order("warm 34");
    let warm = read(&mut client);
    assert!(overdue(&warm), "{warm}");
    let zero = &client.call("meters.list", &json!({}))["meters"][0]["zero"];
    assert_eq!((&zero["needed"], zero.get("refuses")), (&json!(true), None));
    assert_eq!(zero["why"], "its temperature has moved from 31.5 to 34.0 °C");
    let (_, meters, _) = said(&daemon.run_settle(&["meters"]));
    assert!(
        meters.contains("due now, because its temperature has moved from 31.5 to 34.0 °C: cover it"),
        "{meters}"
    );
    let events = client.call("log.events", &json!({"meter": "bench"}));
    let last = events["events"].as_array().unwrap().last().unwrap();
    let zeroed = &events["events"][2]["detail"].as_str().unwrap();
    let due = zeroed.strip_prefix("zeroed; the next is due at ").unwrap();
    assert!(due.len() == 20 && due.ends_with('Z'), "{zeroed}");
    assert_eq!(last["detail"], "must be zeroed: its temperature has moved from 31.5 to 34.0 °C");
    let kinds = client.events("bench");
    assert_eq!(kinds, ["meter_ready", "zero_due", "meter_zeroed", "zero_due"]);
}

#[test]
fn each_fault_of_zeroing_ends_in_its_own_error_in_time_and_the_next_one_is_good() {
    let (daemon, mut instrument) = bench("every = \"1h\"");
    let mut client = daemon.client();
    let zeroed = zero(&mut client);
    assert!(zeroed["due"].is_string() && zeroed.get("due_within_k").is_none(), "{zeroed}");
    for (order, kind, needed) in [("refused", "meter_refused", false), ("silence", "meter_silent", true)] {
        instrument.order(&format!("zero {order}"));
        let start = Instant::now();
        let params = json!({"meter": "bench", "covered": true});
        assert_eq!(client.refusal("meter.zero", &params), kind, "{order}");
        let reading = read(&mut client);
        assert!(start.elapsed() < Duration::from_secs(8), "{order} took {:?}", start.elapsed());
        assert_eq!(overdue(&reading), needed, "{order}: {reading}");
        zero(&mut client);
        assert!(!overdue(&read(&mut client)), "{order}");
    }
    instrument.order("zero slow");
    zero(&mut client);
    instrument.order("zero close");
    assert_eq!(client.refusal("meter.zero", &json!({"meter": "bench", "covered": true})), "meter_absent");
    instrument.order("open");
    assert!(overdue(&read(&mut client)), "nobody knows whether it was zeroed");
    let (status, _, error) = said(&daemon.run_settle(&["zero", "nope", "--covered"]));
    assert!(status == Some(1) && error.contains("no meter is called"), "{error}");
    let failed = client.events("bench").iter().filter(|kind| *kind == "zero_failed").count();
    assert_eq!(failed, 3);
}

#[test]
fn nothing_is_zeroed_unless_somebody_vouches_that_it_is_covered() {
    let (daemon, _instrument) = bench("at_start = true");
    let mut client = daemon.client();
    for params in [json!({"meter": "bench"}), json!({"meter": "bench", "covered": false})] {
        assert_eq!(client.refusal("meter.zero", &params), "invalid_params");
    }
    // Without a terminal there is nobody to ask.
    let (status, _, error) = said(&daemon.run_settle(&["zero", "bench"]));
    assert!(status == Some(2) && error.contains("--covered"), "{error}");
    let (status, _, error) = said(&daemon.run_settle(&["--json", "zero", "bench"]));
    let error: Value = serde_json::from_str(&error).unwrap();
    assert!(status == Some(2) && error["error"]["data"]["kind"] == "usage", "{error}");
    assert_eq!(client.events("bench"), ["meter_ready", "zero_due"]);
}

/// `settle zero` at a terminal of its own, which is typed into once it asks.
fn at_a_terminal(daemon: &Daemon, typed: &str) -> Output {
    let (settle, socket) = (program("settle"), daemon.socket());
    let command = format!("{} --socket {} zero bench", settle.display(), socket.display());
    let mut script = Command::new("script");
    script.args(["--quiet", "--return", "--command", &command, "/dev/null"]);
    script.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = script.spawn().unwrap();
    let mut asked = Vec::new();
    while !String::from_utf8_lossy(&asked).contains("leaves it as it is") {
        let mut byte = [0];
        child.stdout.as_mut().unwrap().read_exact(&mut byte).unwrap();
        asked.push(byte[0]);
    }
    child.stdin.as_mut().unwrap().write_all(typed.as_bytes()).unwrap();
    let mut output = child.wait_with_output().unwrap();
    output.stdout.splice(0..0, asked);
    output
}

#[test]
fn at_a_terminal_it_asks_to_cover_the_aperture_and_waits_for_enter() {
    let (daemon, _instrument) = bench("at_start = true");
    let (status, words, _) = said(&at_a_terminal(&daemon, "\n"));
    assert_eq!(status, Some(0), "{words}");
    let ask = words.find("Cover the aperture of bench so that no light gets in, then press Enter").unwrap();
    assert!(words.find("bench is").is_some_and(|answer| answer > ask), "{words:?}");
    // Ctrl-C, and Ctrl-D.
    for typed in ["\u{3}", "\u{4}"] {
        let (status, words, _) = said(&at_a_terminal(&daemon, typed));
        assert!(
            status == Some(130) && words.contains("interrupted: nothing was done"),
            "{typed:?}: {words:?}"
        );
    }
    let zeroed = daemon.client().events("bench").iter().filter(|kind| *kind == "meter_zeroed").count();
    assert_eq!(zeroed, 1);
}

#[test]
fn nobody_is_asked_to_cover_what_is_not_there_or_can_not_be_zeroed() {
    let daemon = Daemon::start(
        "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"plain\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\n",
    );
    daemon.client().wait_for_state("plain", "ready");
    for (meter, why) in [("plain", "has no way to zero itself"), ("nope", "no meter is called")] {
        let command =
            format!("{} --socket {} zero {meter}", program("settle").display(), daemon.socket().display());
        let mut script = Command::new("script");
        script.args(["--quiet", "--return", "--command", &command, "/dev/null"]).stdin(Stdio::null());
        let (status, words, _) = said(&script.output().unwrap());
        assert!(status == Some(1) && words.contains(why) && !words.contains("Cover"), "{words}");
    }
}

#[test]
fn a_meter_that_must_be_zeroed_first_says_so_and_what_goes_on_resumes_afterwards() {
    let (daemon, _instrument) = bench("at_start = true\noverdue = \"refuse\"");
    let mut client = daemon.client();
    for (method, params) in [
        ("meter.read", json!({"meter": "bench"})),
        ("meter.read", json!({"meter": "bench", "covered": true})),
        ("meter.settle", json!({"meter": "bench"})),
    ] {
        assert_eq!(client.refusal(method, &params), "zero_needed", "{method} {params}");
    }
    let (status, _, error) = said(&daemon.run_settle(&["read", "--settled"]));
    assert_eq!(status, Some(1));
    assert!(error.contains("cover its aperture, then settle zero bench"), "{error}");
    let mut observe = daemon.settle(&["observe", "bench", "--interval", "0", "--count", "1"]);
    let mut observe = observe.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    wait_until("an observer is there", || {
        client.call("daemon.status", &json!({}))["clients"].as_u64().unwrap() >= 2
    });
    let mut line = String::new();
    let mut asides = BufReader::new(observe.stderr.take().unwrap());
    asides.read_line(&mut line).unwrap();
    assert_eq!(line, "bench must be zeroed first: cover its aperture, then settle zero bench; waiting\n");
    let (_, meters, _) = said(&daemon.run_settle(&["meters"]));
    assert!(
        meters.contains(
            "not done; due now, because it has not been zeroed since it was opened: cover it, then settle zero bench \
             (gives no readings until then)"
        ),
        "{meters}"
    );
    assert_eq!(client.exposures("bench"), 0);
    zero(&mut client);
    let (status, reading, _) = said(&observe.wait_with_output().unwrap());
    assert!(status == Some(0) && reading.contains("cd/m²"), "{reading}");
    assert!(!overdue(&read(&mut client)));
}

#[test]
fn a_meter_that_must_be_zeroed_first_gives_no_earlier_reading_either() {
    let (daemon, mut instrument) = bench("within_k = 2\noverdue = \"refuse\"");
    let mut client = daemon.client();
    zero(&mut client);
    read(&mut client);
    instrument.order("warm 40");
    for params in [json!({"meter": "bench"}), json!({"meter": "bench", "max_age_s": 600})] {
        assert_eq!(client.refusal("meter.read", &params), "zero_needed", "{params}");
    }
}

#[test]
fn an_acknowledged_zero_outlives_a_kill_of_the_daemon() {
    let (mut daemon, _instrument) = bench("every = \"1h\"\nwithin_k = 2");
    let at = zero(&mut daemon.client())["at"].clone();
    daemon.kill();
    daemon.launch();
    let mut client = daemon.client();
    client.wait_for_state("bench", "ready");
    assert!(!overdue(&read(&mut client)));
    let list = client.call("meters.list", &json!({}));
    assert_eq!(list["meters"][0]["zero"]["at"], at);
}

#[test]
fn a_simulated_meter_near_black_comes_nearer_to_the_truth_by_zeroing() {
    let daemon = Daemon::start(
        "[clock]\nspeed = 1000\n[log]\npath = \"off\"\n[[meter]]\nid = \"bench\"\ndriver = \"simulated\"\ndisplay = \"self-emitting\"\n\
         noise = 0.1\ndark_cd_m2 = 0.01\nzero_within_k = 3\nzero_overdue = \"flag\"\n",
    );
    let mut client = daemon.client();
    // The truth is no light at all. The meter warms up by 6 K, and its dark current with it.
    client.call("stage.show", &json!({"stimulus": {"colour": [0, 0, 0]}}));
    zero(&mut client);
    assert!(!overdue(&read(&mut client)));
    let mut warm = read(&mut client);
    wait_until("the meter is warm", || {
        warm = read(&mut client);
        warm["temperature_c"].as_f64().unwrap() > 28.9
    });
    let before = warm["luminance_cd_m2"].as_f64().unwrap().abs();
    assert!(before > 0.004 && overdue(&warm), "{warm}");
    let zeroed = zero(&mut client);
    assert!(zeroed["temperature_c"].as_f64().unwrap() > 28.9 && zeroed["due_within_k"] == 3.0, "{zeroed}");
    let reading = read(&mut client);
    let after = reading["luminance_cd_m2"].as_f64().unwrap().abs();
    assert!(after < before / 10.0 && !overdue(&reading), "{before} before, {reading}");
}
